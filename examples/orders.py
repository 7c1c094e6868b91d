"""The demo's day: orders for the room's four stations, with the faults it shows on purpose.

    python examples/orders.py > examples/orders.jsonl

The same seed gives the same day. Names and places are made of words for "example".
"""

import random
import sys
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "examples")]

from articles import catalogue  # noqa: E402

from schemas.goods import Item, MeasuredSize, Size  # noqa: E402
from schemas.order import Address, LabelLanguage, Line, Order, Purpose, SuppliedLabel  # noqa: E402


class Fault(StrEnum):
    """What goes wrong with an order on purpose."""

    SCANNED_TWICE = "scanned twice"
    """The operator scans the same order again: another event, the same order."""
    EVENT_TWICE = "event sent twice"
    """The sender repeats the same event."""
    FITS_NO_BAG = "fits no bag"
    NO_SIZE = "item without dimensions"
    NOT_BAGGED = "goods that a rule keeps out of bags"
    SIZE_DISPUTED = "measured size contradicts the catalogue"
    UNKNOWN_CODE = "code that the WMS does not know"
    WRONG_LABEL = "wrong label on the bag"
    """The verifying scan reads the label of another order."""
    BAG_PULLED = "bag pulled out of the row"
    STATION_OFF = "station is off and comes back"
    CUT_MID_LABEL = "connection cut after half a label"


@dataclass(frozen=True, slots=True)
class Planned:
    """One scan of the day. `order` is empty only for a code that nobody knows."""

    code: str
    station: str
    order: Order | None
    order_in_event: bool
    """The scan's event carries the order; else the gateway asks the WMS."""
    measured: MeasuredSize | None = None
    fault: Fault | None = None


PEOPLE = (
    ("Ilse Beispiel", "Beispielweg 12", "Beispielstadt", "DE"),
    ("Jörg Übungsmann", "Übungsgasse 3", "Musterhausen", "DE"),
    ("Jan Voorbeeld", "Voorbeeldkade 8", "Voorbeelddam", "NL"),
    ("Zoé Exemple", "7 rue de l'Exemple", "Exempleville", "FR"),
    ("José Ejemplo Muñoz", "Calle del Ejemplo 21", "Villa Ejemplo", "ES"),
    ("Anna Esempio", "Via dell'Esempio 4", "Esempio Terme", "IT"),
    ("Žofie Příkladová", "Příkladná 15", "Příklady", "CZ"),
    ("Łucja Przykład", "ul. Przykładowa 9", "Przykładowo", "PL"),
    ("Ødegård Eksempel", "Eksempelveien 2", "Eksempelvik", "NO"),
    ("Åsa Exempel", "Exempelgatan 31", "Exempelby", "SE"),
    ("João Exemplo", "Rua do Exemplo 5", "Exemplo", "PT"),
    ("Πέτρος Παράδειγμα", "Οδός Παραδείγματος 6", "Παράδειγμα", "GR"),
)

BENCH = ("1001", "1002", "1003", "1004", "1007", "1016", "1019", "1020", "1021", "1022", "2001",
         "2002", "2005", "2009", "2010", "3001", "3003", "3004", "3012", "3015", "3016", "6001",
         "8001")  # fmt: skip
FLOOR = ("1005", "1006", "1008", "1009", "1010", "1014", "1015", "1018", "1023", "1025", "2003",
         "2004", "2006", "2007", "2008", "3006", "3007", "3008", "3010", "3013", "3018", "3019",
         "4001", "4004", "4005", "4006", "5001", "5002", "6002")  # fmt: skip
LINE = ("1009", "1011", "1012", "1013", "1024", "1026", "2004", "3002", "3005", "3007", "3009",
        "3011", "3014", "3017", "3020", "4002", "4003")  # fmt: skip
GOODS_IN = ("1001", "1002", "1003", "1004", "1005", "1007", "1014", "1016", "1017", "1018", "1019",
            "1020", "1021", "1022", "1028")  # fmt: skip

MEASURED_LARGER = ("3002", "3007", "3011", "3014")
NOT_BAGGED = ("7001", "7002", "7003", "7004")

_AT: dict[str, tuple[Sequence[str], Sequence[int], int]] = {
    "bench": (BENCH, (1, 1, 2), 1),
    "floor": (FLOOR, (1, 1, 1, 2, 2, 3), 2),
    "line": (LINE, (1,), 1),
    "inbound": (GOODS_IN, (1,), 1),
}
"""Per station: what is packed there, how many lines an order has, how many pieces a line."""

_SHARES = (("bench", 0.34), ("floor", 0.28), ("line", 0.18), ("inbound", 0.20))
_FAULTS: tuple[tuple[float, str, Fault], ...] = (
    (0.06, "bench", Fault.SCANNED_TWICE),
    (0.10, "line", Fault.EVENT_TWICE),
    (0.15, "floor", Fault.FITS_NO_BAG),
    (0.20, "bench", Fault.NO_SIZE),
    (0.26, "inbound", Fault.CUT_MID_LABEL),
    (0.32, "floor", Fault.STATION_OFF),
    (0.38, "bench", Fault.BAG_PULLED),
    (0.45, "floor", Fault.WRONG_LABEL),
    (0.50, "line", Fault.SIZE_DISPUTED),
    (0.54, "bench", Fault.UNKNOWN_CODE),
    (0.58, "bench", Fault.NOT_BAGGED),
    (0.66, "bench", Fault.CUT_MID_LABEL),
    (0.72, "line", Fault.WRONG_LABEL),
    (0.78, "inbound", Fault.SCANNED_TWICE),
    (0.84, "floor", Fault.EVENT_TWICE),
)
"""Where in the day a fault falls, at which station, and which."""


