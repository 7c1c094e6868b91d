"""The evidence file as a paper: the same facts as the JSON, for eyes."""

from datetime import datetime
from io import BytesIO
from zoneinfo import ZoneInfo

from PIL import Image as Pictures
from reportlab.lib.units import mm
from reportlab.platypus import Image

from gateway import paper
from gateway.ledger.evidence import Evidence, ShownLabel, content_of, picture_of, to_json
from gateway.ledger.proof import EntriesProof

_PICTURE_WIDTH_MM = 90.0
_PICTURE_HEIGHT_MM = 105.0
_BYTES_SHOWN = 6000


def to_pdf(file: Evidence) -> bytes:
    """Return the file as PDF, A4, times in the site's zone. The same file gives the same bytes."""
    zone = ZoneInfo(file.time_zone)
    made = _time(file.made, zone)
    foot = f"{file.site} · order {file.order_id} · parcel {file.parcel_id} · made {made}"
    return paper.paper(
        lambda: _story(file, zone), name=f"Evidence for parcel {file.parcel_id}", foot=foot
    )


def _story(file: Evidence, zone: ZoneInfo) -> list[paper.Flowable]:
    return [
        *_summary(file, zone),
        *_ordered(file),
        *_bag(file),
        *_attempts(file, zone),
        *_readings(file, zone),
        *(part for label in file.labels for part in _label(label)),
        *_proof(file.proof, zone),
        *(part for label in file.labels for part in _bytes(label)),
    ]


def _summary(file: Evidence, zone: ZoneInfo) -> list[paper.Flowable]:
    verified = file.verified
    if verified:
        verdict = (
            f"The right label was read from the finished bag on {_time(verified.time, zone)}"
            f" at station {verified.station}."
        )
    else:
        verdict = "No verifying scan of a label that still stands is on record for this parcel."
    parts = [
        paper.title(f"Evidence for parcel {file.parcel_id}"),
        paper.line(verdict, bold=True, colour=paper.GOOD if verified else paper.BAD),
        paper.pairs(
            [
                ("Site", file.site),
                ("Order", file.order_id),
                ("Station", file.station),
                ("Made", f"{_time(file.made, zone)} ({file.time_zone})"),
            ]
        ),
    ]
    if file.blacked_out:
        parts.append(
            paper.line("Names, addresses and what people typed are blacked out.", quiet=True)
        )
    if paper.lacks(to_json(file)):
        note = (
            f"Signs that this paper's letters lack are shown as {paper.LACKING}; the JSON has them."
        )
        parts.append(paper.line(note, quiet=True))
    return parts


def _ordered(file: Evidence) -> list[paper.Flowable]:
    parts = [paper.heading("What was ordered")]
    if file.ordered is None:
        return [*parts, paper.line("The order's content was erased when its time was up.")]
    parts.append(
        paper.table(
            ("Line", "SKU", "Description", "Pieces"),
            [
                (one.line_id, one.sku, one.description, str(one.quantity))
                for one in file.ordered.lines
            ],
            (22, 46, 86, 20),
            right=(3,),
        )
    )
    if to := file.ordered.ship_to:
        place = " ".join(part for part in (to.postcode, to.city, to.region, to.country) if part)
        rows = [part for part in (to.name, to.company, *to.lines, place) if part]
        parts.append(paper.pairs([("Ship to", "\n".join(rows))]))
    return parts


def _bag(file: Evidence) -> list[paper.Flowable]:
    parcel = file.parcel
    bag, goods = parcel.bag, parcel.goods_size_mm
    mass = f"{parcel.mass_g:.0f} g" if parcel.mass_g is not None else "not known"
    needed = (
        f"{parcel.needed_width_mm:.0f} x {parcel.needed_length_mm:.0f} mm; the bag has"
        f" {parcel.margin_width_mm:.0f} mm of width and {parcel.margin_length_mm:.0f} mm of"
        " length to spare"
    )
    laid = (
        f"{goods[0]:.0f} mm along the bag, {goods[1]:.0f} mm across, {goods[2]:.0f} mm high;"
        f" {len(parcel.pieces)} pieces, {mass}"
    )
    parts = [
        paper.heading("Which bag, and why"),
        paper.pairs(
            [
                ("Bag", f"{bag.id}: {bag.width_mm:g} x {bag.length_mm:g} mm flat, film {bag.film}"),
                ("Smallest that would do", needed),
                ("What set the size", parcel.binding),
                ("Goods as laid", laid),
                ("Rules that had a say", ", ".join(parcel.rules) or "none"),
            ]
        ),
    ]
    if file.turned_down:
        rows = [
            (one.station, one.bag, "\n".join(reason.text for reason in one.reasons))
            for one in file.turned_down
        ]
        parts += [
            paper.gap(2),
            paper.line("Bags that were turned down", quiet=True),
            paper.table(("Station", "Bag", "Why not"), rows, (32, 38, 104)),
        ]
    return parts


