"""`bagrelay queue`: ways in and out, dead letters, replay."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from schemas.queues import DeadLetter

app = typer.Typer(
    help="Events over brokers, webhooks, scanners and folders: what waits, what is dead, replay.",
    no_args_is_help=True,
    rich_markup_mode="markdown",
)
SiteFile = Annotated[Path, typer.Option("--site", metavar="SITE.toml", help="The site file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print it as JSON.")]


@app.command("list")
def list_(
    site_file: SiteFile = Path("site.toml"),
    limit: Annotated[int, typer.Option(min=1, max=500, help="At most so many letters.")] = 50,
    as_json: AsJson = False,
) -> None:
    """List how far each target has got, and the dead letters, the newest first.

    Reads the store; the gateway may be running. Exit code 1: dead letters wait.
    """
    import sqlalchemy as sa

    from gateway.commands.store_access import open_for_reading
    from gateway.queues import letters, outbox
    from gateway.queues.tables import targets

    with open_for_reading(site_file) as conn:
        ways = conn.execute(sa.select(targets.c.way)).scalars().all()
        told, waiting = outbox.views(conn, ways), letters.count(conn)
        dead = letters.page(conn, limit=limit)
    if as_json:
        import json

        print(
            json.dumps(
                {
                    "targets": [target.model_dump(mode="json") for target in told],
                    "dead_letters": [letter.model_dump(mode="json") for letter in dead],
                },
                indent=2,
            )
        )
    else:
        for target in told:
            missed = f", {target.missed} given up" if target.missed else ""
            why = f": {target.text}" if target.text else ""
            print(f"{target.way}: sent to {target.sent_to}, {target.waiting} waiting{missed}{why}")
        _list_letters(dead, waiting)
    raise typer.Exit(1 if waiting else 0)


@app.command()
def show(
    letter_id: Annotated[int, typer.Argument(metavar="LETTER", help="Its number in the list.")],
    site_file: SiteFile = Path("site.toml"),
    as_json: AsJson = False,
) -> None:
    """Show one dead letter: where it came by, why it is dead, its headers and body.

    A body may hold a person's address. Exit code 1: there is no such letter.
    """
    from gateway.commands.store_access import open_for_reading
    from gateway.errors import NotFound
    from gateway.queues import letters

    with open_for_reading(site_file) as conn:
        try:
            letter = letters.one(conn, letter_id)
        except NotFound as missing:
            typer.echo(missing.detail, err=True)
            raise typer.Exit(1) from None
    if as_json:
        print(letter.model_dump_json(indent=2, exclude_none=True))
        return
    print(_in_one_line(letter))
    print(f"problem: {letter.problem}")
    for name, value in letter.headers.items():
        print(f"{name}: {value}")
    print()
    print(letter.body if letter.body is not None else f"base64: {letter.body_base64}")


@app.command()
def replay(
    letter_id: Annotated[
        int | None, typer.Argument(metavar="[LETTER]", help="A dead letter's number.")
    ] = None,
    target: Annotated[
        str | None, typer.Option(help="Or a target, such as `to webhook erp`.", metavar="WAY")
    ] = None,
    first: Annotated[
        int | None, typer.Option("--from", min=1, help="With --target: from which event on.")
    ] = None,
    gateway: Annotated[
        str | None, typer.Option(help="The running gateway; else as the site file says.")
    ] = None,
    site_file: SiteFile = Path("site.toml"),
) -> None:
    """Try a dead letter once more, or send a target its events from one on once more.

    Asks the running gateway. A key, where it wants one, is read from BAGRELAY_API_KEY. Exit code
    1: it was refused again. 2: the gateway can't be asked.
    """
    import httpx

    from adapters.why_lost import why_lost

    if (letter_id is None) == (target is None or first is None):
        typer.echo("Name a dead letter, or --target and --from.", err=True)
        raise typer.Exit(2)
    key = os.environ.get("BAGRELAY_API_KEY")
    headers = {"authorization": f"Bearer {key}"} if key else {}
    if letter_id is not None:
        path, body = f"/v1/dead-letters/{letter_id}/replay", None
    else:
        path, body = f"/v1/targets/{target}/replay", {"first": first}
    base = gateway or _address(site_file)
    try:
        with httpx.Client(base_url=base, timeout=30, trust_env=False) as client:
            answer = client.post(path, json=body, headers=headers)
    except httpx.HTTPError as error:
        typer.echo(f"No gateway answers at {base}: {why_lost(error)}.", err=True)
        raise typer.Exit(2) from None
    told = answer.json() if "json" in answer.headers.get("content-type", "") else {}
    if answer.status_code != httpx.codes.OK:
        typer.echo(told.get("detail") or f"It answered {answer.status_code}.", err=True)
        raise typer.Exit(1)
    print(told["text"])


def _address(site_file: Path) -> str:
    import sys

    from gateway.site_file import SiteFileWrong, load

    try:
        http = load(site_file).http
    except SiteFileWrong as wrong:
        print(wrong, file=sys.stderr)
        raise typer.Exit(2) from None
    host = "127.0.0.1" if http.host in ("0.0.0.0", "::") else http.host  # noqa: S104
    return f"http://{f'[{host}]' if ':' in host else host}:{http.port}"


def _list_letters(dead: "list[DeadLetter]", waiting: int) -> None:
    if not dead:
        print("no dead letters")
        return
    for letter in dead:
        print(_in_one_line(letter))
    print(f"{waiting} dead letter{'' if waiting == 1 else 's'} not yet replayed")


def _in_one_line(letter: "DeadLetter") -> str:
    times = f", {letter.times} times" if letter.times > 1 else ""
    event = f" event {letter.event_id} of {letter.source}" if letter.event_id else ""
    done = "; replayed" if letter.replayed else ""
    when = letter.time.strftime("%Y-%m-%d %H:%M:%S")
    return f"{letter.id}  {when}  {letter.way}{times}{event}: {letter.reason}{done}"
