"""`bagrelay access`: keys, made and ended on the gateway's machine; the permission table."""

import getpass
import json
import sys
from collections.abc import Callable
from datetime import UTC, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from schemas.access import AccessRole

if TYPE_CHECKING:
    from gateway.store.work import Work
    from schemas.access import AccessKey
    from schemas.site import Site

T = TypeVar("T")
app = typer.Typer(help="Who may do what.", no_args_is_help=True)
key = typer.Typer(help="Keys for machines and people.", no_args_is_help=True)
app.add_typer(key, name="key")

SiteFile = Annotated[Path, typer.Option("--site", metavar="SITE.toml", help="The site file.")]
Stations = Annotated[
    list[str] | None,
    typer.Option("--station", help="Only for this station; may be given again."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print as JSON, the key's text in it.")]
_HERE = Path("site.toml")


@key.command("new")
def new(
    name: Annotated[str, typer.Argument(help="What the ledger calls whoever uses the key.")],
    role: Annotated[AccessRole, typer.Option(help="What the key is for.")],
    site_file: SiteFile = _HERE,
    stations: Stations = None,
    days: Annotated[
        int | None, typer.Option(min=1, max=3650, help="Days until it ends; else it has no end.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Make a key and show it, once. The gateway may be running; it knows the key at once.

    Exit code 0: made. 1: refused, with why. 2: the site file or the store is wrong, or there is
    no such station.
    """
    from gateway.access import keys

    site = _site(site_file)
    limited = tuple(_known(site, stations or []))

    def step(work: "Work") -> "tuple[AccessKey, str]":
        ends = work.now + timedelta(days=days) if days else None
        return keys.new(work, name=name, role=role, stations=limited, expires=ends, by=_by())

    _show_new(*_write(site, step), as_json=as_json)


@key.command("rotate")
def rotate(
    key_id: Annotated[str, typer.Argument(help="The key to replace.")],
    site_file: SiteFile = _HERE,
    overlap_hours: Annotated[
        float, typer.Option(min=0, max=2000, help="How long the old one works on.")
    ] = 24,
    as_json: AsJson = False,
) -> None:
    """Make a fresh key of the same name and rights; the old one works on for a while.

    So its owner changes over in their own time, and nothing stands still. Exit code 0: made.
    1: there is no such key, or it is at its end. 2: the site file or the store is wrong.
    """
    from gateway.access import keys

    overlap = timedelta(hours=overlap_hours)
    made = _write(
        _site(site_file), lambda work: keys.rotate(work, key_id, overlap=overlap, by=_by())
    )
    _show_new(*made, as_json=as_json)


@key.command("revoke")
def revoke(
    key_id: Annotated[str, typer.Argument(help="The key to end.")],
    reason: Annotated[str, typer.Option(help="Why; it goes into the ledger.")],
    site_file: SiteFile = _HERE,
) -> None:
    """End a key, and every session that was begun with it, within a second.

    Exit code 0: ended. 1: there is no such key. 2: the site file or the store is wrong.
    """
    from gateway.access import keys

    _write(_site(site_file), lambda work: keys.revoke(work, key_id, reason=reason, by=_by()))
    print(f"{key_id} opens nothing any more")


@key.command("list")
def listed(
    site_file: SiteFile = _HERE,
    ended: Annotated[bool, typer.Option("--all", help="Those at their end, too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """List keys: who, what for, until when. Never a secret: nobody has it but its owner.

    Exit code 0, also where there is none. 2: the site file or the store is wrong.
    """
    from gateway.access import keys
    from gateway.clock import SystemClock
    from gateway.commands.store_access import open_for_reading

    now = SystemClock().now()
    with open_for_reading(site_file) as conn:
        found = keys.listed(conn)
    shown = [one for one in found if ended or not _end(one) or str(_end(one)) > now.isoformat()]
    if as_json:
        print(json.dumps([one.model_dump(mode="json") for one in shown], ensure_ascii=False))
        return
    for one in shown:
        where = ", ".join(one.stations) or "every station"
        until = f"until {_end(one)}" if _end(one) else "no end"
        print(f"{one.key_id}  {one.role:10}  {one.name}  ({where}; {until})")
    if not shown:
        print("no keys: make one with `bagrelay access key new`")


@app.command("table")
def table(
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Print the permission table: which role may use which route, and hand in which event.

    Exit code 0.
    """
    from gateway.access.roles import EVENTS, TABLE

    rows = [(method, path, row) for (method, path), row in TABLE.items()]
    if as_json:
        told = [
            {"method": m, "path": p, "bound": r.bound.value, "roles": sorted(r.roles)}
            for m, p, r in rows
        ]
        print(json.dumps(told, indent=1))
        return
    roles = list(AccessRole)
    print(f"{'':52}" + " ".join(f"{role:10}" for role in roles) + " bound to")
    for method, path, row in rows:
        marks = " ".join(f"{'yes' if r in row.roles else '-':10}" for r in roles)
        marks = marks if row.roles else f"{'anybody':54}"
        print(f"{method:4} {path:46} {marks} {row.bound}")
    for kind, allowed in EVENTS.items():
        marks = " ".join(f"{'yes' if r in allowed else '-':10}" for r in roles)
        print(f"     {kind.value:46} {marks} event")


def _end(one: "AccessKey") -> str:
    ends = [moment for moment in (one.expires, one.revoked) if moment is not None]
    return min(ends).astimezone(UTC).isoformat(timespec="seconds") if ends else ""


def _by() -> str:
    """The ledger's name for whoever sits at this machine."""
    try:
        return f"command line ({getpass.getuser()})"
    except (OSError, KeyError):
        return "command line"


def _site(site_file: Path) -> "Site":
    from gateway.site_file import SiteFileWrong, load

    try:
        return load(site_file)
    except SiteFileWrong as wrong:
        print(wrong, file=sys.stderr)
        raise typer.Exit(2) from None


def _known(site: "Site", stations: list[str]) -> list[str]:
    known = [station.id for station in site.station]
    for station in stations:
        if station not in known:
            print(f"There is no station {station!r}; there are {', '.join(known)}", file=sys.stderr)
            raise typer.Exit(2)
    return stations


def _write(site: "Site", step: "Callable[[Work], T]") -> T:
    """One short step on the store, beside a running gateway or without one."""
    from sqlalchemy.exc import DBAPIError

    from gateway.clock import SystemClock
    from gateway.errors import GatewayError
    from gateway.store.one_step import one_step

    try:
        return one_step(site.store.url, SystemClock(), step)
    except GatewayError as refused:
        print(refused.detail, file=sys.stderr)
        raise typer.Exit(1) from None
    except DBAPIError as failure:
        print(f"The store did not take it: {type(failure.orig).__name__}", file=sys.stderr)
        raise typer.Exit(2) from None


def _show_new(made: "AccessKey", text: str, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps({"key": text, **made.model_dump(mode="json")}, ensure_ascii=False))
        return
    print(text)
    until = made.expires.astimezone(UTC).isoformat(timespec="seconds") if made.expires else ""
    print(
        f"{made.name}, {made.role}, {', '.join(made.stations) or 'every station'}"
        f"{f', until {until}' if until else ''}. Shown this once: keep it where secrets are kept.",
        file=sys.stderr,
    )
