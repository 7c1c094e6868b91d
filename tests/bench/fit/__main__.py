"""The fit against an exact solver and a general packing library, side by side in one run.

Run: python -m tests.bench.fit [--orders N]. Prints a table; nothing is asserted.
"""

import argparse
import os
import platform
import subprocess
import sys
from collections.abc import Callable
from random import Random
from resource import RUSAGE_CHILDREN, getrusage
from statistics import fmean, median
from time import perf_counter, process_time
from typing import TypeVar

from gateway.fit import Room, core, decide
from gateway.fit.front import forget as forget_fronts
from gateway.fit.front import front_of
from gateway.fit.pieces import kind_of, kind_with
from schemas.goods import Item, Size
from schemas.order import Line, Order
from schemas.site import Site
from tests.bench.fit.library import smallest
from tests.bench.fit.oracle import least_bounding_area

Box = tuple[int, int, int]
Answer = TypeVar("Answer")
RUNS = 3
SEED = 20261125


def boxes_of(chance: Random, count: int) -> list[Box]:
    """Boxes as a mixed shop sends them, in whole mm."""
    return [
        (chance.randint(60, 300), chance.randint(40, 200), chance.randint(10, 90))
        for _ in range(count)
    ]


def items_of(boxes: list[Box]) -> list[Item]:
    """The boxes as articles."""
    return [
        Item(sku=f"sku-{n}", mass_g=100, size=Size(length=a, width=b, height=c))
        for n, (a, b, c) in enumerate(boxes)
    ]


def order_of(boxes: list[Box], quantity: int = 1) -> Order:
    """An order of these boxes."""
    return Order(
        order_id="bench",
        lines=tuple(
            Line(line_id=str(n), item=item, quantity=quantity)
            for n, item in enumerate(items_of(boxes))
        ),
    )


def to_size() -> Site:
    """One station that seals film to size, bare: its film is the product of the two needs."""
    bag = {
        "id": "film",
        "form": "sealed_film",
        "film": "f",
        "closing_seal_mm": 0,
        "bottom_seal_mm": 0,
        "min_width_mm": 1,
        "max_width_mm": 9000,
        "min_length_mm": 1,
        "max_length_mm": 9000,
    }
    steps = {"width_step_mm": 0.001, "length_step_mm": 0.001}
    printer = {"label_width_mm": 1, "label_height_mm": 1}
    return Site.model_validate(
        {
            "name": "bench",
            "gs1": {"company_prefix": "9521234"},
            "film": [{"id": "f", "thickness_um": 60}],
            "bag": [bag | steps],
            "packing": {"ease_across_mm": 0, "ease_along_mm": 0, "label_margin_mm": 0},
            "station": [
                {
                    "id": "s",
                    "lines": [{"kind": "simulated"}],
                    "loaded": [{"bag": "film"}],
                    "printer": printer,
                }
            ],
        }
    )


def forget() -> None:
    """Empty every cache of the fit."""
    forget_fronts()
    kind_with.cache_clear()


def timed(work: Callable[[], Answer]) -> tuple[float, Answer]:
    """CPU seconds and the answer, with nothing cached: the least of three runs, since other work
    on the machine only ever adds."""
    taken = []
    for _ in range(RUNS):
        forget()
        start = process_time()
        answer = work()
        taken.append(process_time() - start)
    return min(taken), answer


