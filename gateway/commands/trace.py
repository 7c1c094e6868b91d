"""`bagrelay trace`: the story of one order."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pydantic import JsonValue

    from schemas.views import OrderStory


def trace(
    order_id: Annotated[str, typer.Argument(metavar="ORDER", help="The order's id.")],
    site_file: Annotated[
        Path,
        typer.Option(
            "--site", metavar="SITE.toml", help="The site file, or a SQLite store itself."
        ),
    ] = Path("site.toml"),
    as_json: Annotated[bool, typer.Option("--json", help="Print the story as JSON.")] = False,
) -> None:
    """Tell the story of one order: scanned, decided, labelled, sent, verified.

    Reads the store; the gateway may be running. Exit code 1: there is no such order.
    """
    from gateway.commands.store_access import open_for_reading
    from gateway.errors import NotFound
    from gateway.ledger.trace import order_story

    with open_for_reading(site_file) as conn:
        try:
            story = order_story(conn, order_id)
        except NotFound as missing:
            typer.echo(missing.detail, err=True)
            raise typer.Exit(1) from None
    if as_json:
        typer.echo(story.model_dump_json(indent=2, exclude_none=True))
    else:
        _tell(story)


def _tell(story: "OrderStory") -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    console.print(
        f"[bold]Order {story.order_id}[/bold], scanned as {story.scan_code} at {story.station}; "
        f"{story.decision.outcome.value}"
    )
    for reason in story.decision.reasons:
        console.print(f"  {reason.text}")
    for line in _bags(story):
        console.print(line, highlight=False, soft_wrap=True)
    table = Table("time (UTC)", "what", "job", "by", "facts", box=None, pad_edge=False)
    for entry in story.entries:
        table.add_row(
            entry.time.strftime("%Y-%m-%d %H:%M:%S.%f")[:-3],
            entry.kind.value,
            (entry.job_id or "")[-6:],
            entry.actor,
            _in_words(entry.data),
        )
    console.print(table)


def _bags(story: "OrderStory") -> Iterator[str]:
    """Which bag each parcel got and why, who verified it, and what was turned down."""
    for view in story.parcels:
        decided = story.decision.parcels[view.number - 1 : view.number]
        bag = decided[0].text or decided[0].bag.id if decided else ""
        yield f"Parcel {view.number} of {view.of}, {view.parcel_id}: {bag}"
        if view.verified_by is None or view.verified_at is None:
            yield "  not verified by a scan"
        else:
            yield f"  verified by {view.verified_by}, {view.verified_at:%Y-%m-%d %H:%M:%S} UTC"
    # where nothing was packed these are the reasons, told above
    for bag_not in story.decision.turned_down if story.parcels else ():
        why = "; ".join(reason.text for reason in bag_not.reasons)
        yield f"Turned down: {bag_not.bag}: {why}"


_SHOWN = ("from", "to", "reason", "outcome", "verdict", "code", "text", "sscc", "parcels", "hold")


def _in_words(data: "Mapping[str, JsonValue]") -> str:
    return ", ".join(f"{key} {data[key]}" for key in _SHOWN if data.get(key))
