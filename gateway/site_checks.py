"""What can be wrong with a site file whose every line is right by itself.

Each check takes the site as read and yields findings with the line to mend. None opens a
connection; only the site's own folders are looked into.
"""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from urllib.parse import urlsplit

from gateway.fit import rules_report
from gateway.limits.loopback import is_loopback
from gateway.queue_checks import queue_checks
from gateway.site_file import Finding, Reading, Severity
from gateway.station_checks import is_secret_in_clear, station_checks
from gateway.template_checks import template_checks
from schemas.site import Site
from schemas.station import LineToStation

_ADDRESS_OPTIONS = ("host", "port", "url", "device", "path", "folder", "broker", "topic", "unit")


def cross_checks(reading: Reading) -> list[Finding]:
    """Every finding about a site that reads well, in the order of its lines."""
    site = reading.site
    if site is None:
        return []
    found = [
        *_way_to_the_wms(site, reading),
        *_open_door(site, reading),
        *_secrets(site, reading),
        *_store_folder(site, reading),
        *_dated_twice(site, reading),
        *_example_prefix(site, reading),
        *_shared_addresses(site, reading),
        *_unused(site, reading),
        *_rules(site, reading),
        *template_checks(site, reading),
        *queue_checks(site, reading),
    ]
    for index, station in enumerate(site.station):
        found += station_checks(site, reading, index, station)
    return sorted(found, key=lambda f: f.line or 0)


# --- the site -------------------------------------------------------------------------------------


def _way_to_the_wms(site: Site, reading: Reading) -> Iterator[Finding]:
    if site.wms is None:
        yield Finding(
            Severity.WARNING,
            None,
            "wms",
            "there is no [wms]: a scan that does not carry its order can't be answered",
            "add [wms] with its url, or see that every order.scanned event brings the order",
        )
        return
    url = urlsplit(site.wms.url)
    has_token = site.wms.token_env or site.wms.token_file
    if url.scheme == "http" and not is_loopback(url.hostname or ""):
        yield Finding(
            Severity.WARNING,
            reading.line_of("wms", "url"),
            "wms, url",
            "orders with their addresses"
            + (" and the token" if has_token else "")
            + " would cross the network in clear",
            "use https",
        )  # fmt: skip


def _open_door(site: Site, reading: Reading) -> Iterator[Finding]:
    """Who can come in, and what can be read on the way."""
    reached = not is_loopback(site.http.host)
    if reached and site.access.open_door:
        yield Finding(
            Severity.ERROR,
            reading.line_of("access", "open_door"),
            "access, open_door",
            f"the door stands open and {site.http.host} is reached from other machines: whoever is"
            " on that network could print labels",
            "take open_door out and hand out keys, or listen on 127.0.0.1",
        )
    elif reached and site.tls is None:
        yield Finding(
            Severity.WARNING,
            reading.line_of("http", "host"),
            "http, host",
            f"{site.http.host} is reached from other machines, and keys and addresses would cross"
            " the network in clear",
            "add [tls] with cert_file and key_file, or listen on 127.0.0.1 behind a proxy that"
            " speaks TLS",
        )
    for name in ("cert_file", "key_file", "client_ca_file", "key_password_file"):
        file = getattr(site.tls, name, None)
        if file is not None and not file.is_file():
            yield Finding(
                Severity.ERROR, reading.line_of("tls", name), f"tls, {name}", f"{file} is no file"
            )
    oidc = site.access.oidc
    if oidc is not None and not oidc.roles:
        yield Finding(
            Severity.WARNING,
            reading.line_of("access", "oidc"),
            "access, oidc",
            "no text of the roles claim stands for a role, so no token gets in",
            'say which does: roles = { "packing-lead" = "supervisor" }',
        )


def _secrets(site: Site, reading: Reading) -> Iterator[Finding]:
    urls = [(("store", "url"), site.store.url)]
    urls += [(("wms", "url"), site.wms.url)] if site.wms else []
    for path, url in urls:
        if re.search(r"://[^/@]*:[^/@]+@", url):
            yield _secret(reading, path, "a password stands in the URL")
    for index, station in enumerate(site.station):
        for place, line in enumerate(station.lines):
            for option, value in line.options.items():
                if is_secret_in_clear(option, value):
                    yield _secret(
                        reading,
                        ("station", index, "lines", place, "options", option),
                        f"`{option}` looks like a secret",
                    )


