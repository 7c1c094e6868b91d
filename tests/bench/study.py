"""How long a study takes, how many orders are alike, and what the choice of sizes is worth.

    python -m tests.bench.study --orders 100000

Orders are those of the example's shop; times are of the processor, because other work may share
the machine. The choice of sizes is held against choosing one size after the other.
"""

import argparse
import platform
import resource
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np

Answer = TypeVar("Answer")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "examples")]

from past_orders import past_orders  # noqa: E402

from gateway.fit.front import forget  # noqa: E402
from gateway.site_file import load  # noqa: E402
from gateway.study import Gathering, Past, past_order_of, questions_of, study  # noqa: E402
from gateway.study.selection import MISSING, Table, choose  # noqa: E402
from schemas.site import Site  # noqa: E402
from schemas.study import StudyFile  # noqa: E402


def took(work: Callable[[], Answer]) -> tuple[Answer, float]:
    """The answer and the processor's seconds."""
    start = time.process_time()
    answer = work()
    return answer, time.process_time() - start


def gathered(site: Site, lines: list[bytes]) -> Past:
    """All orders of a file."""
    gathering = Gathering(site.rule)
    for line in lines:
        past = past_order_of(line)
        assert past is not None
        gathering.take(past)
    return gathering.done()


def replay(count: int, *, alternatives: bool) -> None:
    """Read, gather and study so many of the example's orders, from empty caches: the curve and
    today's bags first, then with three alternatives."""
    site = load(ROOT / "examples" / "room.toml")
    text = (ROOT / "examples" / "study.toml").read_text(encoding="utf-8")
    whole = StudyFile.model_validate(tomllib.loads(text))
    lines = [one.model_dump_json(exclude_defaults=True).encode() for one in past_orders(count)]
    past, read = took(lambda: gathered(site, lines))
    spent = []
    curve_only = whole.model_copy(update={"alternative": ()})
    for asked in (curve_only, whole) if alternatives else (curve_only,):
        forget()
        questions, zone = questions_of(asked, site), ZoneInfo(site.time_zone)
        spent.append(took(lambda q=questions, z=zone: study(past, q, z))[1])
    forms = f"{spent[1]:.1f}" if alternatives else "-"
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{count:8d} {len(past.contents):9d} | {read:6.1f} | {spent[0]:7.1f}"
        f" {spent[0] / count * 1e3:11.2f} | {forms:>19} | {memory:9.0f}",
        flush=True,
    )


def bags_and_goods(columns: int, rows: int, seed: int) -> Table:
    """Flat goods in flat bags of many sizes, areas in mm2."""
    chance = np.random.default_rng(seed)
    width = chance.uniform(150, 520, columns)
    length = width * chance.uniform(1.2, 1.6, columns)
    across = chance.gamma(6, 35, rows)
    along = across * chance.uniform(1.0, 1.7, rows)
    fits = (width >= across[:, None]) & (length >= along[:, None])
    values = np.where(fits, 2 * width * length, MISSING).astype(np.int64)
    values = values[(values != MISSING).any(axis=1)]
    return Table.of(values, [1] * len(values))


def sizes(rows: int) -> None:
    """The search for the best sizes, beside taking one size after the other."""
    print("\ncandidates sizes | seconds proved  gap | greedy takes more than the best")
    for columns, most in ((12, 4), (20, 6), (30, 8), (40, 8), (60, 8), (60, 12)):
        table = bags_and_goods(columns, rows, columns)
        choice, seconds = took(lambda table=table, most=most: choose(table, most))
        one_by_one = choose(table, 1)
        for count in range(2, most + 1):
            one_by_one = choose(table, count, one_by_one.columns)
        more = one_by_one.excess / choice.excess - 1 if choice.excess else 0.0
        gap = (choice.excess - choice.bound) / choice.excess if choice.excess else 0.0
        proved = "yes" if choice.proved else "no"
        print(
            f"{columns:10d} {most:5d} | {seconds:7.2f} {proved:>6} {gap:4.1%} |"
            f" {more:8.1%} of the excess film"
        )


def main() -> None:
    """Print both tables."""
    options = argparse.ArgumentParser(description="Measure a study.")
    options.add_argument("--orders", type=int, nargs="*", default=[1000, 10_000, 100_000])
    options.add_argument("--curve-only", action="store_true", help="leave out the alternatives")
    options.add_argument("--rows", type=int, default=20_000)
    given = options.parse_args()
    print(f"Python {platform.python_version()}, {platform.system()}\n")
    print("  orders different | read s | curve s ms an order | with alternatives s | memory MB")
    for count in given.orders:
        replay(count, alternatives=not given.curve_only)
    sizes(given.rows)


if __name__ == "__main__":
    main()
