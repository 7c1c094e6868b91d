"""`bagrelay check`: what is wrong with a site file, line by line."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from gateway.site_file import Finding


def check(
    site_file: Annotated[Path, typer.Argument(help="The site file.", metavar="SITE.toml")],
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
    connect: Annotated[
        bool,
        typer.Option("--connect", help="Also try lines, WMS and brokers; prints nothing."),
    ] = False,
) -> None:
    """Say what is wrong with a site file, with line numbers and what to do.

    Exit code 0: nothing but notes. 1: warnings. 2: errors: mend them before you
    start; the gateway stops at most of them.
    Nothing is printed on any station.
    """
    import asyncio

    from gateway.site_checks import cross_checks
    from gateway.site_connections import try_connections
    from gateway.site_file import read_file

    reading = read_file(site_file)
    findings = [*reading.findings, *cross_checks(reading)]
    if connect and reading.site is not None:
        findings += asyncio.run(try_connections(reading.site, reading))
    if as_json:
        print(_as_json(site_file, findings))
    else:
        _show(site_file, findings)
    raise typer.Exit(exit_code(findings))


def exit_code(findings: "list[Finding]") -> int:
    """0, 1 or 2 by the worst finding; notes are no fault."""
    severities = {finding.severity.value for finding in findings}
    if "error" in severities:
        return 2
    return 1 if "warning" in severities else 0


def _as_json(site_file: Path, findings: "list[Finding]") -> str:
    from dataclasses import asdict

    told = {"file": str(site_file), "findings": [asdict(finding) for finding in findings]}
    return json.dumps(told, indent=2, ensure_ascii=False)


def _show(site_file: Path, findings: "list[Finding]") -> None:
    from rich.console import Console
    from rich.text import Text

    from gateway.site_file import Severity

    colours = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}
    console = Console(soft_wrap=True, highlight=False)
    for finding in findings:
        line = Text(f"{site_file}:{finding.line or 1}: ")
        line.append(str(finding.severity), style=colours[finding.severity])
        line.append(f": {finding.sentence()}")
        console.print(line)
    counts = [
        f"{count} {severity}{'' if count == 1 else 's'}"
        for severity in Severity
        if (count := sum(f.severity is severity for f in findings))
    ]
    console.print(f"{site_file}: {', '.join(counts) if counts else 'nothing to mend'}")
