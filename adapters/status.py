"""What label printers answer when they are asked: host status (ZPL), error code (EPL), counter.

Sources: field order of the three status strings from the ZPL II programming guide, `~HS`; codes
from the EPL programming guide, `^ee`; the counter variable and its quoted answer from memory.
Anything that does not have the stated shape is no answer at all: "unknown", never "healthy".
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

from schemas.station import MachineState, StationCondition


@dataclass(frozen=True, slots=True)
class Question:
    """A status query: its bytes, when its answer is whole, and how the answer reads."""

    ask: bytes
    whole: Callable[[bytes], bool]
    read: Callable[[bytes], StationCondition | None]


_THREE_STRINGS = re.compile(
    rb"\x02([0-9,]+)\x03\r?\n?\x02([0-9,]+)\x03\r?\n?\x02([0-9A-Za-z,]+)\x03"
)
_EPL_CODE = re.compile(rb"(\d\d)\r\n")
_QUOTED = re.compile(rb'"(\d{1,12})"')

_EPL_FAULTS = {
    "07": "paper or ribbon out",
    "11": "head open",
    "12": "paused",
    "81": "cutter fault",
    "82": "sensor fault",
    "83": "interrupted",
    "84": "too much film was fed",
}


def host_status(answer: bytes) -> StationCondition | None:
    """Read the three strings of `~HS`; nothing when they are not that."""
    found = _THREE_STRINGS.search(answer)
    if found is None:
        return None
    first, second = (part.decode().split(",") for part in found.groups()[:2])
    if len(first) != 12 or len(second) != 11:
        return None
    flags = (
        (first[1], "paper out"),
        (first[5], "buffer full"),
        (first[9], "memory lost"),
        (first[10], "head too cold"),
        (first[11], "head too hot"),
        (second[2], "head open"),
        (second[3], "ribbon out"),
    )
    faults = [name for flag, name in flags if flag == "1"]
    paused = first[2] == "1"
    # What is in the buffer, whole or half, may still come out: it counts as left.
    left = int(first[4] or 0) + int(first[7] or 0) + int(second[8] or 0)
    state = MachineState.HELD if paused or faults else MachineState.IDLE
    if not paused and not faults and left:
        state = MachineState.EXECUTE
    return StationCondition(
        state=state,
        ready=not (paused or faults),
        faults=(*faults, *(("paused",) if paused else ())),
        labels_left=left,
    )


def error_code(answer: bytes) -> StationCondition | None:
    """Read the code of `^ee`; nothing when there is none."""
    found = _EPL_CODE.search(answer)
    if found is None:
        return None
    code = found.group(1).decode()
    if code == "00":
        return StationCondition(state=MachineState.IDLE, ready=True)
    if code == "50":
        return StationCondition(state=MachineState.EXECUTE, ready=True)
    fault = _EPL_FAULTS.get(code)
    if fault is None:
        # A complaint about an earlier label: the printer itself can print.
        return StationCondition(
            state=MachineState.IDLE, ready=True, faults=(f"error {code} in a label",)
        )
    return StationCondition(state=MachineState.HELD, ready=False, faults=(fault,))


def counter(answer: bytes) -> int | None:
    """The number in a quoted variable answer."""
    found = _QUOTED.search(answer)
    return int(found.group(1)) if found else None


QUESTIONS = {
    "zpl-status": Question(
        b"~HS\r\n", lambda heard: bool(_THREE_STRINGS.search(heard)), host_status
    ),
    "epl-status": Question(b"^ee\r\n", lambda heard: bool(_EPL_CODE.search(heard)), error_code),
}


def ask_counter(variable: str) -> bytes:
    """The query for a printer variable."""
    return f'! U1 getvar "{variable}"\r\n'.encode("ascii")


def counter_whole(heard: bytes) -> bool:
    """Whether a quoted number is there."""
    return bool(_QUOTED.search(heard))
