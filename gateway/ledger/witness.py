"""Checkpoints that were copied elsewhere: one in a file, or a witness file with one a line."""

from pathlib import Path

from gateway.ledger.checkpoint import BadCheckpoint, from_text
from schemas.ledger import Checkpoint

_MAX_BYTES = 200_000_000


def read_file(path: Path) -> list[Checkpoint]:
    """Read either form. Raises OSError, `BadCheckpoint` with the line.

    A last line without its end is left out: the gateway may have stopped while it wrote.
    """
    if path.stat().st_size > _MAX_BYTES:
        raise BadCheckpoint(f"{path} has more than {_MAX_BYTES} bytes: it is no witness file.")
    text = path.read_bytes()
    try:
        return [from_text(text)]
    except BadCheckpoint:
        lines = text.split(b"\n")
    found = []
    for number, line in enumerate(lines[:-1], start=1):
        if not line.strip():
            continue
        try:
            found.append(from_text(line))
        except BadCheckpoint as bad:
            raise BadCheckpoint(f"{path}, line {number}: {bad}") from bad
    if not found:
        raise BadCheckpoint(f"{path} holds no checkpoint.")
    return found
