"""The site file: one room, its supply, its rules, its stations."""

from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from schemas.access import AccessSettings, Limits, TlsSettings
from schemas.base import Record, Slug
from schemas.order import Address
from schemas.queues import FolderIn, Queue, Scanner, Webhook
from schemas.rules import Packing, Rule, Service, WarningText
from schemas.station import Station
from schemas.supply import Bag, Film


class StoreSettings(Record):
    """Where the gateway keeps its state: a SQLite file, or a PostgreSQL by URL."""

    url: Annotated[str, StringConstraints(pattern=r"^(sqlite|postgresql)(\+psycopg)?://")] = (
        "sqlite:///bagrelay.db"
    )
    keep_payloads_days: Annotated[int, Field(ge=1, le=3650)] = 90
    """Days after which addresses, orders as they came and label bytes are erased."""
    keep_records_days: Annotated[int, Field(ge=30, le=36500)] = 400
    """Days after which the rest of an order that is done leaves the store; the ledger keeps it."""

    @model_validator(mode="after")
    def _payloads_go_first(self) -> Self:
        if self.keep_records_days < self.keep_payloads_days:
            raise ValueError("keep_records_days must not be below keep_payloads_days")
        return self


class LedgerSettings(Record):
    """How the ledger is signed and where its old parts go.

    Where a file or folder is not named, it lies beside a SQLite store.
    """

    key_file: Path | None = None
    """The key that signs checkpoints; made at the first start, readable by its owner only."""
    witness_file: Path | None = None
    """Each checkpoint is added here; best on a disk that the gateway's host can't rewrite."""
    witness_url: Annotated[str, StringConstraints(pattern=r"^https?://")] | None = None
    """Each checkpoint is sent here by POST, as JSON."""
    checkpoint_every_s: Annotated[float, Field(ge=1, le=604_800)] = 600
    checkpoint_every_entries: Annotated[int, Field(ge=1, le=10_000_000)] = 5000
    archive_dir: Path | None = None
    archive_after_days: Annotated[int, Field(ge=1, le=36500)] | None = 400
    """Days after which ledger entries move to files; none: they stay in the store."""


class DiscoverySettings(Record):
    """Looking for stations that announce themselves. Nothing found is sent a label by itself."""

    interfaces: tuple[str, ...] = ()
    """Addresses of this machine to look and announce on; none: discovery is off."""
    announce: bool = True
    """Announce the gateway itself, so that stations find it."""


class HttpSettings(Record):
    """Where the gateway listens."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8080
    max_body_bytes: Annotated[int, Field(ge=1024)] = 4_000_000
    limits: Limits = Limits()


class WmsSettings(Record):
    """How to ask the WMS for an order by a scanned code. `{code}` in the URL is replaced."""

    url: Annotated[str, StringConstraints(pattern=r"^https?://.*\{code\}")]
    budget_s: Annotated[float, Field(gt=0, le=60)] = 3.0
    token_env: str | None = None
    """Name of the environment variable that holds a bearer token."""
    token_file: Path | None = None
    """Or the file that holds it."""


class Gs1Settings(Record):
    """The site's GS1 company prefix, for its own SSCCs."""

    company_prefix: Annotated[str, StringConstraints(pattern=r"^\d{4,12}$")]
    extension_digit: Annotated[int, Field(ge=0, le=9)] = 0
    gln: Annotated[str, StringConstraints(pattern=r"^\d{13}$")] | None = None
    """The site's Global Location Number, for EPCIS."""


class Site(Record):
    """A whole site file."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    time_zone: str = "UTC"
    gs1: Gs1Settings
    ship_from: Address | None = None
    store: StoreSettings = StoreSettings()
    ledger: LedgerSettings = LedgerSettings()
    http: HttpSettings = HttpSettings()
    discovery: DiscoverySettings = DiscoverySettings()
    access: AccessSettings = AccessSettings()
    tls: TlsSettings | None = None
    wms: WmsSettings | None = None
    packing: Packing = Packing()
    templates_dir: Path | None = None
    """Folder with label templates of the site, beside those that come with the gateway."""
    allowed_label_commands: tuple[
        Annotated[str, StringConstraints(pattern=r"^[!-~][ -~]{0,15}$")], ...
    ] = ()
    """Commands such as `^DF` that supplied labels may carry though they reach beyond it."""
    film: tuple[Film, ...] = ()
    bag: tuple[Bag, ...] = ()
    service: tuple[Service, ...] = ()
    warning: tuple[WarningText, ...] = ()
    rule: tuple[Rule, ...] = ()
    station: tuple[Station, ...]
    queue: tuple[Queue, ...] = ()
    webhook: tuple[Webhook, ...] = ()
    scanner: tuple[Scanner, ...] = ()
    folder_in: FolderIn | None = None
    former_bag: Slug | None = None
    """The one bag that everything went into before; film savings are told against it."""

    @model_validator(mode="after")
    def _names_resolve(self) -> Self:
        films = {film.id for film in self.film}
        bags = {bag.id for bag in self.bag}
        warnings = {warning.id for warning in self.warning}
        problems = [
            f"bag {b.id}: no film {b.film!r} in the file" for b in self.bag if b.film not in films
        ]
        problems += [
            f"station {s.id}: loaded bag {load.bag!r} is not in the file"
            for s in self.station
            for load in s.loaded
            if load.bag not in bags
        ]
        problems += [
            f"rule {r.name!r}: no warning {r.effect.warning_text!r} in the file"
            for r in self.rule
            if r.effect.warning_text and r.effect.warning_text not in warnings
        ]
        for what, names in (
            ("film", [f.id for f in self.film]),
            ("bag", [b.id for b in self.bag]),
            ("service", [s.id for s in self.service]),
            ("warning", [w.id for w in self.warning]),
            ("rule", [r.name for r in self.rule]),
            ("station", [s.id for s in self.station]),
            ("queue", [q.id for q in self.queue]),
            ("webhook", [w.id for w in self.webhook]),
            ("scanner", [s.id for s in self.scanner]),
        ):
            problems += [
                f"{what} {n!r} is named twice"
                for n in sorted({n for n in names if names.count(n) > 1})
            ]
        stations = {station.id for station in self.station}
        problems += [
            f"scanner {s.id}: station {s.station!r} is not in the file"
            for s in self.scanner
            if s.station not in stations
        ]
        if self.former_bag and self.former_bag not in bags:
            problems.append(f"former_bag {self.former_bag!r} is not in the file")
        if problems:
            raise ValueError("; ".join(problems))
        return self
