"""The clock moves only when told; a log line carries ids and no personal data."""

import io
import json
import logging
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
import structlog
from pydantic import ValidationError

from gateway.clock import ManualClock, SystemClock
from gateway.logs import WITHHELD, PersonalDataInLog, bound, configure, get_logger
from schemas.order import Address

ADDRESS = {"name": "Ilse Beispiel", "lines": ["Musterweg 1"], "country": "DE"}


@pytest.fixture
def out() -> Iterator[io.StringIO]:
    """What was logged; log settings are put back afterwards."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    stream = io.StringIO()
    configure(stream)
    yield stream
    structlog.reset_defaults()
    root.handlers[:] = handlers
    root.setLevel(level)


def _only_line(out: io.StringIO) -> dict[str, object]:
    (line,) = out.getvalue().splitlines()
    parsed: dict[str, object] = json.loads(line)
    return parsed


def test_bound_ids_stand_on_every_line_within(out: io.StringIO) -> None:
    """Order, parcel, station and event of the work in hand are on the line without being named."""
    with bound(order_id="A-1", parcel_id="A-1/1", station="bench", event_id="e9"):
        get_logger("t").info("label sent", bytes_sent=812)
    line = _only_line(out)
    assert ("A-1", "A-1/1", "bench", "e9") == (
        line["order_id"], line["parcel_id"], line["station"], line["event_id"],
    )  # fmt: skip
    assert ("label sent", 812, "info") == (line["event"], line["bytes_sent"], line["level"])


def test_ids_are_gone_after_the_work(out: io.StringIO) -> None:
    """A line after the work does not carry the ids of the work before it."""
    with bound(order_id="A-1"):
        pass
    get_logger("t").info("idle")
    assert "order_id" not in _only_line(out)


@pytest.mark.parametrize(
    "fields",
    [
        {"ship_to": "Ilse Beispiel, Musterweg 1"},
        {"found": Address.model_validate(ADDRESS)},
        {"found": b"^XA^FDIlse Beispiel^FS^XZ"},
        {"facts": {"deep": [{"name": "Ilse Beispiel"}]}},
        {"Label": "^XA^FDIlse Beispiel^FS^XZ"},
    ],
)
def test_address_or_label_in_a_line_is_withheld(
    out: io.StringIO, fields: dict[str, object]
) -> None:
    """Whatever key or shape it comes in, an address or label bytes do not reach the line."""
    get_logger("t").info("x", **fields)
    assert "Ilse" not in out.getvalue()
    assert WITHHELD in out.getvalue()


def test_strict_mode_refuses_the_line(out: io.StringIO) -> None:
    """In strict mode the same line is an error at the place that wrote it."""
    configure(out, strict=True)
    with pytest.raises(PersonalDataInLog, match="ship_to"):
        get_logger("t").info("x", ship_to="Ilse Beispiel")


def test_validation_error_does_not_quote_its_input(out: io.StringIO) -> None:
    """A logged validation error names the field and the fault and hides the value."""
    try:
        Address.model_validate(ADDRESS | {"country": "Ilse"})
    except ValidationError:
        get_logger("t").exception("refused")
    assert "Ilse" not in out.getvalue()
    assert "country: string_pattern_mismatch" in out.getvalue()


def test_foreign_log_lines_are_json_too(out: io.StringIO) -> None:
    """A library's line has the same shape and the same ids as ours."""
    with bound(station="floor"):
        logging.getLogger("somebody.else").warning("cut off")
    line = _only_line(out)
    assert ("cut off", "floor", "warning") == (line["event"], line["station"], line["level"])


def test_wall_clock_set_back_leaves_the_monotonic_clock_alone() -> None:
    """A jump of the wall clock is not time passing."""
    clock = ManualClock(datetime(2026, 1, 5, 6, 0, tzinfo=UTC))
    clock.advance(10)
    clock.jump_wall(-3600)
    assert (10.0, datetime(2026, 1, 5, 5, 0, 10, tzinfo=UTC)) == (clock.monotonic(), clock.now())


def test_system_clock_tells_utc() -> None:
    """Wall time of the machine carries UTC, whatever zone the machine is in."""
    assert SystemClock().now().tzinfo is UTC
