"""`bagrelay fit`: which bag would each of these orders get, and why; nothing is packed."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.decision import Decision
    from schemas.order import Order
    from schemas.station import Station


def fit(
    orders: Annotated[
        str, typer.Argument(help="Orders, one JSON object a line; - reads standard input.")
    ],
    site: Annotated[Path, typer.Option("--site", help="The site file.", metavar="SITE.toml")],
    station: Annotated[
        str | None, typer.Option("--station", help="Ask only this station.", metavar="ID")
    ] = None,
    svg: Annotated[
        Path | None,
        typer.Option("--svg", help="Folder for a picture of each parcel.", metavar="DIR"),
    ] = None,
) -> None:
    """Answer each order with a bag or a reason: one JSON object a line, in order, as they come.

    Exit code 0: every line was an order. 1: some were not; their answers say what is wrong.
    2: the site file or the station is wrong, and nothing was answered.
    """
    from gateway.clock import SystemClock
    from gateway.fit import Room, decide
    from gateway.site_file import SiteFileWrong, load
    from schemas.decision import Decision

    try:
        room_site = load(site)
    except (SiteFileWrong, OSError) as wrong:
        typer.echo(str(wrong), err=True)
        raise typer.Exit(2) from wrong
    stations = _stations(room_site.station, station)
    room = Room.of(room_site)
    if svg is not None:
        svg.mkdir(parents=True, exist_ok=True)
    unreadable = 0
    today = SystemClock().now().date()
    for number, line in _lines(orders):
        order = _read(line, number)
        decision = order if isinstance(order, Decision) else decide(order, room, stations, on=today)
        unreadable += decision is order
        sys.stdout.write(decision.model_dump_json() + "\n")
        sys.stdout.flush()
        if svg is not None:
            _draw(decision, number, svg)
    raise typer.Exit(1 if unreadable else 0)


def _stations(all_of_them: "Sequence[Station]", wanted: str | None) -> "Sequence[Station]":
    chosen = [s for s in all_of_them if wanted in {None, s.id}]
    if not chosen:
        known = ", ".join(s.id for s in all_of_them)
        typer.echo(f"no station {wanted!r} in the site file; it has {known}", err=True)
        raise typer.Exit(2)
    return chosen


def _lines(orders: str) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers, one at a time; blank lines say nothing."""
    try:
        with sys.stdin.buffer if orders == "-" else Path(orders).open("rb") as source:
            yield from ((n, line) for n, line in enumerate(source, 1) if line.strip())
    except OSError as wrong:
        typer.echo(f"{orders}: {wrong.strerror}", err=True)
        raise typer.Exit(2) from wrong


def _read(line: bytes, number: int) -> "Order | Decision":
    """The order of a line, or the answer that says what is wrong with it."""
    from pydantic import ValidationError

    from schemas.decision import Decision, Outcome, Reason, ReasonCode
    from schemas.order import Order

    try:
        return Order.model_validate_json(line)
    except ValidationError as wrong:
        reasons = tuple(
            Reason(
                code=ReasonCode.ORDER_UNREADABLE,
                text=f"line {number}, {'.'.join(map(str, fault['loc'])) or 'whole line'}:"
                f" {fault['msg']}",
            )
            for fault in wrong.errors(include_url=False, include_input=False)[:20]
        )
        order_id = _order_id(line) or f"line {number}"
        return Decision(order_id=order_id, outcome=Outcome.MANUAL, reasons=reasons)


def _order_id(line: bytes) -> str | None:
    import orjson

    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError:
        return None
    name = found.get("order_id") if isinstance(found, dict) else None
    usable = isinstance(name, str) and 0 < len(name) <= 80 and name.isprintable()
    return name if usable else None


def _draw(decision: "Decision", number: int, folder: Path) -> None:
    """A picture for each parcel, named by the order's place in the file: ids may hold slashes."""
    from gateway.fit.picture import draw

    for count, parcel in enumerate(decision.parcels, 1):
        title = f"{decision.order_id}, parcel {count} of {len(decision.parcels)}: {parcel.bag.id}"
        name = f"order-{number:05d}-parcel-{count}.svg"
        (folder / name).write_text(draw(parcel, title), encoding="utf-8")
