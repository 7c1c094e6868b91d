"""`bagrelay ledger`: check the ledger, sign it, prove from it, export it, archive it."""

import asyncio
import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands import ledger_export, ledger_prove
from gateway.commands.ledger_proof import check_proof
from gateway.commands.output import Out, fail, progress, put
from gateway.commands.store_access import DEFAULT_SITE, SiteFile, reading, site_of, writing

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from gateway.ledger.chain import ChainReport
    from gateway.ledger.whole_check import WholeReport
    from schemas.ledger import Checkpoint
    from schemas.site import Site

app = typer.Typer(
    no_args_is_help=True,
    help="Check the ledger, sign it, prove from it, export it, move old parts to files.",
)

Keys = Annotated[
    list[Path] | None,
    typer.Option("--key", metavar="KEY.pem", help="A public key of the site; may be repeated."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


@app.command()
def verify(
    site_file: SiteFile = DEFAULT_SITE,
    checkpoint: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="A checkpoint or witness file from elsewhere; may be repeated."
        ),
    ] = None,
    archive: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Check these archive files alone, without a store."),
    ] = None,
    key: Keys = None,
    tree: Annotated[
        bool, typer.Option("--tree", help="Also hold all of the Merkle tree against the entries.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read every entry again and say whether the ledger is as it was written and signed.

    Finds entries that were changed, removed, put in or reordered, and names the first; against
    checkpoints also a tail that was cut off and a ledger that was written anew. Keep a checkpoint
    or the witness file on another machine: what lies beside the ledger can be taken with it.
    The gateway may be running.

    Exit code 0: whole. 1: it is not. 2: something can't be read.
    """
    from gateway.ledger.keys import archive_dir
    from gateway.ledger.whole_check import check_whole, size_of

    named = _keys(key or ())
    if archive:
        _verify_files(archive, named, as_json=as_json)
        return
    site = site_of(site_file)
    witnessed = _witnessed(site, checkpoint or ())
    known = named or _own_key(site)
    with reading(site) as conn, progress("entries", size_of(conn), quiet=as_json) as bar:
        report = check_whole(
            conn, archive_dir(site), witnessed=witnessed, keys=known, seen=bar.at, whole_tree=tree
        )
    typer.echo(_as_json(report) if as_json else _as_text(report, keyed=bool(known)))
    raise typer.Exit(0 if report.ok else 1)


@app.command()
def checkpoint(site_file: SiteFile = DEFAULT_SITE, out: Out = None) -> None:
    """Sign the ledger as it stands now, to be kept elsewhere. The gateway may be running.

    The signed text, which is JSON, also goes to the site's witness file, where it names one.

    Exit code 0: signed, or nothing has come since. 1: the ledger is empty. 2: no key or no store.
    """
    from gateway.clock import SystemClock
    from gateway.ledger.checkpoint import BadKey, to_text
    from gateway.ledger.checkpoints import latest, sign_now
    from gateway.ledger.keys import key_file, read_key
    from gateway.ledger.sealing import add_to_file

    site = site_of(site_file)
    try:
        signing = read_key(key_file(site))
    except BadKey as wrong:
        fail(str(wrong))
    with reading(site) as conn:
        last = latest(conn)
        signed = sign_now(conn, signing, last.origin if last else site.name, SystemClock().now())
    if signed is not None and site.ledger.witness_file is not None:
        add_to_file(site.ledger.witness_file, signed)
    signed = signed or last
    if signed is None:
        fail("The ledger has no entry yet.", 1)
    put(to_text(signed).encode(), out)


@app.command("key")
def public_key(site_file: SiteFile = DEFAULT_SITE, out: Out = None) -> None:
    """Give out the public key, for whoever has to check checkpoints and proofs.

    Exit code 2: there is no key yet, or it can't be read.
    """
    from gateway.ledger.checkpoint import BadKey, public_pem
    from gateway.ledger.keys import key_file, read_key

    try:
        key = read_key(key_file(site_of(site_file)))
    except BadKey as wrong:
        fail(str(wrong))
    put(public_pem(key.public_key()), out)


app.command("check-proof")(check_proof)
app.command()(ledger_prove.prove)
app.command("prove-growth")(ledger_prove.prove_growth)
app.command()(ledger_prove.evidence)
app.command()(ledger_export.export)
app.command()(ledger_export.epcis)


@app.command()
def archive(
    site_file: SiteFile = DEFAULT_SITE,
    before: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            help="Move what was signed before this day (UTC); else what the site file says.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Move the oldest entries, up to a checkpoint, into a file that can be checked alone.

    The gateway does this by itself; this command is for a gateway that is stopped. The Merkle
    tree's top and the file's digest stay in the store: `ledger verify` checks files and store as
    one ledger, and says so where a file is missing.

    Exit code 0: done, or nothing was due. 2: it could not be done.
    """
    from datetime import UTC, timedelta

    from gateway.clock import SystemClock
    from gateway.ledger.archive_file import ArchiveBad
    from gateway.ledger.archiving import archive_before
    from gateway.ledger.keys import archive_dir

    site = site_of(site_file)
    days = site.ledger.archive_after_days
    if before is None and days is None:
        fail("The site file archives nothing (archive_after_days); name a day by --before.")
    moment = (
        before.replace(tzinfo=UTC)
        if before is not None
        else SystemClock().now() - timedelta(days=days or 0)
    )
    with writing(site) as store:
        done: list[dict[str, object]] = []
        try:
            while made := asyncio.run(archive_before(store, archive_dir(site), moment)):
                file = archive_dir(site) / made.file
                done.append({"first": made.first, "last": made.last, "file": str(file)})
                if not as_json:
                    typer.echo(f"Entries {made.first} to {made.last}: {file}")
        except (OSError, ArchiveBad) as error:
            fail(str(error))
    if as_json:
        typer.echo(json.dumps(done, indent=2))
    elif not done:
        typer.echo(f"No checkpoint from before {moment:%Y-%m-%d} covers entries in the store.")


def _verify_files(
    files: Sequence[Path], keys: "Sequence[Ed25519PublicKey]", *, as_json: bool
) -> None:
    from gateway.ledger import archive_file

    found: list[tuple[Path, ChainReport]] = []
    for path in files:
        try:
            opened = archive_file.read(path)
        except archive_file.ArchiveBad as bad:
            fail(str(bad))
        reports = [archive_file.check(opened, one) for one in keys or (None,)]
        found.append((path, next((one for one in reports if one.ok), reports[0])))
    if as_json:
        typer.echo(json.dumps([{"file": str(p), **_facts(r)} for p, r in found], indent=2))
    else:
        for path, report in found:
            verdict = f"whole, {report.entries} entries" if report.ok else f"BAD: {report.text}"
            typer.echo(f"{path}: {verdict}")
    raise typer.Exit(0 if all(report.ok for _, report in found) else 1)


def _keys(files: Sequence[Path]) -> "list[Ed25519PublicKey]":
    from gateway.ledger.checkpoint import public_from_pem

    try:
        return [public_from_pem(path.read_bytes()) for path in files]
    except (OSError, ValueError) as error:
        fail(str(error))


def _own_key(site: "Site") -> "list[Ed25519PublicKey]":
    from gateway.ledger.checkpoint import BadKey
    from gateway.ledger.keys import key_file, read_key

    try:
        return [read_key(key_file(site)).public_key()]
    except BadKey:
        return []


def _witnessed(site: "Site", files: Sequence[Path]) -> "list[Checkpoint]":
    from gateway.ledger.checkpoint import BadCheckpoint
    from gateway.ledger.witness import read_file

    own = site.ledger.witness_file
    paths = [*files, *([own] if own is not None and own.exists() else [])]
    try:
        return [one for path in paths for one in read_file(path)]
    except (OSError, BadCheckpoint) as error:
        fail(str(error))


def _facts(report: "ChainReport") -> dict[str, object]:
    return {
        "ok": report.ok,
        "entries": report.entries,
        "last_seq": report.head.seq,
        "last_hash": report.head.hash,
        "checkpoints": report.checkpoints,
        "fault": report.fault.value if report.fault else None,
        "first_bad_seq": report.first_bad_seq,
        "text": report.text,
    }


def _as_json(report: "WholeReport") -> str:
    facts = _facts(report.chain) | {
        "ok": report.ok,
        "root": report.root,
        "faults": report.faults,
        "notes": report.notes,
    }
    return json.dumps(facts, indent=2, ensure_ascii=False)


def _as_text(report: "WholeReport", *, keyed: bool) -> str:
    chain = report.chain
    if report.ok:
        agreed = f"in agreement with {chain.checkpoints} checkpoint(s)"
        lines = [
            f"The ledger is whole: {chain.entries} entries up to {chain.head.seq}, {agreed}.",
            f"Last hash {chain.head.hash}",
            f"Root      {report.root}",
        ]
    else:
        lines = ["THE LEDGER IS NOT WHOLE."]
        if chain.fault is not None:
            lines.append(f"First bad entry: {chain.first_bad_seq} ({chain.fault}). {chain.text}")
    lines += report.faults
    lines += [f"Note: {note}" for note in report.notes]
    if not chain.checkpoints:
        lines.append("Note: no checkpoint was at hand; a tail that was cut off would not show.")
    elif not keyed:
        lines.append("Note: the checkpoints' key was not compared with a known one; use --key.")
    return "\n".join(lines)
