"""The table of moves as a drawing, in Mermaid text that many viewers show as a diagram. Pure."""

from gateway.dispatch.moves import MOVES
from schemas.job import JobState


def job_moves() -> str:
    """A page with every state of a job and every move that it may make."""
    lines = [
        "# The states of a label job",
        "",
        "Made from the table in `gateway/dispatch/moves.py` by `bagrelay schemas`.",
        "",
        "```mermaid",
        "stateDiagram-v2",
        f"    [*] --> {JobState.QUEUED}: decided and labelled",
    ]
    for state, moves in MOVES.items():
        lines += [f"    {state} --> {to}: {_plain(why)}" for to, why in moves.items()]
        if not moves:
            lines.append(f"    {state} --> [*]")
    return "\n".join([*lines, "```", ""])


def _plain(text: str) -> str:
    """A colon or semicolon would end the label of an arrow."""
    return text.replace(":", ",").replace(";", ",")
