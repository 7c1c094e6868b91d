"""What printers answer to status queries, and that anything else is no answer."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.status import counter, error_code, host_status
from schemas.station import MachineState

# Shape of the three strings: ZPL II programming guide, ~HS; this sample from memory.
_SAMPLE = (
    b"\x02030,0,0,1245,000,0,0,0,000,0,0,0\x03\r\n"
    b"\x02000,0,0,0,0,2,4,0,00000000,1,000\x03\r\n\x021234,0\x03\r\n"
)


def test_healthy_status_is_ready() -> None:
    """The sample of a printer at rest."""
    condition = host_status(_SAMPLE)
    assert condition is not None
    assert (condition.state, condition.ready) == (MachineState.IDLE, True)
    assert (condition.faults, condition.labels_left) == ((), 0)


@pytest.mark.parametrize(
    ("string", "place", "fault"),
    [
        (0, 1, "paper out"),
        (0, 2, "paused"),
        (0, 5, "buffer full"),
        (0, 9, "memory lost"),
        (0, 10, "head too cold"),
        (0, 11, "head too hot"),
        (1, 2, "head open"),
        (1, 3, "ribbon out"),
    ],
)
def test_each_flag_of_the_status_is_told(string: int, place: int, fault: str) -> None:
    """Each flag at its place in the guide's field order stops the printer and is named."""
    strings = [part.strip(b"\x02\r\n").split(b",") for part in _SAMPLE.split(b"\x03")[:3]]
    strings[string][place] = b"1"
    answer = b"".join(b"\x02" + b",".join(fields) + b"\x03\r\n" for fields in strings)
    condition = host_status(answer)
    assert condition is not None
    assert (condition.state, condition.ready) == (MachineState.HELD, False)
    assert condition.faults == (fault,)


def test_waiting_formats_and_half_ones_are_told() -> None:
    """Fields e and h of the first string and u of the second: all may still come out."""
    busy = _SAMPLE.replace(b"1245,000,0,0,0", b"1245,003,0,0,1").replace(b"00000000", b"00000007")
    condition = host_status(busy)
    assert condition is not None
    assert (condition.state, condition.labels_left) == (MachineState.EXECUTE, 3 + 1 + 7)


# Codes: EPL programming guide, ^ee.
@pytest.mark.parametrize(
    ("code", "ready", "faults"),
    [
        (b"00", True, ()),
        (b"50", True, ()),
        (b"01", True, ("error 01 in a label",)),
        (b"07", False, ("paper or ribbon out",)),
        (b"11", False, ("head open",)),
        (b"12", False, ("paused",)),
        (b"84", False, ("too much film was fed",)),
    ],
)
def test_error_codes_are_told(code: bytes, ready: bool, faults: tuple[str, ...]) -> None:
    """Codes that need an operator stop the printer; complaints about a label do not."""
    condition = error_code(code + b"\r\n")
    assert condition is not None
    assert (condition.ready, condition.faults) == (ready, faults)


@given(st.binary(max_size=300))
def test_noise_is_no_answer(noise: bytes) -> None:
    """Bytes that happen to come are never read as a state."""
    framed = noise.replace(b"\x02", b"").replace(b'"', b"")
    assert host_status(framed) is None
    assert counter(framed) is None


def test_counter_is_read_from_its_quotes() -> None:
    """The quoted number, with whatever stands around it."""
    assert counter(b'"0001234"\r\n') == 1234
    assert counter(b'"?"') is None
