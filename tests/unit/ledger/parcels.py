"""One invented parcel with its order, its labels and its sealed ledger, for evidence files."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from chains import KEY
from pydantic import JsonValue

from gateway.ledger.chain import GENESIS, seal
from gateway.ledger.checkpoint import sign
from gateway.ledger.evidence import LabelMade, Parts
from gateway.ledger.label_pictures import label_pictures
from gateway.ledger.merkle import MemoryTree, leaf_hash
from gateway.ledger.proof import EntriesProof, prove_entries
from schemas.decision import ChosenBag, Parcel, Piece, Reason, ReasonCode, TurnedDown
from schemas.goods import Item
from schemas.ledger import LedgerEntry
from schemas.order import Address, LabelLanguage, Line, Order
from schemas.station import Printer
from schemas.supply import BagForm

START = datetime(2026, 11, 25, 8, 15, 30, 123_456, tzinfo=UTC)
ORDER_ID, PARCEL_ID, STATION = "SO-20417", "p-5f20c1", "bench-4"
SSCC = "395212340000000175"
NAME, STREET, CITY = "Łucja Przykładowa", "Wymyślona 12", "Nowe Demo"
SCAN = f"00{SSCC}"
LABEL = (
    f"^XA^PW812^LL1218^CI28^FO30,30^GB752,1158,4^FS^FO60,60^A0N,40,40^FD{NAME}^FS"
    f"^FO60,120^A0N,40,40^FD{STREET}, {CITY}^FS"
    f"^BY3^FO100,800^BCN,250,N^FD>;>8{SCAN}^FS^XZ\r\n"
).encode()
PRINTER = Printer()

ORDER = Order(
    order_id=ORDER_ID,
    ship_to=Address(name=NAME, lines=(STREET,), postcode="00-001", city=CITY, country="PL"),
    lines=(
        Line(line_id="1", item=Item(sku="TEE-M-BLUE", description="Shirt, blue, M"), quantity=2),
        Line(line_id="2", item=Item(sku="SOCK-42", description="Socks, pair"), quantity=3),
    ),
)
CONTENT = ORDER.model_dump_json(exclude_defaults=True).encode()
PARCEL = Parcel(
    station=STATION,
    bag=ChosenBag(
        id="po-250x350", form=BagForm.PRE_OPENED, film="clear-50", width_mm=250, length_mm=350
    ),
    pieces=(
        Piece(line_id="1", piece=1, x_mm=0, y_mm=0, z_mm=0, dx_mm=280, dy_mm=200, dz_mm=15),
        Piece(line_id="1", piece=2, x_mm=0, y_mm=0, z_mm=15, dx_mm=280, dy_mm=200, dz_mm=15),
    ),
    mass_g=412,
    needed_width_mm=241.4,
    needed_length_mm=338.0,
    goods_size_mm=(280, 200, 30),
    film_area_mm2=175_000,
    film_mass_g=8.1,
    void_share=0.38,
    margin_width_mm=8.6,
    margin_length_mm=12,
    binding="width",
)
TURNED_DOWN = (
    TurnedDown(
        station=STATION,
        bag="po-200x300",
        reasons=(
            Reason(
                code=ReasonCode.TOO_WIDE,
                text="needs 241.4 mm of width, has 200.0",
                needed=241.4,
                available=200,
                unit="mm",
            ),
        ),
    ),
)


@dataclass(frozen=True)
class Fact:
    """One entry to seal."""

    kind: str
    job: str
    data: dict[str, JsonValue]
    actor: str = "gateway"
    parcel: str | None = PARCEL_ID


def created(job: str, reprint_of: str | None = None) -> Fact:
    return Fact(
        "job.created",
        job,
        {
            "sscc": SSCC,
            "label_sha256": sha256(LABEL).hexdigest(),
            "bag": PARCEL.bag.model_dump(mode="json"),
            "needed_width_mm": PARCEL.needed_width_mm,
            "binding": PARCEL.binding,
            "reprint_of": reprint_of,
            "reason": "the first tore" if reprint_of else "",
        },
        actor="Jo Bloggs" if reprint_of else "gateway",
    )


def moved(job: str, was: str, to: str, reason: str = "") -> Fact:
    return Fact("job.moved", job, {"from": was, "to": to, "reason": reason})


FACTS = (
    Fact("order.received", "", {"content_sha256": sha256(CONTENT).hexdigest()}, parcel=None),
    Fact(
        "order.decided",
        "",
        {"turned_down": [t.model_dump(mode="json", exclude_none=True) for t in TURNED_DOWN]},
        parcel=None,
    ),
    created("j-1"),
    moved("j-1", "queued", "sending", "its turn"),
    moved("j-1", "sending", "sent", "all bytes left"),
    Fact(
        "scan.refused",
        "j-1",
        {"code": None, "verdict": "no_read", "expected": [SCAN]},
        actor="scanner",
    ),
    replace(moved("j-1", "sent", "void", "label torn, asked Anna"), actor="Jo Bloggs"),
    created("j-2", reprint_of="j-1"),
    moved("j-2", "queued", "sending", "its turn"),
    moved("j-2", "sending", "printed", "the station said so"),
    Fact("scan.verified", "j-2", {"code": SCAN, "verdict": "match"}, actor="scanner"),
    replace(moved("j-2", "printed", "verified", "the right label was read"), actor="scanner"),
)


def sealed(facts: Sequence[Fact] = FACTS) -> tuple[list[bytes], list[LedgerEntry]]:
    """The facts' canonical texts and entries, sealed upon each other."""
    texts, entries, prev = [], [], GENESIS
    for seq, fact in enumerate(facts, start=1):
        time = START + timedelta(seconds=7 * seq)
        members: dict[str, JsonValue] = {
            "seq": seq,
            "time": time.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "kind": fact.kind,
            "order_id": ORDER_ID,
            "parcel_id": fact.parcel,
            "job_id": fact.job or None,
            "station": STATION,
            "event_id": None,
            "actor": fact.actor,
            "data": fact.data,
            "prev": prev,
        }
        text, prev = seal(members)
        texts.append(text)
        entries.append(LedgerEntry.model_validate({**members, "hash": prev}))
    return texts, entries


