"""`bagrelay adapter`: which kinds of station there are, a start for a new one, a try by hand."""

import asyncio
import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from adapters.contract import StationLine

app = typer.Typer(help="Station kinds: list them, begin a new one, try one by hand.")

_ABILITIES = (
    "drops_repeats", "can_be_asked", "counts_labels", "makes_bags", "holds", "passes_by",
)  # fmt: skip
_FILES = {
    "adapter.txt": "MODULE.py",
    "test.txt": "test_MODULE.py",
    "pyproject.txt": "pyproject.toml",
    "readme.txt": "README.md",
}


@app.command()
def kinds(
    as_json: Annotated[bool, typer.Option("--json", help="Print the list as JSON.")] = False,
) -> None:
    """List the station kinds that are installed, what each claims and what it reports.

    Exit code 0, also where a kind can't be used: its line says why.
    """
    from adapters import registry
    from adapters.errors import StationFault
    from schemas.station import ReceiptStage, SignalKind

    told: list[dict[str, object]] = []
    for name, kind in sorted(registry.kinds().items()):
        try:
            claims = registry.find(name).claims
        except StationFault as fault:
            if as_json:
                told.append({"kind": name, "from": kind.where, "not_usable": fault.what})
                continue
            print(f"{name:16} not usable: {fault.told}")
            continue
        can = [word for word in _ABILITIES if getattr(claims, word)]
        stages = [stage.value for stage in ReceiptStage if stage in claims.knows]
        reports = [signal.value for signal in SignalKind if signal.value in claims.reports]
        if as_json:
            said = {"knows": stages, "can": can, "reports": reports}
            retry = claims.retry.model_dump()
            told.append({"kind": name, "from": kind.where, **said, "retry": retry})
            continue
        knows = ", ".join(stages) or "nothing of labels"
        able = ", ".join(can) or "can do no more"
        tells = ", ".join(reports) or "nothing"
        print(f"{name:16} knows {knows}; {able}; reports {tells}  [{kind.where}]")
    if as_json:
        print(json.dumps(told, indent=2))


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Name of the kind: small letters, digits, hyphens.")],
    into: Annotated[Path, typer.Option(help="Folder in which its folder is made.")] = Path(),
) -> None:
    """Write a package for a new station kind, whose tests run at once.

    Exit code 0: written. 2: the name can't be one, or its folder is already there.
    """
    folder = into / name
    if not name.replace("-", "").isalnum() or name != name.lower() or not name[0].isalpha():
        raise typer.BadParameter("use small letters, digits and hyphens")
    if folder.exists():
        raise typer.BadParameter(f"{folder} is already there")
    write_package(name, folder)
    print(f"Wrote {folder}. Next: pip install -e {folder} && pytest {folder}")


def write_package(name: str, folder: Path) -> None:
    """The starting package of a kind, in a folder that is made."""
    module = name.replace("-", "_")
    class_name = "".join(part.capitalize() for part in name.split("-"))
    folder.mkdir(parents=True)
    for template, target in _FILES.items():
        text = (files("adapters") / "kit" / "scaffold" / template).read_text("utf-8")
        for word, value in (("NAME", name), ("MODULE", module), ("CLASS", class_name)):
            text = text.replace(word, value)
        (folder / target.replace("MODULE", module)).write_text(text, "utf-8")


@app.command()
def check(
    name: Annotated[str, typer.Argument(help="The kind, or with --site the station.")],
    options: Annotated[
        list[str] | None, typer.Argument(help="Options of its line, as name=value.")
    ] = None,
    site_file: Annotated[
        Path | None, typer.Option("--site", help="Take the station's lines from this site file.")
    ] = None,
    print_label: Annotated[
        bool, typer.Option("--print", help="Also print one trial label. Look at what comes out.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was found as JSON.")] = False,
) -> None:
    """Try a kind against a real device: open, state, count, and with --print one label.

    Before --print: keep hands out of the machine, its guards closed, film and labels loaded, and
    somebody beside it. This is a try of the line, no safety check. Exit code 0: all of it went.
    1: the device did not answer, refused, or its fate is unknown. 2: no such kind, station or
    option.
    """
    from adapters.errors import Misconfigured, StationFault

    told = _Told(as_json)
    try:
        line = _of_site(name, site_file) if site_file else _of_options(name, options or [])
        asyncio.run(_try(line, print_label, told))
    except StationFault as fault:
        kind = type(fault).__name__
        # Adapters speak of the site file; here the options may stand on the command line.
        text = fault.told if site_file else fault.told.replace(" in the site file", "")
        opened = told.found.setdefault("open", False)
        told.say("fault", {"kind": kind, "text": text}, f"{kind}: {text}")
        told.end()
        raise typer.Exit(2 if isinstance(fault, Misconfigured) and not opened else 1) from fault
    told.end()


class _Told:
    """What a try found: said at once in words, or as one JSON object at its end."""

    def __init__(self, as_json: bool) -> None:
        self.found: dict[str, object] = {}
        self._as_json = as_json

    def say(self, name: str, value: object, words: str) -> None:
        self.found[name] = value
        if not self._as_json:
            print(words)

    def end(self) -> None:
        if self._as_json:
            print(json.dumps(self.found, indent=2))


def _of_options(name: str, options: list[str]) -> "StationLine":
    from adapters import registry
    from adapters.contract import LineSettings

    return registry.build(name, LineSettings("check", dict(_option(text) for text in options)))


def _of_site(name: str, site_file: Path) -> "StationLine":
    from gateway.app import adapter_of
    from gateway.site_file import read_file

    reading = read_file(site_file)
    if reading.site is None:
        raise typer.BadParameter(f"see `bagrelay check {site_file}`", param_hint="--site")
    for station in reading.site.station:
        if station.id == name:
            return adapter_of(station)
    known = ", ".join(station.id for station in reading.site.station)
    raise typer.BadParameter(f"there is no station {name!r}; there are {known}")


async def _try(adapter: "StationLine", print_label: bool, told: _Told) -> None:
    from adapters.contract import AsksFate, CountsLabels
    from adapters.trial_label import order

    told.found["open"] = False
    try:
        await adapter.open()
        told.say("open", True, "open: yes")
        state = await adapter.state()
        told.say("state", state.model_dump(mode="json"), f"state: {_shown(state)}")
        if adapter.claims.counts_labels and isinstance(adapter, CountsLabels):
            count = await adapter.labels_printed()
            told.say("labels_printed", count, f"labels printed so far: {count}")
        if print_label:
            receipt = await adapter.deliver(order("check-1", code="BAGRELAY-CHECK"))
            stage, size = receipt.stage.value, receipt.bytes_sent
            told.say("label", {"stage": stage, "bytes": size}, f"label: {stage}, {size} bytes")
            look = "one label with the code BAGRELAY-CHECK must have come out, not two."
            told.say("look", look, f"Look: {look}")
            if adapter.claims.can_be_asked and isinstance(adapter, AsksFate):
                fate = (await adapter.fate("check-1")).value
                told.say("fate", fate, f"asked: {fate}")
    finally:
        await adapter.close()
        told.say("closed", True, "closed: yes")


def _shown(condition: object) -> str:
    return ", ".join(f"{name} {value}" for name, value in vars(condition).items() if value)


def _option(text: str) -> tuple[str, str | int | float | bool]:
    name, equals, value = text.partition("=")
    if not equals:
        raise typer.BadParameter(f"{text!r} is not name=value")
    if value in {"true", "false"}:
        return name, value == "true"
    for number in (int, float):
        try:
            return name, number(value)
        except ValueError:
            continue
    return name, value
