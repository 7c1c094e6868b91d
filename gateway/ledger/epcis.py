"""A parcel's story as EPCIS 2.0 events (JSON-LD), with the words of CBV 2.0.

What happened is told in four kinds of event: a label gives the parcel its SSCC (commissioning), a
further label with the same SSCC is a reprint (encoding), the right label was read (inspecting), the
goods went into the bag (packing). A void takes back the packing (unpacking) and, where no
label carries the SSCC any longer, the SSCC itself (decommissioning): an SSCC that was taken
back is never commissioned again.

Source of the event and field rules: EPCIS 2.0 and CBV 2.0 (GS1), from their published JSON
schema; the combinations of step and disposition from memory.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from hashlib import sha256
from urllib.parse import quote
from zoneinfo import ZoneInfo

from pydantic import JsonValue

from gateway.label.errors import DataRefused
from gateway.label.gs1 import digital_link, gtin

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
MEDIA_TYPE = "application/ld+json"

Event = dict[str, JsonValue]


class StepKind(StrEnum):
    """What can happen to a parcel that EPCIS has an event for."""

    LABELLED = "labelled"
    """A label was printed, the first or a further one."""
    VERIFIED = "verified"
    """The label was read from the finished bag and was right."""
    PACKED = "packed"
    """The bag was closed over its goods."""
    VOIDED = "voided"
    """A label, or the bag with it, must not leave."""


@dataclass(frozen=True, slots=True)
class StoryStep:
    """One step: what, when (UTC), which label job, on which station, under which SSCC."""

    kind: StepKind
    time: datetime
    job_id: str
    station: str
    sscc: str | None = None
    """18 digits; None where the label carries no SSCC, as some supplied ones."""
    seq: int = 0
    """The ledger entry that tells of it, where known."""


@dataclass(frozen=True, slots=True)
class StoryLine:
    """So many pieces of one item in the parcel; `gtin` of 8, 12, 13 or 14 digits where known."""

    sku: str
    quantity: int
    gtin: str | None = None


@dataclass(frozen=True, slots=True)
class ParcelStory:
    """One parcel: what it holds and what happened to it, in the order in which it happened."""

    order_id: str
    parcel_id: str
    lines: tuple[StoryLine, ...]
    steps: tuple[StoryStep, ...]


@dataclass(frozen=True, slots=True)
class EpcisSite:
    """Where it happened: a name for the site's own URIs, its zone, and its GLN where it has one."""

    name: str
    zone: ZoneInfo
    gln: str | None = None


def events_of(story: ParcelStory, site: EpcisSite) -> tuple[Event, ...]:
    """Return the events of one parcel, oldest first, each with its hash id."""
    return tuple(event for _, event in told(story, site))


def told(story: ParcelStory, site: EpcisSite) -> Iterator[tuple[StoryStep, Event]]:
    """Give the events of one parcel, oldest first, each with the step that it tells of."""
    return _Telling(story, site).events()


def document(events: Iterable[Event], created: datetime) -> dict[str, JsonValue]:
    """Return an EPCIS document that holds the events."""
    return {
        "@context": CONTEXT,
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": _utc_ms(created),
        "epcisBody": {"eventList": list(events)},
    }


def query_document(
    events: Iterable[Event], created: datetime, *, query: str = "SimpleEventQuery"
) -> dict[str, JsonValue]:
    """Return the events as the answer to a query."""
    results: JsonValue = {"queryName": query, "resultsBody": {"eventList": list(events)}}
    return {
        "@context": CONTEXT,
        "type": "EPCISQueryDocument",
        "schemaVersion": "2.0",
        "creationDate": _utc_ms(created),
        "epcisBody": {"queryResults": results},
    }