def proved(texts: list[bytes]) -> EntriesProof:
    """The proof of all entries under a checkpoint of their own."""
    tree = MemoryTree(map(leaf_hash, texts))
    checkpoint = sign(
        size=len(texts),
        root=tree.root().hex(),
        last_hash=sha256(texts[-1]).hexdigest(),
        time=START + timedelta(hours=1),
        origin="demo room",
        private_key=KEY,
    )
    return prove_entries(texts, range(1, len(texts) + 1), checkpoint, about=f"parcel {PARCEL_ID}")


def label(job: str, **changes: object) -> LabelMade:
    """The label as the store has it, drawn from its bytes."""
    drawn = label_pictures(LABEL, LabelLanguage.ZPL, [SCAN], PRINTER)
    digest = sha256(LABEL).hexdigest()
    made = LabelMade(job, "zpl", digest, (SCAN,), LABEL, drawn.whole, drawn.blacked)
    return replace(made, **changes)  # type: ignore[arg-type]


def parts(**changes: object) -> Parts:
    """All that the evidence file of the parcel is made from."""
    texts, entries = sealed()
    made = Parts(
        site="demo room",
        time_zone="Europe/Warsaw",
        order_id=ORDER_ID,
        parcel_id=PARCEL_ID,
        station=STATION,
        order_content=CONTENT,
        parcel=PARCEL,
        turned_down=TURNED_DOWN,
        labels=(label("j-1"), label("j-2")),
        entries=tuple(entries),
        proof=proved(texts),
    )
    return replace(made, **changes)  # type: ignore[arg-type]
