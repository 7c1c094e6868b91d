"""The part of a site file that fitting needs, looked up by name."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from schemas.rules import Packing, Rule, Service, WarningText
from schemas.site import Site
from schemas.supply import Bag, Film


@dataclass(frozen=True, slots=True)
class Room:
    """What a packing room stocks and how it packs; frozen, and built once for a site file."""

    films: Mapping[str, Film]
    bags: Mapping[str, Bag]
    services: Mapping[str, Service]
    warnings: Mapping[str, WarningText]
    rules: tuple[Rule, ...]
    packing: Packing

    @classmethod
    def of(cls, site: Site) -> "Room":
        """The room of a site file."""
        return cls(
            films=MappingProxyType({film.id: film for film in site.film}),
            bags=MappingProxyType({bag.id: bag for bag in site.bag}),
            services=MappingProxyType({service.id: service for service in site.service}),
            warnings=MappingProxyType({warning.id: warning for warning in site.warning}),
            rules=site.rule,
            packing=site.packing,
        )
