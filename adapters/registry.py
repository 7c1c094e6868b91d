"""Which kinds of station there are: our own table, and packages that add to it by entry point."""

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from importlib.metadata import entry_points
from types import MappingProxyType

from adapters.contract import (
    CONTRACT_VERSION,
    AsksFate,
    Claims,
    CountsLabels,
    Holds,
    LineSettings,
    PassesBy,
    StationAdapter,
)
from adapters.errors import Misconfigured
from adapters.options import MissingOption, UnknownOptions, not_known
from schemas.station import SignalKind

GROUP = "bagrelay.adapters"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of station: where its class is, and the extra that its library comes with."""

    name: str
    where: str
    extra: str = ""


_OURS = (
    Kind("folder", "adapters.folder:Folder"),
    Kind("http", "adapters.http_station:HttpStation"),
    Kind("modbus", "adapters.modbus:Modbus", "modbus"),
    Kind("mqtt", "adapters.mqtt:Mqtt", "mqtt"),
    Kind("opcua", "adapters.opcua:OpcUa", "opcua"),
    Kind("scanner", "adapters.scanner:Scanner"),
    Kind("serial", "adapters.serial_line:SerialPrinter", "serial"),
    Kind("serial-counted", "adapters.serial_line:CountedSerial", "serial"),
    Kind("simulated", "adapters.simulated:Simulated"),
    Kind("tcp", "adapters.tcp:RawTcp"),
    Kind("tcp-counted", "adapters.tcp:CountedTcp"),
)

_BY_CLAIM = (
    ("can_be_asked", AsksFate, "fate"),
    ("counts_labels", CountsLabels, "labels_printed"),
    ("holds", Holds, "hold and release"),
    ("passes_by", PassesBy, "pass_by"),
)


def kinds() -> Mapping[str, Kind]:
    """Every kind that is installed, by name. Imports none of them; two with one name raise."""
    return _installed(tuple(sys.path))


@lru_cache(maxsize=4)
def _installed(_path: tuple[str, ...]) -> Mapping[str, Kind]:
    # every installed package is read for this, which a room of many stations would do for each
    found = {kind.name: kind for kind in _OURS}
    for point in entry_points(group=GROUP):
        known = found.get(point.name)
        if known is not None and known.where != point.value:
            raise Misconfigured(
                f"two packages bring the station kind {point.name!r}: "
                f"{known.where} and {point.value}",
                do="Uninstall one of them.",
            )
        if known is None:
            found[point.name] = Kind(point.name, point.value)
    return MappingProxyType(found)


def find(name: str) -> type[StationAdapter]:
    """The class of a kind, checked against the contract. Raises `Misconfigured`."""
    known = kinds()
    kind = known.get(name)
    if kind is None:
        raise Misconfigured(
            f"there is no station kind {name!r}",
            do=f"Use one of {', '.join(sorted(known))}, or install the package that brings it.",
        )
    module, _, attribute = kind.where.partition(":")
    try:
        adapter = getattr(import_module(module), attribute)
    except ImportError as missing:
        raise Misconfigured(
            f"station kind {name!r} needs a library that is not installed: {missing}",
            do=f"Install bagrelay[{kind.extra}]." if kind.extra else "Install what it names.",
        ) from missing
    except AttributeError as missing:
        raise Misconfigured(f"station kind {name!r}: {kind.where} does not exist") from missing
    return checked(name, adapter)


def build(name: str, settings: LineSettings) -> StationAdapter:
    """An adapter of this kind for one line; opens nothing. Raises `Misconfigured`."""
    kind = find(name)
    try:
        return kind.from_settings(settings)
    except MissingOption as missing:
        others = not_known(kind.from_settings, settings, missing)
        beside = f"; {', '.join(others)}: no option of this kind" if others else ""
        raise Misconfigured(f"{missing.what}{beside}", do=missing.do) from missing
    except UnknownOptions as unknown:
        raise Misconfigured(unknown.what, do=unknown.do) from unknown


def checked(name: str, adapter: object) -> type[StationAdapter]:
    """Refuse a class whose claims and methods disagree, naming both sides."""
    claims = getattr(adapter, "claims", None)
    if not isinstance(adapter, type) or not isinstance(claims, Claims):
        raise Misconfigured(f"station kind {name!r}: {adapter!r} is no class with `claims`")
    needs = ("from_settings", "open", "close", "deliver", "state", "signals")
    missing = [method for method in needs if not callable(getattr(adapter, method, None))]
    if missing:
        raise Misconfigured(f"station kind {name!r} lacks {', '.join(missing)}")
    version = getattr(adapter, "contract_version", CONTRACT_VERSION)
    if version != CONTRACT_VERSION:
        raise Misconfigured(
            f"station kind {name!r} was written for contract {version}; this is contract "
            f"{CONTRACT_VERSION}",
            do="Install the release of that package for this contract.",
        )
    for claim, protocol, methods in _BY_CLAIM:
        has = issubclass(adapter, protocol)
        if getattr(claims, claim) and not has:
            raise Misconfigured(f"station kind {name!r} claims {claim} but has no {methods}")
        if has and not getattr(claims, claim):
            raise Misconfigured(f"station kind {name!r} has {methods} but does not claim {claim}")
    unknown = claims.reports - {kind.value for kind in SignalKind}
    if unknown:
        raise Misconfigured(
            f"station kind {name!r} claims to report {', '.join(sorted(unknown))}, "
            "which are no signal kinds"
        )
    return adapter
