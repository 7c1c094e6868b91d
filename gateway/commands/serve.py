"""`bagrelay serve`: run the gateway for a site."""

import signal
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from gateway.app import Gateway
    from schemas.site import Site


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
    `bagrelay access key new`. A stop finishes what is being sent. SIGHUP takes up the site
    file without a restart, whole or not at all. Exit code 0: stopped as told. 2: the site file, or
    the ledger's key, is wrong. 3: it could not start, and its log says why: another gateway has the
    store, the database does not answer, or something else listens on the port.
    The gateway is never a safety function: guards and stops belong to the machines.
    """
    import gc
    import os

    import uvicorn

    from gateway import logs
    from gateway.app import build, create_app
    from gateway.ledger.keys import key_file, key_of
    from gateway.limits.serving import serving
    from gateway.metrics import Metrics
    from gateway.site_file import SiteFileWrong, load
    from gateway.switch import WRONG, Switch

    logs.configure()
    metrics = Metrics()

    def read() -> "Site":
        site = load(site_file)
        if closed:
            shut = site.access.model_copy(update={"open_door": False})
            return site.model_copy(update={"access": shut})
        return site

    def settings(site: "Site") -> "dict[str, Any]":
        at = site.http.port if port is None else port
        return serving(site, host or site.http.host, at, os.environ)

    def made(site: "Site") -> "Gateway":
        settings(site)
        gateway = build(site, metrics=metrics)
        key_of(key_file(site))  # a bad key shows here, before anything starts
        return gateway

    try:
        switch = Switch(read, made, partial(create_app, site_file=site_file))
        site = switch.gateway.site
        listens = settings(site)
    except SiteFileWrong as wrong:
        print(wrong, file=sys.stderr)
        print(f"Run `bagrelay check {site_file}` for every finding.", file=sys.stderr)
        raise typer.Exit(2) from None
    except WRONG as wrong:
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
    # what is there now stays: a collection that walks it all would stop every lane for its time
    gc.collect()
    gc.freeze()
    uvicorn.run(switch, **listens)
