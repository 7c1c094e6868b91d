"""What can be wrong with the ways in and out that a site file names. Opens no connection."""

import os
from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from gateway.site_file import Finding, Reading, Severity
from gateway.webhooks.target import permitted
from schemas.queues import Broker, Queue, Webhook
from schemas.site import Site


def queue_checks(site: Site, reading: Reading) -> Iterator[Finding]:
    """Findings about queues, webhooks, scanners and the drop folder."""
    for index, queue in enumerate(site.queue):
        yield from _queue(queue, reading, index)
        yield from _files(queue, f"queue {queue.id}", reading, "queue", index)
    for index, hook in enumerate(site.webhook):
        yield from _webhook(hook, reading, index)
        yield from _files(hook, f"webhook {hook.id}", reading, "webhook", index)
    yield from _scanners(site, reading)
    yield from _folder(site, reading)


def _queue(queue: Queue, reading: Reading, index: int) -> Iterator[Finding]:
    where = f"queue {queue.id}"
    url = urlsplit(queue.url)
    if url.scheme in ("nats", "amqp", "mqtt") and not _on_this_machine(url.hostname or ""):
        yield Finding(
            Severity.WARNING,
            reading.line_of("queue", index, "url"),
            f"{where}, url",
            "orders with their addresses would cross the network in clear",
            "use tls, amqps or mqtts",
        )
    if queue.broker is Broker.MQTT and queue.take_from is not None:
        yield Finding(
            Severity.NOTE,
            reading.line_of("queue", index),
            where,
            "an MQTT broker may keep only so many messages for a gateway that is away, and drop"
            " the rest in silence",
            "raise its limit of queued messages and let it keep sessions on disk",
        )
    if queue.take_from is None and queue.send_to is None:
        yield Finding(
            Severity.WARNING,
            reading.line_of("queue", index),
            where,
            "nothing is taken from it and nothing sent to it",
            "name take_from or send_to, or take the queue out",
        )
    names = [name for name in (queue.take_from, queue.send_to, queue.dead) if name]
    if len(set(names)) < len(names):
        yield Finding(
            Severity.ERROR,
            reading.line_of("queue", index),
            where,
            "take_from, send_to and dead must differ: the gateway would read what it sends itself",
            "give each its own",
        )


def _files(
    section: Queue | Webhook, where: str, reading: Reading, kind: str, index: int
) -> Iterator[Finding]:
    """Files that are named and can't be read: nothing would be sent, and the log would say why."""
    for name in type(section).model_fields:
        file = getattr(section, name)
        if isinstance(file, Path) and not os.access(file, os.R_OK):
            why = "can't be read" if file.exists() else "isn't there"
            yield Finding(
                Severity.WARNING,
                reading.line_of(kind, index, name),
                f"{where}, {name}",
                f"the file {file} {why}",
                "put it there, readable for whoever runs the gateway",
            )


def _webhook(hook: Webhook, reading: Reading, index: int) -> Iterator[Finding]:
    url = urlsplit(hook.url)
    at = reading.line_of("webhook", index, "url")
    where = f"webhook {hook.id}, url"
    if url.scheme == "http" and not _on_this_machine(url.hostname or ""):
        yield Finding(
            Severity.WARNING, at, where, "events would cross the network in clear", "use https"
        )
    host = url.hostname or ""
    if (_is_address(host) or host == "localhost") and not permitted(
        "127.0.0.1" if host == "localhost" else host, hook.allow_networks
    ):
        yield Finding(
            Severity.ERROR,
            at,
            where,
            f"{host} is inside, so nothing would ever be sent there",
            "name its network in allow_networks if that is meant",
        )


def _scanners(site: Site, reading: Reading) -> Iterator[Finding]:
    seen: dict[tuple[str, object], str] = {}
    for index, scanner in enumerate(site.scanner):
        line: tuple[str, object] = (
            (scanner.host, scanner.port) if scanner.port is not None else ("", scanner.device)
        )
        if line in seen and line[1] != 0:
            yield Finding(
                Severity.ERROR,
                reading.line_of("scanner", index),
                f"scanner {scanner.id}",
                f"it has the line of scanner {seen[line]}",
                "give each scanner its own port or device",
            )
        seen.setdefault(line, scanner.id)
        if scanner.port is not None and not _on_this_machine(scanner.host):
            yield from _open_port(reading, index, scanner.id, bool(scanner.from_networks))


def _open_port(reading: Reading, index: int, name: str, limited: bool) -> Iterator[Finding]:
    if not limited:
        yield Finding(
            Severity.WARNING,
            reading.line_of("scanner", index, "host"),
            f"scanner {name}, host",
            "whoever reaches this port can scan: a barcode scanner has no password",
            "name the scanners' network in from_networks",
        )


def _folder(site: Site, reading: Reading) -> Iterator[Finding]:
    if site.folder_in is not None and not site.folder_in.path.is_dir():
        yield Finding(
            Severity.WARNING,
            reading.line_of("folder_in", "path"),
            "folder_in, path",
            f"there is no folder {site.folder_in.path}",
            "make it, owned by the gateway, writable for the senders",
        )


def _is_address(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def _on_this_machine(host: str) -> bool:
    return host == "localhost" or (_is_address(host) and ip_address(host).is_loopback)
