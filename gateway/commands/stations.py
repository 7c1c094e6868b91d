"""`bagrelay stations`: find stations and printers that announce themselves."""

import asyncio
import ipaddress
import json
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(help="Stations in the room.")


@app.callback()
def stations() -> None:
    """Stations in the room."""


@app.command()
def find(
    interface: Annotated[
        list[str],
        typer.Option(help="Address of a network interface to look on; may be given again."),
    ],
    seconds: Annotated[float, typer.Option(min=0.5, max=60, help="How long to look.")] = 3.0,
    site_file: Annotated[
        Path | None, typer.Option("--site", help="Compare with this site file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Look for stations and printers that announce themselves by DNS-SD.

    Nothing that is found is sent anything: put a station into the site file yourself. Exit code 0,
    also where nothing is found. 2: an interface or the site file is wrong.
    """
    from gateway import discovery
    from gateway.site_file import read_file

    for address in interface:
        try:
            ipaddress.ip_address(address)
        except ValueError as wrong:
            raise typer.BadParameter(
                f"{address!r} is no IP address", param_hint="--interface"
            ) from wrong
    site = None
    if site_file is not None and (site := read_file(site_file).site) is None:
        raise typer.BadParameter(f"see `bagrelay check {site_file}`", param_hint="--site")
    try:
        heard = asyncio.run(discovery.find(interface, seconds))
    except OSError as fault:
        raise typer.BadParameter(
            f"can't listen there: {fault}", param_hint="--interface"
        ) from fault
    found = [discovery.judge(one, site) for one in heard]
    if as_json:
        print(json.dumps([one.model_dump(mode="json") for one in found], ensure_ascii=False))
        return
    for one in found:
        where = f"{', '.join(one.addresses)} port {one.port}"
        known = f"{one.standing.value} {one.station}".strip()
        print(f"{one.name:32} {one.service:14} {where:32} {known}  {one.identity}".rstrip())
    if not found:
        print(f"Nothing announced itself within {seconds:g} s.")