def _label(label: ShownLabel) -> list[paper.Flowable]:
    parts = [
        paper.heading(f"Label of job {label.job_id}"),
        paper.pairs(
            [
                ("Language", label.language.upper()),
                ("SHA-256 of its bytes", label.sha256),
                ("Codes a scan must read", "\n".join(label.expected_scans) or "none"),
                *([("Note", label.note)] if label.note else []),
            ]
        ),
    ]
    if picture := picture_of(label):
        parts += [paper.gap(2), _picture(picture)]
    return [paper.together(*parts)]


def _picture(png: bytes) -> paper.Flowable:
    with Pictures.open(BytesIO(png)) as picture:
        width, height = picture.size
    scale = min(_PICTURE_WIDTH_MM / width, _PICTURE_HEIGHT_MM / height)
    drawn = Image(BytesIO(png), width * scale * mm, height * scale * mm, hAlign="LEFT")
    return paper.framed(drawn)


def _bytes(label: ShownLabel) -> list[paper.Flowable]:
    content = content_of(label)
    if content is None:
        return []
    shown = "".join(
        chr(byte) if byte == 10 or 32 <= byte < 127 else f"\\x{byte:02x}"
        for byte in content[:_BYTES_SHOWN].replace(b"\r\n", b"\n")
    )
    rest = len(content) - _BYTES_SHOWN
    parts = [
        paper.heading(f"Bytes of the label of job {label.job_id}"),
        paper.line(
            f"{len(content)} bytes; those outside printable ASCII as \\x and two digits."
            + (f" The last {rest} stand only in the JSON file." if rest > 0 else ""),
            quiet=True,
        ),
    ]
    return [*parts, *(paper.code(row) for row in shown.split("\n"))]


def _attempts(file: Evidence, zone: ZoneInfo) -> list[paper.Flowable]:
    rows = [
        (
            str(one.seq),
            _time(one.time, zone),
            one.job_id,
            f"{one.was or 'new'} to {one.became}",
            one.reason,
            one.actor,
        )
        for one in file.attempts
    ]
    return [
        paper.heading("Every attempt"),
        paper.table(
            ("Entry", "When", "Job", "Move", "Why", "By"),
            rows,
            (13, 41, 34, 30, 34, 22),
            right=(0,),
        ),
    ]


def _readings(file: Evidence, zone: ZoneInfo) -> list[paper.Flowable]:
    parts = [paper.heading("Scans of the finished label")]
    if not file.readings:
        return [*parts, paper.line("None is on record.")]
    rows = [
        (
            str(one.seq),
            _time(one.time, zone),
            one.station,
            one.code or "nothing read",
            one.verdict.replace("_", " ") + ("" if one.accepted else " (refused)"),
            one.actor,
        )
        for one in file.readings
    ]
    widths = (13, 41, 24, 46, 28, 22)
    head = ("Entry", "When", "Station", "Code", "Verdict", "By")
    return [*parts, paper.table(head, rows, widths, right=(0,))]


def _proof(proof: EntriesProof | None, zone: ZoneInfo) -> list[paper.Flowable]:
    parts = [paper.heading("Proof")]
    if proof is None:
        return [
            *parts,
            paper.line("No checkpoint has been signed over these entries yet: nothing is proved."),
        ]
    checkpoint = proof.checkpoint
    return [
        *parts,
        paper.line(
            f"The JSON file that goes with this paper holds {len(proof.entries)} ledger entries,"
            " each with its path to the signed root below. Anybody who has that file and the site's"
            " public key can check it: bagrelay ledger check-proof FILE --key KEY"
        ),
        paper.pairs(
            [
                ("Ledger", checkpoint.origin),
                ("Signed", f"{_time(checkpoint.time, zone)}, at {checkpoint.size} entries"),
                ("Merkle root (RFC 9162)", checkpoint.root),
                ("Hash of the last entry", checkpoint.last_hash),
                ("Public key (Ed25519)", checkpoint.public_key),
                ("Signature", checkpoint.signature),
                ("Entries", ", ".join(str(one.seq) for one in proof.entries)),
            ]
        ),
    ]


def _time(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S %z")