def _secret(reading: Reading, path: tuple[str | int, ...], text: str) -> Finding:
    return Finding(
        Severity.ERROR,
        reading.line_of(*path),
        ", ".join(str(step) for step in path if isinstance(step, str)),
        f"{text}; site files are copied, mailed and kept in version control",
        "keep it in the environment or in a file, and name that here",
    )


def _store_folder(site: Site, reading: Reading) -> Iterator[Finding]:
    file = re.fullmatch(r"sqlite:///(.+)", site.store.url)
    if file and not Path(file[1]).parent.is_dir():
        yield Finding(
            Severity.ERROR,
            reading.line_of("store", "url"),
            "store, url",
            f"there is no folder {Path(file[1]).parent} to keep the store in",
            "make it, and let the gateway's user write there",
        )


def _dated_twice(site: Site, reading: Reading) -> Iterator[Finding]:
    for index, service in enumerate(site.service):
        seen: set[date | None] = set()
        for place, weight in enumerate(service.dimensional_weight):
            if weight.from_date in seen:
                day = weight.from_date or "no date"
                yield Finding(
                    Severity.ERROR,
                    reading.line_of("service", index, "dimensional_weight", place),
                    f"service {service.id}",
                    f"two ways to bill by size begin on the same day ({day})",
                    "give each its own from_date",
                )
            seen.add(weight.from_date)


def _example_prefix(site: Site, reading: Reading) -> Iterator[Finding]:
    if site.gs1.company_prefix.startswith("952"):
        yield Finding(
            Severity.NOTE,
            reading.line_of("gs1", "company_prefix"),
            "gs1, company_prefix",
            "prefix 952 is set aside for examples: its SSCCs mean nothing outside this room",
            "put your own prefix here before a parcel leaves the house",
        )


def _shared_addresses(site: Site, reading: Reading) -> Iterator[Finding]:
    seen: dict[tuple[object, ...], str] = {}
    for index, station in enumerate(site.station):
        for place, line in enumerate(station.lines):
            address = _address(line)
            if len(address) == 1:
                continue
            if address in seen:
                yield Finding(
                    Severity.ERROR,
                    reading.line_of("station", index, "lines", place, "options"),
                    f"station {station.id}, lines {place + 1}",
                    f"the same address as station {seen[address]}: each would print the other's"
                    " labels",
                    "give each line its own address",
                )
            seen.setdefault(address, station.id)


def _address(line: LineToStation) -> tuple[object, ...]:
    transport = "tcp" if "host" in line.options and "port" in line.options else line.kind
    options = {k: line.options[k] for k in _ADDRESS_OPTIONS if k in line.options}
    return (transport, *(f"{key}={value}" for key, value in options.items()))


def _unused(site: Site, reading: Reading) -> Iterator[Finding]:
    loaded = {load.bag for station in site.station for load in station.loaded}
    for index, bag in enumerate(site.bag):
        if bag.id not in loaded and bag.id != site.former_bag:
            yield Finding(
                Severity.NOTE,
                reading.line_of("bag", index),
                f"bag {bag.id}",
                "it is loaded on no station",
                "",
            )
    films = {bag.film for bag in site.bag}
    for index, film in enumerate(site.film):
        if film.id not in films:
            yield Finding(
                Severity.NOTE, reading.line_of("film", index), f"film {film.id}", "no bag uses it"
            )


def _rules(site: Site, reading: Reading) -> Iterator[Finding]:
    line_of = {
        rule.name: reading.line_of("rule", index, "name") for index, rule in enumerate(site.rule)
    }
    for found in rules_report(site):
        other = f" (the other rule: line {line_of[found.other]})" if found.other else ""
        where = f"rule {found.rule}"
        yield Finding(Severity.WARNING, line_of[found.rule], where, f"{found.text}{other}")
