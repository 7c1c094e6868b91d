"""A ledger entry in one line for people."""

from collections.abc import Callable, Mapping

from pydantic import JsonValue

from schemas.ledger import EntryKind, LedgerEntry

Facts = Mapping[str, JsonValue]


def told(entry: LedgerEntry) -> str:
    """What the entry says beyond its kind; empty where the kind says it all."""
    words = _WORDS.get(entry.kind)
    if words is not None:
        return words(entry.data)
    return _text(entry.data, "text") or _text(entry.data, "reason")


def _moved(data: Facts) -> str:
    way = f"{_word(data, 'from')} → {_word(data, 'to')}"
    reason = _text(data, "reason")
    return _joined(way, reason if reason != _text(data, "to") else "")


def _created(data: Facts) -> str:
    bag = data.get("bag")
    name = str(bag.get("id", "")) if isinstance(bag, dict) else ""
    again = _text(data, "reprint_of")
    return _joined(name, f"printed again for {again}" if again else "")


def _supply(data: Facts) -> str:
    left = data.get("pieces_left")
    amount = f"{left} bags" if left is not None else f"{_text(data, 'metres_left')} m"
    return f"{_text(data, 'bag')} in slot {_text(data, 'slot')}, {amount}"


def _repaired(data: Facts) -> str:
    void, again = data.get("void"), data.get("reprinted")
    many = len(void) if isinstance(void, list) else 0
    more = len(again) if isinstance(again, list) else 0
    return _joined(f"{many} void, {more} printed again", _text(data, "reason"))


def _row(data: Facts) -> str:
    if "pulled_from" in data:
        return f"a bag was pulled from position {_text(data, 'pulled_from')}"
    return "the bag was sealed" if data.get("sealed") else ""


_WORDS: dict[EntryKind, Callable[[Facts], str]] = {
    EntryKind.JOB_MOVED: _moved,
    EntryKind.JOB_CREATED: _created,
    EntryKind.ORDER_DECIDED: lambda data: _many(data, "parcels", "parcel"),
    EntryKind.ORDER_RECEIVED: lambda data: ", ".join(
        (_many(data, "lines", "line"), _many(data, "pieces", "piece"))
    ),
    EntryKind.SITE_LOADED: lambda data: _joined(_text(data, "name"), _text(data, "reason")),
    EntryKind.ORDER_MANUAL: lambda data: _joined(*_reasons(data)),
    EntryKind.STATION_STATE: lambda data: _joined(_word(data, "state"), _text(data, "detail")),
    EntryKind.SUPPLY_CHANGED: _supply,
    EntryKind.ROW_REPAIRED: _repaired,
    EntryKind.ROW_CHANGED: _row,
    EntryKind.CASE_OPENED: lambda data: _joined(_text(data, "case_id"), _word(data, "case")),
    EntryKind.CASE_CHANGED: lambda data: _joined(
        _text(data, "case_id"), _word(data, "state"), _text(data, "note")
    ),
    EntryKind.LABEL_MADE: lambda data: f"SSCC {data['sscc']}" if data.get("sscc") else "",
}


def _reasons(data: Facts) -> list[str]:
    reasons = data.get("reasons")
    if not isinstance(reasons, list):
        return []
    return [str(one.get("text", "")) for one in reasons if isinstance(one, dict)]


def _text(data: Facts, key: str) -> str:
    value = data.get(key)
    return "" if value is None else str(value)


def _many(data: Facts, key: str, one: str) -> str:
    count = _text(data, key)
    return f"{count} {one}" if count == "1" else f"{count} {one}s"


def _word(data: Facts, key: str) -> str:
    return _text(data, key).replace("_", " ")


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
