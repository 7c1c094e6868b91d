"""Orders for trials: each label bears its job's id as a bar code. The kit delivers them."""

from adapters.simulator.labels import Label, LabelStream
from schemas.order import LabelLanguage
from schemas.station import StationOrder


def code_on(label: bytes) -> str:
    """The first code on a label, for far ends that are handed whole labels; empty when none."""
    for read in LabelStream().feed(label):
        if isinstance(read, Label) and read.codes:
            return read.codes[0]
    return ""


def zpl_with(code: str, before: bytes = b"") -> bytes:
    """A small label with this code; `before` goes in front of its field."""
    data = code.encode().replace(b"_", b"_5F").replace(b"^", b"_5E").replace(b"~", b"_7E")
    text = b"^FO20,400^A0N,40,40^FDA trial label: throw this bag away^FS"
    symbol = b"^FO20,20^BY2^BXN,6,200^FH_^FD" + data + b"^FS"
    return b"^XA^CI28" + before + symbol + text + b"^XZ\r\n"


def epl_with(code: str) -> bytes:
    """The same in the line language."""
    data = code.replace("\\", "\\\\").replace('"', '\\"').encode("cp1252")
    text = b'A20,400,0,4,1,1,N,"A trial label: throw this bag away"\n'
    return b"\nN\nq800\n" + text + b'B20,20,0,1,2,4,80,N,"' + data + b'"\nP1\n'


def graphic(size: int) -> bytes:
    """A binary graphic of so many bytes that holds every byte value."""
    data = (bytes(range(256)) * (size // 256 + 1))[:size]
    return b"^FO0,0^GFB,%d,%d,100," % (size, size) + data + b"^FS"


def order(
    job_id: str,
    *,
    code: str | None = None,
    label: bytes | None = None,
    language: LabelLanguage = LabelLanguage.ZPL,
    width_mm: float = 250.0,
    length_mm: float = 350.0,
) -> StationOrder:
    """An order for one bag whose label bears `code`, by default the job's id."""
    return StationOrder(
        job_id=job_id,
        bag="demo-bag",
        width_mm=width_mm,
        length_mm=length_mm,
        language=language,
        label=label if label is not None else zpl_with(code if code is not None else job_id),
    )