def plan(count: int = 200, seed: int = 9521234) -> list[Planned]:
    """The scans of a day in the order in which they happen; at least 40."""
    if count < 40:
        raise ValueError("a day has at least 40 orders, or its faults would fall on each other")
    chance = random.Random(seed)
    items = catalogue()
    faults = {int(share * count): (station, fault) for share, station, fault in _FAULTS}
    stations = [name for name, _ in _SHARES]
    weights = [share for _, share in _SHARES]
    day = []
    for number in range(count):
        station = chance.choices(stations, weights)[0]
        fault = None
        if number in faults:
            station, fault = faults[number]
        day.append(_scan(chance, items, number, station, fault))
    return day


def orders(count: int = 200, seed: int = 9521234) -> list[Order]:
    """The orders of the day, as the WMS holds them."""
    return [scan.order for scan in plan(count, seed) if scan.order is not None]


def _scan(
    chance: random.Random, items: dict[str, Item], number: int, station: str, fault: Fault | None
) -> Planned:
    code = f"TOTE-{7000 + number}"
    if fault is Fault.UNKNOWN_CODE:
        return Planned("TOTE-0000", station, None, order_in_event=False, fault=fault)
    lines = _lines(chance, items, station, fault)
    order = _order(chance, number, code, station, lines)
    measured = _measured(chance, order, fault) if station == "line" else None
    in_event = chance.random() < 0.25
    return Planned(code, station, order, in_event, measured, fault)


def _lines(
    chance: random.Random, items: dict[str, Item], station: str, fault: Fault | None
) -> list[tuple[Item, int]]:
    match fault:
        case Fault.FITS_NO_BAG:
            return [(items["TW-7005"], 1)]
        case Fault.NO_SIZE:
            return [(items["TW-2001"], 1), (items["TW-7006"], 1)]
        case Fault.NOT_BAGGED:
            return _pick(chance, items, NOT_BAGGED, 1, most=1)
        case Fault.SIZE_DISPUTED:
            return _pick(chance, items, MEASURED_LARGER, 1, most=1)
        case _:
            pool, lines, most = _AT[station]
            return _pick(chance, items, pool, chance.choice(lines), most)


def _pick(
    chance: random.Random, items: dict[str, Item], pool: Sequence[str], lines: int, most: int
) -> list[tuple[Item, int]]:
    return [
        (items[f"TW-{number}"], chance.randint(1, most)) for number in chance.sample(pool, lines)
    ]


def _order(
    chance: random.Random, number: int, code: str, station: str, lines: list[tuple[Item, int]]
) -> Order:
    order_id = f"SO-{410000 + number}"
    of_lines = tuple(
        Line(line_id=f"{place}", item=item, quantity=quantity)
        for place, (item, quantity) in enumerate(lines, 1)
    )
    if station == "inbound":
        belt = lines[0][0].sku == "TW-1028"
        return Order(
            order_id=f"PO-{88000 + number}",
            scan_code=code,
            purpose=Purpose.INBOUND,
            lines=of_lines,
            tags=("hang-sell",) if belt else (),
        )
    name, street, city, country = chance.choice(PEOPLE)
    return Order(
        order_id=order_id,
        scan_code=code,
        ship_to=Address(
            name=name, lines=(street,), postcode=f"{chance.randrange(100, 999)} 00", city=city,
            country=country, phone="+00 000 000" if chance.random() < 0.3 else "",
        ),
        service=chance.choices(("road", "air"), (0.85, 0.15))[0],
        routing=f"{country}-{chance.randrange(1, 60):02d}",
        lines=of_lines,
        labels=_supplied(order_id) if _is_supplied(station, number, lines) else (),
        references={"invoice": f"R-{number:06d}"},
    )  # fmt: skip


def _is_supplied(station: str, number: int, lines: list[tuple[Item, int]]) -> bool:
    # One label is supplied, so the order must be one parcel.
    return station == "bench" and number % 9 == 5 and len(lines) == 1


def _supplied(order_id: str) -> tuple[SuppliedLabel, ...]:
    """A finished label, as some sites get it from elsewhere: passed on byte for byte."""
    tracking = f"EX{order_id.removeprefix('SO-')}XX"
    text = (
        "^XA^CI28^PW812^LL1218"
        f"^FO60,80^A0N,60,60^FDPARCEL {order_id}^FS"
        f"^FO60,400^BY3^BCN,240,Y,N,N,N^FD{tracking}^FS"
        "^PQ1^XZ"
    )
    return (
        SuppliedLabel.model_validate(
            {
                "language": LabelLanguage.ZPL,
                "content": b64encode(text.encode()).decode(),
                "dots_per_mm": 8.0,
                "width_mm": 101.6,
                "height_mm": 152.4,
                "expected_scans": [tracking],
            }
        ),
    )


def _measured(chance: random.Random, order: Order, fault: Fault | None) -> MeasuredSize | None:
    """What the line's scanner sees: a little off, or far off where the catalogue is wrong."""
    (line,) = order.lines
    if line.item.size is None:
        return None
    sides = line.item.size.in_mm()
    factor = 1.45 if fault is Fault.SIZE_DISPUTED else 1.0
    seen = [round(side * factor + chance.uniform(-2.0, 2.0), 1) for side in sides]
    return MeasuredSize(
        size=Size(length=seen[0], width=seen[1], height=seen[2]),
        mass_g=line.item.mass_g,
        confidence=round(chance.uniform(0.93, 0.99), 2),
    )


def main() -> None:
    """Print the day's orders, one JSON object a line."""
    for order in orders():
        print(order.model_dump_json(exclude_defaults=True))


if __name__ == "__main__":
    main()