def against_the_solver(per_size: int) -> None:
    """Film and speed beside CP-SAT on the bounding-box model."""
    site = to_size()
    room, chance = Room.of(site), Random(SEED)
    print("\nBoxes with free rotation; CP-SAT (1 worker) proves the bounding-box optimum.")
    print("film: ours over the optimum, - is less. CPU ms, medians; ours also 99th centile.\n")
    print("boxes orders | film mean   worst | bound/film | ours ms   p99 | CP-SAT | times faster")
    for count in range(1, 7):
        orders = [boxes_of(chance, count) for _ in range(per_size)]
        # one after the other: a solver in between would empty the processor's caches
        ours = [timed(lambda o=order_of(boxes): decide(o, room, site.station)) for boxes in orders]
        optima, theirs = [], []
        for boxes in orders:
            seconds, (optimum, proved) = timed(lambda boxes=boxes: least_bounding_area(boxes))
            theirs.append(seconds)
            assert proved
            optima.append(2 * optimum)
        films = [answer.parcels[0].film_area_mm2 for _, answer in ours]
        over = [film / optimum - 1 for film, optimum in zip(films, optima, strict=True)]
        bounds = [
            answer.lower_bound_film_area_mm2 / film
            for (_, answer), film in zip(ours, films, strict=True)
        ]
        own = [seconds for seconds, _ in ours]
        ratio = median(t / o for t, o in zip(theirs, own, strict=True))
        print(
            f"{count:5} {per_size:6} | {fmean(over):+8.2%} {max(over):+8.2%}"
            f" | {fmean(bounds):9.2f}  | {median(own) * 1e3:7.2f} {centile(own):5.1f}"
            f" | {median(theirs) * 1e3:6.1f} | {ratio:6.1f}"
        )


def centile(seconds: list[float], share: float = 0.99) -> float:
    """The 99th centile in ms."""
    return sorted(seconds)[min(len(seconds) - 1, int(share * len(seconds)))] * 1e3


def mixes(orders: int) -> None:
    """Whole decisions for mixes of 1 to 5 different boxes, the exact solver beside some of them."""
    site = to_size()
    room = Room.of(site)
    print("\nOrder mixes of 1 to 5 different boxes: whole decision, cache off, then on; CPU ms.\n")
    print("mix                           | median   p99 | cached median | times faster, median")
    for name, weights in (
        ("as shops see: 45 25 15 10 5 %", (45, 25, 15, 10, 5)),
        ("even: 20 20 20 20 20 %", (1, 1, 1, 1, 1)),
    ):
        chance = Random(SEED)
        counts = chance.choices(range(1, 6), weights, k=orders)
        mix = [boxes_of(chance, count) for count in counts]
        cold, warm = [], []
        for order in map(order_of, mix):
            cold.append(timed(lambda order=order: decide(order, room, site.station))[0])
            again = []
            for _ in range(RUNS):
                start = process_time()
                decide(order, room, site.station)
                again.append(process_time() - start)
            warm.append(min(again))
        ratios = []
        for boxes, seconds in zip(mix[:200], cold, strict=False):
            theirs, _ = timed(lambda boxes=boxes: least_bounding_area(boxes))
            ratios.append(theirs / seconds)
        print(
            f"{name:29} | {median(cold) * 1e3:6.2f} {centile(cold):5.1f}"
            f" | {median(warm) * 1e3:13.2f} | {median(ratios):6.1f}"
        )


def against_the_library(orders: int) -> None:
    """The smallest bag of a ladder that each finds for 7 to 30 boxes."""
    chance = Random(SEED)
    bags = [(150 * 1.06**n, 200 * 1.06**n) for n in range(40)]
    print("\n7 to 30 boxes, the smallest of 40 bags (each side 6 % larger than the last).\n")
    print("boxes | steps that ours is smaller: mean, worst | ours ms | py3dbp ms")
    for count in (7, 10, 15, 20, 30):
        steps, ours, theirs = [], [], []
        for _ in range(orders):
            boxes = boxes_of(chance, count)
            forget()
            start = process_time()
            front = front_of([kind_of(item) for item in items_of(boxes)]).arrangements
            mine = next(
                n
                for n, (width, length) in enumerate(bags)
                if any(one.width <= width and one.length <= length for one in front)
            )
            ours.append(process_time() - start)
            start = process_time()
            other = smallest(boxes, bags)
            theirs.append(process_time() - start)
            steps.append((other if other is not None else len(bags)) - mine)
        print(
            f"{count:5} | {fmean(steps):20.1f} {min(steps):9} {'':8} | {median(ours) * 1e3:7.0f}"
            f" | {median(theirs) * 1e3:9.0f}"
        )


