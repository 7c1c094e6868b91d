"""Streams and short cuts that several tests share."""

from pathlib import Path

from gateway.label.inspect import inspect
from schemas.inspection import FindingCode, Inspection, Severity
from schemas.order import LabelLanguage
from schemas.station import Printer

VECTORS = Path(__file__).parents[2] / "vectors" / "supplied"


def zpl(body: bytes, *, printer: Printer | None = None, start: bytes = b"") -> Inspection:
    """Inspect one ZPL label that holds `body`."""
    stream = b"^XA" + (start or b"^PW812^LL1218") + body + b"^XZ"
    return inspect(stream, LabelLanguage.ZPL, printer=printer)


def epl(body: bytes, *, allowed: frozenset[str] = frozenset()) -> Inspection:
    """Inspect one EPL label that holds `body`."""
    stream = b"\nN\nq812\nQ1218,24\n" + body + b"\nP1\n"
    return inspect(stream, LabelLanguage.EPL, allowed_commands=allowed)


def texts(found: Inspection) -> list[str]:
    """Every text of every label."""
    return [text.text for label in found.labels for text in label.texts]


def codes(found: Inspection) -> set[FindingCode]:
    """Codes of all findings."""
    return {finding.code for finding in found.findings}


def errors(found: Inspection) -> list[str]:
    """Messages of all errors."""
    return [f.message for f in found.findings if f.severity is Severity.ERROR]
