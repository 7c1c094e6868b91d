"""The tables of moves as drawings, in Mermaid text that many viewers show as diagrams. Pure."""

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeVar

from gateway.dispatch.moves import MOVES
from gateway.dispatch.station_moves import STATION_MOVES
from schemas.job import JobState
from schemas.station import StationState

State = TypeVar("State", bound=StrEnum)


def job_moves() -> str:
    """A page with every state of a job and every move that it may make."""
    return _page(
        "The states of a label job",
        "gateway/dispatch/moves.py",
        f"{JobState.QUEUED}: decided and labelled",
        MOVES,
    )


def station_moves() -> str:
    """A page with every state of a station and every move that it may make."""
    return _page(
        "The states of a station",
        "gateway/dispatch/station_moves.py",
        f"{StationState.READY}: it is in the site file",
        STATION_MOVES,
    )


def _page(
    title: str, made_from: str, first: str, table: Mapping[State, Mapping[State, str]]
) -> str:
    lines = [
        f"# {title}",
        "",
        f"Made from the table in `{made_from}` by `bagrelay schemas`.",
        "",
        "```mermaid",
        "stateDiagram-v2",
        f"    [*] --> {first}",
    ]
    for state, moves in table.items():
        lines += [f"    {state} --> {to}: {_plain(why)}" for to, why in moves.items()]
        if not moves:
            lines.append(f"    {state} --> [*]")
    return "\n".join([*lines, "```", ""])


def _plain(text: str) -> str:
    """A colon or semicolon would end the label of an arrow."""
    return text.replace(":", ",").replace(";", ",")