def curve() -> None:
    """Cost against pieces and against different pieces."""
    chance = Random(SEED)
    print("\nCost and quality to 200 pieces; CPU ms.\n")
    print("different  each  pieces |   ms  | goods' share of their envelope")
    for different, each in (
        (1, 200),
        (2, 100),
        (5, 2),
        (5, 10),
        (5, 40),
        (10, 1),
        (20, 1),
        (30, 1),
        (60, 1),
        (100, 1),
        (200, 1),
    ):
        boxes = boxes_of(chance, different)
        kinds = [kind_of(item) for item in items_of(boxes)] * each
        forget()
        start = process_time()
        front = front_of(kinds).arrangements
        seconds = process_time() - start
        best = min(front, key=lambda one: one.width * one.length)
        along, across, up = best.size
        fill = sum(kind.volume_mm3 for kind in kinds) / (along * across * up)
        print(f"{different:9} {each:5} {different * each:7} | {seconds * 1e3:5.0f} | {fill:.2f}")


def cold_start() -> None:
    """A new process: imports and the first answer."""
    order = order_of([(200, 150, 40), (120, 90, 30)]).model_dump_json()
    code = (
        "import sys; from gateway.fit import Room, decide; from schemas.site import Site;"
        "from schemas.order import Order; site = Site.model_validate_json(sys.argv[1]);"
        "decide(Order.model_validate_json(sys.argv[2]), Room.of(site), site.station)"
    )
    arguments = [sys.executable, "-c", code, to_size().model_dump_json(), order]
    before, start = getrusage(RUSAGE_CHILDREN), perf_counter()
    subprocess.run(arguments, check=True)
    seconds, after = perf_counter() - start, getrusage(RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(
        f"\nCold first answer, imports and interpreter included: {cpu:.2f} s of the processor,"
        f" {seconds:.2f} s by the clock"
    )


def processor() -> str:
    """The kind of machine that this ran on, and how busy it was."""
    load = os.getloadavg()[0]
    cores = os.cpu_count()
    return f"{cores} cores of an {platform.machine()} server, load average {load:.1f}"


def without_core(work: Callable[[], None]) -> None:
    """The same in Python alone, as on a machine where no compiler worked."""
    solve, core.SOLVE = core.SOLVE, None
    try:
        work()
    finally:
        core.SOLVE = solve


def many_parcels(orders: int) -> None:
    """Large orders that no bag takes whole: parcels, and how many are the least by any packing."""
    bag = to_size().bag[0].model_copy(update={"max_width_mm": 420.0, "max_length_mm": 600.0})
    site = to_size().model_copy(update={"bag": (bag,)})
    room, chance = Room.of(site), Random(SEED)
    print("\nOrders of 80 to 160 boxes, film up to 420 x 600 mm.\n")
    print("pieces different | parcels  at least |   ms")
    for _ in range(orders):
        pieces, each = chance.choice((80, 100, 120, 160)), chance.choice((1, 1, 2, 4))
        scale = chance.choice((0.5, 0.6, 0.7))
        boxes = [
            tuple(max(5, round(side * scale)) for side in box)
            for box in boxes_of(chance, pieces // each)
        ]
        order = order_of(boxes, each)  # type: ignore[arg-type]
        seconds, answer = timed(lambda order=order: decide(order, room, site.station))
        print(
            f"{pieces:6} {len(boxes):9} | {len(answer.parcels):7} {answer.lower_bound_parcels:9}"
            f" | {seconds * 1e3:5.0f}"
        )


def main() -> None:
    """Print every table."""
    wanted = argparse.ArgumentParser()
    wanted.add_argument("--orders", type=int, default=100, help="orders in each row")
    orders = wanted.parse_args().orders
    print(f"{processor()}, Python {platform.python_version()}, {platform.system()}")
    print("compiled core: " + ("yes" if core.SOLVE else "no, Python alone"))
    against_the_solver(orders)
    mixes(orders * 10)
    if core.SOLVE:
        print("\nThe same in Python alone:")
        without_core(lambda: mixes(orders))
    against_the_library(max(orders // 10, 3))
    curve()
    many_parcels(max(orders // 10, 3))
    cold_start()


if __name__ == "__main__":
    main()
