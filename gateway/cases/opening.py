"""Cases open by themselves, in the same commit as the entry that shows what is wrong.

Called with the entries of every step, so that no way of recording one can forget its case.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import orjson
import sqlalchemy as sa

from gateway.cases import rows
from gateway.cases.rows import NewCase
from gateway.store import jobs, prepared
from gateway.store.tables import orders
from gateway.store.work import Work
from schemas.cases import CaseKind
from schemas.decision import ReasonCode
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.scan import ScanVerdict

_SHOWS = frozenset(
    {
        EntryKind.SCAN_REFUSED,
        EntryKind.STATION_HELD,
        EntryKind.SIZE_DISPUTED,
        EntryKind.ORDER_MANUAL,
    }
)
_CONTINUES = frozenset(
    {
        EntryKind.SCAN_VERIFIED,
        EntryKind.SCAN_REFUSED,
        EntryKind.STATION_HELD,
        EntryKind.STATION_RELEASED,
        EntryKind.ROW_REPAIRED,
        EntryKind.ROW_CHANGED,
        EntryKind.JOB_MOVED,
        EntryKind.JOB_CREATED,
        EntryKind.DOUBT_SETTLED,
    }
)
"""Kinds that go into the chain of a case at their station or about their order."""

_STATION_WIDE = frozenset(
    {EntryKind.STATION_HELD, EntryKind.STATION_RELEASED, EntryKind.ROW_REPAIRED}
)

_OF_VERDICT = {
    ScanVerdict.SHIFTED: CaseKind.SHIFTED_ROW,
    ScanVerdict.OTHER_ORDER: CaseKind.WRONG_ORDER,
    ScanVerdict.NOTHING_EXPECTED: CaseKind.WRONG_ORDER,
    ScanVerdict.OTHER_STATION: CaseKind.WRONG_STATION,
    ScanVerdict.UNKNOWN_CODE: CaseKind.FOREIGN_CODE,
}

_CONTENT = sa.select(orders.c.content).where(orders.c.order_id == sa.bindparam("order"))

Recorded = Mapping[str, Any]
"""An entry as a row: its text, and the columns beside it."""

Entry = Mapping[str, Any]
"""An entry as its canonical text says it."""


def follow(work: Work, recorded: Sequence[Recorded]) -> None:
    """Open, or go on with, the cases that a step's entries show."""
    told = [row for row in recorded if row["kind"] in _CONTINUES and not _passing(row)]
    for entry in [_read(row) for row in recorded if row["kind"] in _SHOWS]:
        new = _shown_by(work, entry)
        if new is not None:
            _open(work, new, entry)
    if told:
        _go_on(work, told)


_PASSING = tuple(
    f'"to":"{state.value}"'.encode()
    for state in JobState
    if state not in (JobState.VOID, JobState.CANCELLED, JobState.VERIFIED)
)


def _passing(row: Recorded) -> bool:
    """A move that every job makes and that says nothing about a case: told without reading it."""
    return row["kind"] == EntryKind.JOB_MOVED and any(to in row["canonical"] for to in _PASSING)


def _read(row: Recorded) -> Entry:
    entry: Entry = orjson.loads(row["canonical"])
    return entry


def _go_on(work: Work, told: Sequence[Recorded]) -> None:
    stations = {e["station"] for e in told if e["kind"] in _STATION_WIDE and e["station"]}
    about = {e["order_id"] for e in told if e["order_id"]}
    if not stations and not about:
        return
    for case in rows.waiting_about(work.conn, stations, about):
        mine = [
            entry["seq"]
            for entry in told
            if (case.order_id and entry["order_id"] == case.order_id)
            or (
                case.station
                and case.kind is not CaseKind.CATALOGUE_SIZE_WRONG
                and entry["station"] == case.station
                and entry["kind"] in _STATION_WIDE
            )
        ]
        if mine:
            rows.link(work.conn, case.case_id, mine)


def _open(work: Work, new: NewCase, entry: Entry) -> None:
    known = rows.not_closed(work.conn, new.kind, new.subject)
    if known is not None:
        rows.link(work.conn, known, [entry["seq"]])
        return
    case_id = f"M-{work.next_number('case'):05d}"
    rows.insert(work.conn, case_id, new, work.now)
    opened = work.record(
        EntryKind.CASE_OPENED,
        order_id=new.order_id,
        job_id=new.job_id,
        station=new.station,
        case_id=case_id,
        case=new.kind.value,
        shown_by=entry["seq"],
    )
    rows.link(work.conn, case_id, [entry["seq"], opened])


def _shown_by(work: Work, entry: Entry) -> NewCase | None:
    match entry["kind"]:
        case EntryKind.SCAN_REFUSED:
            return _of_scan(work, entry)
        case EntryKind.STATION_HELD:
            return _of_hold(entry)
        case EntryKind.SIZE_DISPUTED:
            sku = str(entry["data"]["sku"])
            return NewCase(
                CaseKind.CATALOGUE_SIZE_WRONG,
                sku,
                str(entry["data"]["text"]),
                station=entry["station"],
                order_id=entry["order_id"],
                code=sku,
            )
        case EntryKind.ORDER_MANUAL:
            return _of_refused_label(work, entry)
    return None


def _of_scan(work: Work, entry: Entry) -> NewCase | None:
    data = entry["data"]
    verdict = ScanVerdict(data["verdict"])
    code = data["code"]
    kind = _OF_VERDICT.get(verdict)
    if verdict is ScanVerdict.OLD_LABEL and code:
        kind = _old_label(work, code)
    if kind is None:
        return None
    subject = f"{entry['station']} {entry['job_id'] or code}"
    return _at_station(kind, subject, entry, str(data["text"]), code)


def _old_label(work: Work, code: str) -> CaseKind:
    """A label that was proved on a bag before exists twice; a void one should not exist."""
    owners = jobs.carrying(work.conn, code)
    proved = owners and owners[0].state in (JobState.VERIFIED, JobState.CLOSED)
    return CaseKind.REPEATED_LABEL if proved else CaseKind.STALE_LABEL


def _of_hold(entry: Entry) -> NewCase | None:
    data = entry["data"]
    kind = {
        ScanVerdict.NO_READ.value: CaseKind.NO_READ,
        "left_unscanned": CaseKind.LEFT_UNSCANNED,
    }.get(data["hold"])
    if kind is None:
        return None
    subject = f"{entry['station']} {entry['job_id']}"
    return _at_station(kind, subject, entry, str(data["text"]), None)


def _at_station(kind: CaseKind, subject: str, entry: Entry, text: str, code: str | None) -> NewCase:
    return NewCase(
        kind,
        subject,
        text,
        station=entry["station"],
        order_id=entry["order_id"],
        job_id=entry["job_id"],
        code=code,
    )


def _of_refused_label(work: Work, entry: Entry) -> NewCase | None:
    refused = [
        reason["text"]
        for reason in entry["data"]["reasons"]
        if reason["code"] == ReasonCode.LABEL_REFUSED
    ]
    order = _order(work, entry["order_id"])
    if not refused or not order.get("labels"):
        return None
    return NewCase(
        CaseKind.SUPPLIED_LABEL_WRONG,
        str(entry["order_id"]),
        " ".join(refused),
        station=entry["station"],
        order_id=entry["order_id"],
    )


def _order(work: Work, order_id: str | None) -> Mapping[str, Any]:
    found = prepared.row(work.conn, _CONTENT, {"order": order_id})
    order: Mapping[str, Any] = orjson.loads(found[0]) if found and found[0] else {}
    return order
