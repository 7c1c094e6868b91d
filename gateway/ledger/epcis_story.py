"""Parcel stories for EPCIS, read from ledger entries.

The entries of `job.created` say what a parcel holds and which SSCC each label carries, those of
`job.moved` what became of the label. A label counts as printed from the moment that all its bytes
had left or the station said so; one whose fate nobody knows is not told until that is settled.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from pydantic import JsonValue

from gateway.ledger.epcis import ParcelStory, StepKind, StoryLine, StoryStep
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry

_PRINTED = frozenset({JobState.SENT, JobState.PRINTED, JobState.VERIFIED, JobState.CLOSED})


@dataclass(slots=True)
class _Parcel:
    order_id: str
    lines: tuple[StoryLine, ...] = ()
    sscc_of: dict[str, str | None] = field(default_factory=dict)
    labelled: set[str] = field(default_factory=set)
    steps: list[StoryStep] = field(default_factory=list)


def stories(entries: Iterable[LedgerEntry]) -> tuple[ParcelStory, ...]:
    """Return the stories that the entries tell, in the order in which their parcels came up.

    The entries of a parcel must be whole from its first on; those of other parcels may stand
    between them. Parcels of which nothing was printed have no steps and are left out.
    """
    parcels: dict[str, _Parcel] = {}
    for entry in entries:
        if entry.parcel_id is None or entry.job_id is None:
            continue
        parcel = parcels.setdefault(entry.parcel_id, _Parcel(entry.order_id or ""))
        if entry.kind is EntryKind.JOB_CREATED:
            sscc = entry.data.get("sscc")
            parcel.sscc_of[entry.job_id] = sscc if isinstance(sscc, str) else None
            parcel.lines = parcel.lines or _lines(entry.data.get("lines"))
        elif entry.kind is EntryKind.JOB_MOVED:
            _moved(parcel, entry, entry.job_id)
    return tuple(
        ParcelStory(parcel.order_id, parcel_id, parcel.lines, tuple(parcel.steps))
        for parcel_id, parcel in parcels.items()
        if parcel.steps
    )


def _moved(parcel: _Parcel, entry: LedgerEntry, job_id: str) -> None:
    to = entry.data.get("to")

    def step(kind: StepKind) -> None:
        sscc = parcel.sscc_of.get(job_id)
        parcel.steps.append(
            StoryStep(kind, entry.time, job_id, entry.station or "", sscc, entry.seq)
        )

    if to in _PRINTED and job_id not in parcel.labelled:
        parcel.labelled.add(job_id)
        step(StepKind.LABELLED)
    if to == JobState.VERIFIED:
        step(StepKind.VERIFIED)
    if to in {JobState.VERIFIED, JobState.CLOSED}:
        step(StepKind.PACKED)
    if to == JobState.VOID and job_id in parcel.labelled:
        step(StepKind.VOIDED)


def _lines(stored: JsonValue) -> tuple[StoryLine, ...]:
    return tuple(filter(None, map(_line, stored))) if isinstance(stored, list) else ()


def _line(stored: JsonValue) -> StoryLine | None:
    if not isinstance(stored, dict):
        return None
    sku, quantity, gtin = stored.get("sku"), stored.get("quantity"), stored.get("gtin")
    if not isinstance(sku, str) or not isinstance(quantity, int):
        return None
    return StoryLine(sku, quantity, gtin if isinstance(gtin, str) else None)
