"""`bagrelay store`: back a store up, restore it, check it, erase what is due."""

import asyncio
import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.output import fail, progress
from gateway.commands.store_access import DEFAULT_SITE, SiteFile, reading, site_of, writing

if TYPE_CHECKING:
    from gateway.store.retention import Erased
    from schemas.site import Site

app = typer.Typer(
    no_args_is_help=True, help="Back the store up, restore it, check it, erase what is due."
)
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]
Ahead = Annotated[
    int | None,
    typer.Option("--serials-ahead", min=1, help="So many SSCC serials may have been used since."),
]


@app.command()
def backup(
    to: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder, or the name of the new file.")
    ] = Path(),
    site_file: SiteFile = DEFAULT_SITE,
    as_json: AsJson = False,
) -> None:
    """Copy a SQLite store while the gateway runs; the copy is checked and gets a manifest.

    The signing key and archive files are not in it: keep them too, the key apart. The copy holds
    addresses that are not yet erased; erase old backups when their time is up.
    PostgreSQL is backed up with its own pg_dump.

    Exit code 0: done. 2: it could not be done, and nothing is left behind.
    """
    from gateway.app import VERSION
    from gateway.clock import SystemClock
    from gateway.store.backup import BackupBad, back_up

    site = site_of(site_file)
    store = _sqlite_file(site)
    now = SystemClock().now()
    if to.is_dir():
        to /= f"{store.stem}-{now:%Y%m%dT%H%M%SZ}.db"
    try:
        with progress("pages", 1, quiet=as_json) as bar:
            made = back_up(store, to, site=site.name, release=VERSION, now=now, tell=bar.part)
    except (BackupBad, OSError) as error:
        fail(str(error))
    if as_json:
        typer.echo(made.model_dump_json(indent=2))
        return
    typer.echo(
        f"{to}: {made.bytes} bytes, ledger up to entry {made.entries}, SHA-256 {made.sha256}"
    )
    for part in made.archives:
        typer.echo(f"Keep the archive file {part.file} with it.")


@app.command()
def restore(
    backup: Annotated[Path, typer.Argument(metavar="FILE", help="The backup.")],
    site_file: SiteFile = DEFAULT_SITE,
    serials_ahead: Ahead = None,
    as_json: AsJson = False,
) -> None:
    """Put a backup in the store's place. The gateway must be stopped.

    A backup doesn't know what was printed after it. So every lane is held until a person has
    looked, labels that waited ask before they print, and SSCC serials jump ahead. The store that
    was there is kept under another name; access keys that it had revoked are revoked again, and
    everybody is signed out. Checkpoints that were signed after the backup will not fit the restored
    ledger; its entry `store.restored` tells why.

    Exit code 0: done. 2: it could not be done, and the store is as it was.
    """
    from gateway.clock import SystemClock
    from gateway.errors import NotStored
    from gateway.restore import restore as put_back
    from gateway.store.backup import BackupBad

    site = site_of(site_file)
    _sqlite_file(site, must_be_there=False)
    try:
        done = put_back(backup, site, SystemClock(), serials_ahead=serials_ahead)
    except NotStored as refused:
        fail(refused.detail)
    except (BackupBad, OSError) as error:
        fail(str(error))
    if as_json:
        facts = {**asdict(done), "made": done.made.isoformat(), "replaced": str(done.replaced)}
        typer.echo(json.dumps(facts, indent=2))
        return
    typer.echo(f"Restored the backup of {done.made:%Y-%m-%d %H:%M} UTC.")
    _tell_rest(done.held, done.asking, done.serials_ahead, done.revoked)
    if done.replaced is not None:
        typer.echo(f"The store that was there is {done.replaced}.")


@app.command("mark-restored")
def mark_restored(
    made: Annotated[
        datetime,
        typer.Option(
            formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"], help="When the backup was made, UTC."
        ),
    ],
    serials_ahead: Annotated[
        int,
        typer.Option(
            "--serials-ahead", min=1, help="So many SSCC serials may have been used since."
        ),
    ],
    site_file: SiteFile = DEFAULT_SITE,
) -> None:
    """Make a store safe that another tool restored, such as pg_restore; all gateways stopped.

    Does what `store restore` does after the copy: holds every lane, lets waiting labels ask,
    moves the SSCC serials ahead. Exit code 0: done. 2: refused, with why.
    """
    from gateway.access.after_restore import settle_access
    from gateway.restore import settle

    site = site_of(site_file)
    names = [station.id for station in site.station]
    moment = made.replace(tzinfo=UTC)
    with writing(site) as store:
        held, asking, _ = asyncio.run(
            store.write(
                lambda work: (
                    *settle(work, names, moment, serials_ahead),
                    settle_access(work, {}),
                )
            )
        )
    _tell_rest(held, asking, serials_ahead, None)


@app.command()
def check(
    site_file: SiteFile = DEFAULT_SITE,
    backup: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Check this backup instead.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say whether a store, or a backup, is sound. The gateway may be running.

    `bagrelay ledger verify` reads every entry of the ledger; this looks at its end only.
    Exit code 0: sound. 1: it is not. 2: it can't be read.
    """
    from gateway.store.backup import BackupBad, check_backup
    from gateway.store.soundness import unsound

    findings: list[str] = []
    if backup is not None:
        try:
            check_backup(backup)
        except BackupBad as bad:
            findings.append(str(bad))
    else:
        with reading(site_of(site_file)) as conn:
            findings += unsound(conn)
    if as_json:
        typer.echo(json.dumps({"ok": not findings, "findings": findings}, indent=2))
    else:
        typer.echo("\n".join(findings) or "Sound.")
    raise typer.Exit(1 if findings else 0)


@app.command("erase-due")
def erase_due(
    site_file: SiteFile = DEFAULT_SITE,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only count; the gateway may be running.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Erase payloads and old records whose time is up. A running gateway does so every hour.

    Live orders stay, however old. Each erasure is a ledger entry; the chain stays whole.
    Exit code 0: done. 2: it could not be done.
    """
    from gateway.clock import SystemClock
    from gateway.store import retention

    site = site_of(site_file)
    due = retention.Due.at(SystemClock().now(), site.store)
    if dry_run:
        with reading(site) as conn:
            _tell_erased(retention.due_now(conn, due), "due", as_json=as_json)
        return
    with writing(site) as store:
        _tell_erased(asyncio.run(retention.erase_due(store, due)), "erased", as_json=as_json)


def _sqlite_file(site: "Site", *, must_be_there: bool = True) -> Path:
    from gateway.store import sqlite

    if not site.store.url.startswith("sqlite"):
        fail("This store is a PostgreSQL: use pg_dump and pg_restore, then `store mark-restored`.")
    path = sqlite.file_of(site.store.url)
    if must_be_there and not path.exists():
        fail(f"There is no store {path}.")
    return path


def _tell_rest(held: int, asking: int, ahead: int, revoked: int | None) -> None:
    typer.echo(f"{held} lane(s) are held: look what was printed since, then release each.")
    typer.echo(f"{asking} waiting label(s) ask before they print.")
    typer.echo(f"SSCC serials go on {ahead} further.")
    if revoked is None:
        typer.echo("Access keys that were revoked since the backup are valid again: revoke them.")
    else:
        typer.echo(f"{revoked} access key(s) that ended since the backup were revoked again.")
    typer.echo("Everybody is signed out.")


def _tell_erased(count: "Erased", what: str, *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(asdict(count), indent=2))
        return
    typer.echo(
        f"{what}: content of {count.orders} order(s), {count.labels} label(s),"
        f" {count.events} event(s); whole records of {count.records} order(s)"
    )
