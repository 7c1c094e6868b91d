"""Values in Modbus registers, and the states of a bag machine."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import LineSettings
from adapters.errors import Misconfigured
from adapters.machine import STATES, job_number
from adapters.modbus import Modbus, Register
from schemas.station import MachineState, OptionValue


# IEEE 754 single of 123.456 is 42F6E979 (worked example often shown; recomputed with struct).
@pytest.mark.parametrize(
    ("sort", "scale", "value", "words"),
    [
        ("u16", 10, 350.5, [3505]),
        ("i16", 1, -2, [0xFFFE]),
        ("u32", 1, 0x12345678, [0x1234, 0x5678]),
        ("f32", 1, 123.456, [0x42F6, 0xE979]),
        ("text3", 1, "AB袋", [0x4142, 0xE8A2, 0x8B00]),
    ],
)
def test_value_becomes_registers(
    sort: str, scale: float, value: float | str, words: list[int]
) -> None:
    """Big end first within a register, as Modbus has it; the word order is the site file's."""
    assert Register(0, sort, scale).words(value) == words
    assert Register(0, sort, scale, big_first=False).words(value) == (
        words if sort.startswith("text") else words[::-1]
    )


@given(st.integers(0, 2**32 - 1), st.booleans())
def test_number_comes_back_from_its_registers(number: int, big_first: bool) -> None:
    """Written and read in the same word order, a job number is the same."""
    register = Register(0, "u32", big_first=big_first)
    assert register.value(register.words(number)) == number


@given(st.floats(1, 6500))
def test_length_comes_back_within_its_step(length_mm: float) -> None:
    """A length in tenths comes back within half a tenth."""
    register = Register(0, "u16", 10)
    back = register.value(register.words(length_mm))
    assert isinstance(back, int | float)
    assert abs(back - length_mm) <= 0.05 + 1e-9


@pytest.mark.parametrize(("sort", "value"), [("u16", 65536), ("u16", -1), ("text1", "abc")])
def test_value_that_does_not_fit_is_refused(sort: str, value: float | str) -> None:
    """Nothing is cut off in silence."""
    with pytest.raises(ValueError, match="fit"):
        Register(0, sort).words(value)


_GOOD: dict[str, str | int | float | bool] = {
    "length_mm": "1 u16 x10",
    "job": "2 u32",
    "trigger": "4 u16",
    "done_job": "5 u32",
    "state": "7 u16",
}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"state": None}, "state is missing"),
        ({"colour": "9 u16"}, "colour is none of"),
        ({"job": "2 u64"}, "ADDRESS TYPE"),
        ({"job": "70000 u16"}, "ADDRESS TYPE"),
        ({"job": "u16"}, "ADDRESS TYPE"),
    ],
)
def test_wrong_register_map_is_refused(changed: dict[str, str | None], said: str) -> None:
    """The error names the value and what is wrong with its place."""
    registers = {k: v for k, v in (_GOOD | changed).items() if v is not None}  # type: ignore[operator]
    options: dict[str, OptionValue] = {"host": "192.0.2.1", "registers": registers}
    with pytest.raises(Misconfigured, match=said):
        Modbus.from_settings(LineSettings("s", options))


def test_each_state_number_of_the_standard_is_mapped() -> None:
    """Numbers 1 to 17 (OPC 30050 StateNumber values); the wait states keep their names."""
    assert set(STATES) == set(range(1, 18))
    waits = {2: "stopped", 4: "idle", 5: "suspended", 6: "execute", 9: "aborted", 11: "held"}
    assert {number: STATES[number].value for number in waits} == waits
    assert STATES[17] is MachineState.COMPLETE


@given(st.text(min_size=1, max_size=64))
def test_job_number_fits_a_signed_register_pair(job_id: str) -> None:
    """Never 0, which an idle controller shows, and never negative."""
    assert 1 <= job_number(job_id) < 2**31
