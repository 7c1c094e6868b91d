"""How fast a ledger is checked, beside the bare hash over the same texts in the same run.

Run it as `python tests/bench/ledger.py [entries]`. The medium entry is what a job's move writes.
"""

import sys
from collections.abc import Callable
from datetime import UTC, datetime
from hashlib import sha256
from statistics import median
from time import perf_counter

from gateway.ledger.canonical import canonical
from gateway.ledger.chain import GENESIS, StoredRow, seal, verify
from gateway.ledger.checkpoint import new_key, sign
from gateway.ledger.merkle import CompactRange, MemoryTree, leaf_hash
from gateway.ledger.proof import check_proof, prove_entries, prove_entries_by_tree, to_text

ROUNDS = 5
FILLERS = {"small": 0, "medium": 100, "large": 2000}
"""Characters of detail in `data`."""


def rows(count: int, filler: int) -> list[StoredRow]:
    """Seal a chain of moves as the gateway writes them."""
    made: list[StoredRow] = []
    prev = GENESIS
    for seq in range(1, count + 1):
        order, job = f"SO-{seq // 7}", f"01JD{seq:022d}"
        time = f"2026-11-25T08:{seq // 60 % 60:02d}:{seq % 60:02d}.000000Z"
        data = {
            "from": "sending",
            "to": "sent",
            "reason": "all bytes left",
            "label_sha256": "ab" * 32,
            "bytes": 2143,
            "expected_scans": ["00395212345000000017"],
            "detail": "x" * filler,
        }
        text, digest = seal(
            {
                "seq": seq,
                "time": time,
                "kind": "job.moved",
                "order_id": order,
                "parcel_id": f"{order}-1",
                "job_id": job,
                "station": "bench-4",
                "event_id": None,
                "actor": "gateway",
                "data": data,
                "prev": prev,
            }
        )
        row = (seq, text, bytes.fromhex(digest), "job.moved", order, f"{order}-1", job, "bench-4")
        made.append((*row, None, time))
        prev = digest
    return made


def seconds(work: Callable[[], object]) -> float:
    """Return the median time of some rounds of the work."""
    times = []
    for _ in range(ROUNDS):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return median(times)


def bare(chain: list[StoredRow]) -> None:
    """Hash every text once and do nothing else."""
    for row in chain:
        sha256(row[1]).digest()


def check(chain: list[StoredRow], tree: CompactRange | None) -> None:
    """Check the chain, and refuse to time a check that failed."""
    report = verify(chain, tree=tree)
    assert report.ok, report
    assert len(chain) == report.entries


def proofs(count: int) -> None:
    """Time proofs of ten entries: reading all entries once, from a stored tree, and the check."""
    chain = rows(count, FILLERS["medium"])
    texts, key = [row[1] for row in chain], new_key()
    tree = MemoryTree(map(leaf_hash, texts))
    signed = sign(
        size=count,
        root=tree.root().hex(),
        last_hash=chain[-1][2].hex(),
        time=datetime(2026, 11, 25, tzinfo=UTC),
        origin="bench",
        private_key=key,
    )
    wanted = {seq: texts[seq - 1] for seq in (1 + at * (count - 1) // 9 for at in range(10))}
    proof = prove_entries_by_tree(tree.node, wanted, signed, about="bench")
    text = to_text(proof)
    reading = seconds(lambda: prove_entries(texts, wanted, signed, about="bench"))
    stored = seconds(lambda: prove_entries_by_tree(tree.node, wanted, signed, about="bench"))
    checked = seconds(lambda: check_proof(text, key.public_key()))
    print(f"ten entries of {count}: proof file {len(text)} bytes;", end=" ")
    print(f"made from all entries {reading:.3f} s ({count / reading:,.0f} entries/s),", end=" ")
    print(f"from a stored tree {1000 * stored:.2f} ms, checked in {1000 * checked:.2f} ms")


def main() -> None:
    """Print one table: entries a second, and times the bare hash."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    print(f"{count} entries, median of {ROUNDS} rounds; entries/s (times the bare hash)")
    print(f"{'entry':>8} {'bytes':>6} {'bare SHA-256':>14} {'chain':>20} {'chain + tree':>20}")
    for name, filler in FILLERS.items():
        chain = rows(count, filler)
        base = seconds(lambda chain=chain: bare(chain))
        cells = [f"{name:>8} {len(chain[-1][1]):>6} {count / base:>14,.0f}"]
        for tree in (False, True):
            took = seconds(
                lambda chain=chain, tree=tree: check(chain, CompactRange() if tree else None)
            )
            cells.append(f"{count / took:>12,.0f} ({took / base:.2f})".rjust(20))
        print(" ".join(cells))
    entry = {"data": {"n": 1, "text": "x" * 100}, "seq": 1, "prev": GENESIS, "kind": "job.moved"}
    took = seconds(lambda: [canonical(entry) for _ in range(count)])
    print(f"canonical text of a small entry: {count / took:,.0f}/s")
    proofs(count)


if __name__ == "__main__":
    main()