class _Telling:
    """Tells one story: knows which labels carry an SSCC now, and whether the goods are packed."""

    def __init__(self, story: ParcelStory, site: EpcisSite) -> None:
        self.story = story
        self.site = site
        self.parents: dict[str, set[str]] = {}
        self.packed_in: str | None = None

    def events(self) -> Iterator[tuple[StoryStep, Event]]:
        for at, step in enumerate(self.story.steps):
            for event in self._of(step, self.story.steps[at + 1 :]):
                yield step, {**event, "eventID": event_id(event)}

    def _of(self, step: StoryStep, later: Sequence[StoryStep]) -> Iterable[Event]:
        parcel = self._parcel_uri(step)
        carried = parcel in self.parents
        jobs = self.parents.get(parcel, set())
        match step.kind:
            case StepKind.LABELLED:
                self.parents[parcel] = jobs | {step.job_id}
                if carried:
                    yield self._object(step, "OBSERVE", "encoding")
                else:
                    yield self._object(step, "ADD", "commissioning", "active")
            case StepKind.VERIFIED:
                yield self._object(step, "OBSERVE", "inspecting", "conformant")
            case StepKind.PACKED if self.packed_in is None:
                self.packed_in = parcel
                yield self._aggregation(step, "ADD", "packing", "in_progress")
            case StepKind.VOIDED if step.job_id in jobs:
                jobs.remove(step.job_id)
                yield from self._void(step, parcel, later)
            case _:
                pass

    def _void(self, step: StoryStep, parcel: str, later: Sequence[StoryStep]) -> Iterable[Event]:
        if self.packed_in == parcel:
            self.packed_in = None
            yield self._aggregation(step, "DELETE", "unpacking", "in_progress")
        comes_again = any(
            one.kind is StepKind.LABELLED and self._parcel_uri(one) == parcel for one in later
        )
        if not self.parents[parcel] and not comes_again:
            yield self._object(step, "DELETE", "decommissioning", "inactive")

    def _object(
        self, step: StoryStep, action: str, biz_step: str, disposition: str | None = None
    ) -> Event:
        what: Event = {"epcList": [self._parcel_uri(step)]}
        return self._event("ObjectEvent", step, what, (action, biz_step, disposition))

    def _aggregation(self, step: StoryStep, action: str, biz_step: str, disposition: str) -> Event:
        what: Event = {"parentID": self._parcel_uri(step), "childQuantityList": self._quantities()}
        return self._event("AggregationEvent", step, what, (action, biz_step, disposition))

    def _event(
        self, kind: str, step: StoryStep, what: Event, how: tuple[str, str, str | None]
    ) -> Event:
        action, biz_step, disposition = how
        local = _to_ms(step.time).astimezone(self.site.zone)
        event: Event = {
            "type": kind,
            "eventTime": local.isoformat(timespec="milliseconds"),
            "eventTimeZoneOffset": local.isoformat()[-6:],
            **what,
            "action": action,
            "bizStep": biz_step,
            "readPoint": {"id": self._station_uri(step.station)},
            "bizTransactionList": [
                {"type": "po", "bizTransaction": self._own("order", self.story.order_id)}
            ],
        }
        if disposition:
            event["disposition"] = disposition
        if self.site.gln:
            event["bizLocation"] = {"id": digital_link([("414", self.site.gln)])}
        return event

    def _quantities(self) -> JsonValue:
        totals: dict[str, int] = {}
        for line in self.story.lines:
            uri = self._item_uri(line)
            totals[uri] = totals.get(uri, 0) + line.quantity
        return [{"epcClass": uri, "quantity": count} for uri, count in sorted(totals.items())]

    def _parcel_uri(self, step: StoryStep) -> str:
        if step.sscc is None:
            return self._own("parcel", self.story.parcel_id)
        return digital_link([("00", step.sscc)])

    def _item_uri(self, line: StoryLine) -> str:
        """A GTIN whose check digit is wrong names nothing: the item goes by its SKU then."""
        try:
            return digital_link([("01", gtin(line.gtin))]) if line.gtin else self._sku(line)
        except DataRefused:
            return self._sku(line)

    def _sku(self, line: StoryLine) -> str:
        return self._own("sku", line.sku)

    def _station_uri(self, station: str) -> str:
        if self.site.gln and len(station) <= 20:
            return digital_link([("414", self.site.gln), ("254", station)])
        return self._own("station", station)

    def _own(self, kind: str, name: str) -> str:
        return f"urn:bagrelay:{quote(self.site.name, safe='')}:{kind}:{quote(name, safe='')}"


def event_id(event: Event) -> str:
    """Return the event's hash id (CBV 2.0, hash-based event identifiers; form of RFC 6920)."""
    return f"ni:///sha-256;{sha256(pre_hash(event).encode()).hexdigest()}?ver=CBV2.0"


def pre_hash(event: Event) -> str:
    """Return the text that is hashed, for events with the members that `events_of` writes.

    Members in the order that CBV 2.0 sets, times in UTC with three decimals, lists sorted, CBV
    words as web URIs; `eventID` and `recordTime` take no part. Identifiers must be canonical
    Digital Link URIs or URIs of the site's own.
    """
    parts = [
        f"eventType={event['type']}",
        f"eventTime={_utc_ms(datetime.fromisoformat(str(event['eventTime'])))}",
        f"eventTimeZoneOffset={event['eventTimeZoneOffset']}",
        _plain("parentID", event.get("parentID")),
        _list("epcList", event.get("epcList"), lambda one: f"epc={one}"),
        _list("childEPCs", event.get("childEPCs"), lambda one: f"epc={one}"),
        _list("childQuantityList", event.get("childQuantityList"), _quantity),
        _plain("action", event.get("action")),
        _plain("bizStep", event.get("bizStep"), "https://ref.gs1.org/cbv/BizStep-"),
        _plain("disposition", event.get("disposition"), "https://ref.gs1.org/cbv/Disp-"),
        _place("readPoint", event.get("readPoint")),
        _place("bizLocation", event.get("bizLocation")),
        _list("bizTransactionList", event.get("bizTransactionList"), _transaction),
    ]
    return "".join(parts)


def _plain(name: str, value: JsonValue, vocabulary: str = "") -> str:
    return f"{name}={vocabulary}{value}" if value is not None else ""


def _place(name: str, value: JsonValue) -> str:
    return f"{name}id={value['id']}" if isinstance(value, dict) else ""


def _list(name: str, values: JsonValue, text_of: Callable[[JsonValue], str]) -> str:
    return name + "".join(sorted(map(text_of, values))) if isinstance(values, list) else ""


def _quantity(element: JsonValue) -> str:
    assert isinstance(element, dict)
    return f"quantityElementepcClass={element['epcClass']}quantity={element['quantity']}"


def _transaction(element: JsonValue) -> str:
    assert isinstance(element, dict)
    kind = f"https://ref.gs1.org/cbv/BTT-{element['type']}"
    return f"type={kind}bizTransaction={element['bizTransaction']}"


def _to_ms(moment: datetime) -> datetime:
    """Round to milliseconds, which is as far as the hash id looks."""
    up = moment + timedelta(microseconds=500)
    return up.replace(microsecond=up.microsecond // 1000 * 1000)


def _utc_ms(moment: datetime) -> str:
    return _to_ms(moment).astimezone(UTC).isoformat(timespec="milliseconds")[:-6] + "Z"
