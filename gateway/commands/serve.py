"""`bagrelay serve`: run the gateway for a site."""

import signal
import sys
from pathlib import Path
from typing import Annotated

import typer


def serve(
    site_file: Annotated[Path, typer.Argument(metavar="SITE.toml", help="The site file.")],
    host: Annotated[str | None, typer.Option(help="Listen here instead.")] = None,
    port: Annotated[int | None, typer.Option(help="Listen on this port instead.")] = None,
    closed: Annotated[
        bool, typer.Option("--closed", help="Keep the door closed whatever the site file says.")
    ] = False,
) -> None:
    """Run the gateway until it is told to stop (Ctrl-C or SIGTERM).

    Closed to whoever shows no key, unless the site file says `access.open_door`: hand out keys with
    `bagrelay access key new`. A stop finishes what is being sent. Exit code 0: stopped as told.
    2: the site file is wrong.
    The gateway is never a safety function: guards and stops belong to the machines.
    """
    import os

    import uvicorn

    from adapters.errors import StationFault
    from gateway import logs
    from gateway.access.secret_files import NoSecret
    from gateway.app import build, create_app
    from gateway.label import LabelError
    from gateway.limits.serving import CantServe, serving
    from gateway.site_file import SiteFileWrong, load

    logs.configure()
    try:
        site = load(site_file)
        if closed:
            shut = site.access.model_copy(update={"open_door": False})
            site = site.model_copy(update={"access": shut})
        at = site.http.port if port is None else port
        listens = serving(site, host or site.http.host, at, os.environ)
        gateway = build(site)
    except SiteFileWrong as wrong:
        print(wrong, file=sys.stderr)
        print(f"Run `bagrelay check {site_file}` for every finding.", file=sys.stderr)
        raise typer.Exit(2) from None
    except (StationFault, LabelError, CantServe, NoSecret) as wrong:
        print(f"{site_file}: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    # uvicorn stops in order and then raises the signal again, which would end us as if killed
    for told_to_stop in (signal.SIGTERM, signal.SIGINT):
        signal.signal(told_to_stop, lambda *_: None)
    if site.access.open_door:
        logs.get_logger("gateway").warning(
            "door.open",
            text="The door stands open: whoever sits at this machine may do all, nobody else "
            "anything. For work, take access.open_door out of the site file.",
        )
    uvicorn.run(create_app(gateway, site_file), **listens)
