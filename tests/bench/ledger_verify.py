"""`bagrelay ledger verify` as a whole command, beside the bare hash over the same texts.

Run it as `python tests/bench/ledger_verify.py [entries]`. It makes a SQLite store through the
gateway's own writing thread, with moves of jobs as a room writes them, and takes turns: the bare
SHA-256 of every text, in memory; then the command, from its start to its exit code, reading
included. Processor seconds are those of the command and its children.
"""

import asyncio
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

from gateway.clock import SystemClock
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.ledger import EntryKind

ROUNDS = 5
_STEP = 2000


def _moves(first: int) -> Callable[[Work], None]:
    def write(work: Work) -> None:
        for at in range(first, first + _STEP):
            work.record(
                EntryKind.JOB_MOVED,
                order_id=f"SO-{at // 7}",
                parcel_id=f"SO-{at // 7}-1",
                job_id=f"01JD{at:022d}",
                station=f"bench-{at % 9}",
                facts={
                    "from": "sending",
                    "to": "sent",
                    "reason": "all bytes left",
                    "label_sha256": sha256(str(at).encode()).hexdigest(),
                    "bytes": 2143,
                    "expected_scans": ["00395212345000000017"],
                },
            )

    return write


async def _fill(path: Path, entries: int) -> None:
    store = Store(f"sqlite:///{path}", SystemClock())
    store.start()
    try:
        for first in range(1, entries, _STEP):
            await store.write(_moves(first))
    finally:
        store.close()


def _texts(path: Path) -> list[bytes]:
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return [row[0] for row in conn.execute("SELECT canonical FROM entries ORDER BY seq")]
    finally:
        conn.close()


def _bare(texts: list[bytes]) -> float:
    start = process_time()
    for text in texts:
        sha256(text).digest()
    return process_time() - start


def _command(path: Path, *more: str) -> tuple[float, float]:
    """Seconds by the clock and of the processor; a check that failed isn't timed."""
    before, start = os.times(), perf_counter()
    subprocess.run(
        [sys.executable, "-m", "gateway", "ledger", "verify", "--site", str(path), *more],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    took, after = perf_counter() - start, os.times()
    used = after.children_user + after.children_system
    return took, used - before.children_user - before.children_system


def _turn(small: Path, big: Path, more: tuple[str, ...]) -> tuple[float, float, float]:
    """Processor seconds of the start, and per entry beyond it; the command's rate by the clock."""
    few, used_few = _command(small, *more)
    took, used = _command(big, *more)
    return used_few, used - used_few, took - few


def main() -> None:
    """Print entries a second, and times the bare hash, without and with the tree."""
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 500_000
    with tempfile.TemporaryDirectory() as folder:
        small, big = Path(folder) / "small.db", Path(folder) / "big.db"
        asyncio.run(_fill(small, 1))
        asyncio.run(_fill(big, entries))
        texts = _texts(big)
        more_entries = len(texts) - len(_texts(small))
        mean = sum(map(len, texts)) // len(texts)
        print(f"{len(texts):,} entries of {mean} bytes; medians of {ROUNDS}")
        for more in ((), ("--tree",)):
            turns = [(_bare(texts) / len(texts), *_turn(small, big, more)) for _ in range(ROUNDS)]
            bare, start, used, took = (median(column) for column in zip(*turns, strict=True))
            ratio = median(turn[2] / more_entries / turn[0] for turn in turns)
            print(
                f"{' '.join(('verify', *more)):14} start {start:.2f} s of processor, then"
                f" {1e6 * used / more_entries:.2f} us an entry; bare hash {1e6 * bare:.2f} us:"
                f" {ratio:.2f} times; {more_entries / took:,.0f} entries/s by the clock"
            )


if __name__ == "__main__":
    main()
