"""Every way in and out that the site file names beside HTTP, started and stopped together."""

import asyncio
import re
from collections.abc import Mapping
from functools import partial

import structlog

from gateway.access.secret_files import secret
from gateway.clock import Clock
from gateway.errors import NotFound, NotStored
from gateway.intake.accept import Intake
from gateway.intake.folder import DropFolder
from gateway.intake.scanner import ScannerIn
from gateway.queues import letters, outbox, turns
from gateway.queues.feed import Feed, FeedSettings
from gateway.queues.port import Sink, Source
from gateway.queues.replay import replay_letter
from gateway.queues.secure import address_of
from gateway.queues.send import Sender, TargetSettings
from gateway.store.store import Store
from gateway.webhooks.deliver import WebhookSink
from schemas.queues import Broker, Queue, QueuesView, Replayed
from schemas.site import Site

log = structlog.get_logger(__name__)

_STUCK_ON_MQTT = 0
_LONGEST_OPEN_BROKER_S = 5.0


class Ways:
    """Sources, sinks, webhooks, scanners and the drop folder of a site."""

    def __init__(
        self,
        site: Site,
        intake: Intake,
        store: Store,
        clock: Clock,
        environment: Mapping[str, str],
        run_id: str,
    ) -> None:
        self._site = site
        self._intake = intake
        self._store = store
        self._owner = run_id
        self.feeds = [
            Feed(
                _feed_settings(queue, site.http.max_body_bytes),
                partial(make_source, queue, environment),
                intake,
                store,
                run_id,
            )
            for queue in site.queue
            if queue.take_from
        ]
        self.scanners = [
            ScannerIn(scanner, intake, store, clock, run_id) for scanner in site.scanner
        ]
        self.folder = (
            DropFolder(
                site.folder_in,
                intake,
                clock,
                max_bytes=site.http.max_body_bytes,
                keep_days=site.store.keep_payloads_days,
            )
            if site.folder_in
            else None
        )
        self.sender = Sender(
            store,
            clock,
            _targets(site, clock, environment, run_id),
            source=source_of(site.name),
            owner=run_id,
            keep_days=site.store.keep_payloads_days,
        )

    async def start(self) -> None:
        """Start all of them, brokers there or not. Raises `OSError` where a port is taken."""
        await self.sender.start()
        for feed in self.feeds:
            feed.start()
        for scanner in self.scanners:
            await scanner.start()
        if self.folder is not None:
            self.folder.start()

    async def stop(self) -> None:
        """Take nothing more in, finish what is in hand, stop sending."""
        if self.folder is not None:
            await self.folder.stop()
        await asyncio.gather(*(scanner.stop() for scanner in self.scanners))
        await asyncio.gather(*(feed.stop() for feed in self.feeds))
        await self.sender.stop()
        try:
            await turns.give_up(self._store, self._owner)
        except NotStored as away:
            log.info("turns.run_out", text=str(away))

    async def view(self) -> QueuesView:
        """How all of them are doing."""
        ways_in = [feed.view() for feed in self.feeds]
        ways_in += [scanner.view() for scanner in self.scanners]
        ways_in += [self.folder.view()] if self.folder is not None else []
        names = list(self.sender.targets)
        targets, dead = await self._store.read(
            lambda conn: (outbox.views(conn, names), letters.count(conn))
        )
        told = [one.model_copy(update={"faults": self.sender.faults[one.way]}) for one in targets]
        return QueuesView(ways_in=tuple(ways_in), targets=tuple(told), dead_letters=dead)

    async def replay(self, letter_id: int, actor: str) -> Replayed:
        """Try a dead letter once more. Raises `NotFound`, or what refuses it again."""
        return await replay_letter(
            self._store,
            self._intake,
            {way: target.sink for way, target in self.sender.targets.items()},
            letter_id,
            actor=actor,
            max_bytes=self._site.http.max_body_bytes,
        )

    async def send_again(self, way: str, first: int) -> Replayed:
        """Send a target every event from `first` on once more. Raises `NotFound`."""
        if way not in self.sender.targets:
            known = ", ".join(self.sender.targets) or "none"
            raise NotFound(f"There is no target {way!r}. The site file has: {known}.")
        count = await self._store.write(lambda work: outbox.set_back(work, way, first))
        self.sender.wake()
        return Replayed(text=f"{count} events go to {way[3:]} once more.")


def source_of(site_name: str) -> str:
    """The CloudEvents source of a site's own events: /bagrelay/ and its name as a slug."""
    slug = re.sub(r"[^a-z0-9]+", "-", site_name.lower()).strip("-")
    return f"/bagrelay/{slug or 'site'}"


def make_source(queue: Queue, environment: Mapping[str, str]) -> Source:
    """The source of a queue; a new one for each connection."""
    assert queue.take_from is not None
    address = address_of(queue, environment)
    match queue.broker:
        case Broker.NATS:
            from gateway.queues.nats import ACK_WAIT_S, NatsLink, NatsSource

            return NatsSource(
                NatsLink(address),
                subject=queue.take_from,
                dead=queue.dead,
                prefetch=queue.prefetch,
                ack_wait_s=ACK_WAIT_S,
            )
        case Broker.RABBITMQ:
            from gateway.queues.rabbitmq import RabbitLink, RabbitSource

            return RabbitSource(
                RabbitLink(address),
                queue=queue.take_from,
                dead=queue.dead,
                prefetch=queue.prefetch,
            )
        case Broker.MQTT:
            from gateway.queues.mqtt import MqttLink, MqttSource

            return MqttSource(
                MqttLink(address, f"bagrelay-{queue.id}"),
                topic=queue.take_from,
                dead=queue.dead,
                prefetch=queue.prefetch,
            )


def make_sink(queue: Queue, environment: Mapping[str, str], run_id: str) -> Sink:
    """The sink of a queue; it connects when it has something to send."""
    assert queue.send_to is not None
    address = address_of(queue, environment)
    match queue.broker:
        case Broker.NATS:
            from gateway.queues.nats import NatsLink, NatsSink

            return NatsSink(NatsLink(address), queue.send_to, binary=queue.binary)
        case Broker.RABBITMQ:
            from gateway.queues.rabbitmq import RabbitLink, RabbitSink

            return RabbitSink(RabbitLink(address), queue.send_to, binary=queue.binary)
        case Broker.MQTT:
            from gateway.queues.mqtt import MqttLink, MqttSink

            # a name of its own, so that two gateways on one store don't cut each other off
            name = f"bagrelay-{queue.id}-{run_id}"
            return MqttSink(MqttLink(address, name), queue.send_to, binary=queue.binary)


def _feed_settings(queue: Queue, max_bytes: int) -> FeedSettings:
    if queue.broker is Broker.MQTT:
        # the broker's own window is small and acknowledged in order: nothing may stand in it
        return FeedSettings(queue.id, queue.prefetch, _STUCK_ON_MQTT, max_bytes, hand_back_s=1.0)
    return FeedSettings(queue.id, queue.prefetch, max(1, queue.prefetch // 4), max_bytes)


def _targets(
    site: Site, clock: Clock, environment: Mapping[str, str], run_id: str
) -> list[TargetSettings]:
    queues = [
        TargetSettings(
            f"to queue {queue.id}",
            make_sink(queue, environment, run_id),
            frozenset(kind.value for kind in queue.send),
            longest_open_s=_LONGEST_OPEN_BROKER_S,
        )
        for queue in site.queue
        if queue.send_to
    ]
    hooks = [
        TargetSettings(
            f"to webhook {hook.id}",
            WebhookSink(
                hook,
                partial(secret, hook.secret_env, hook.secret_file, environment),
                clock,
            ),
            frozenset(kind.value for kind in hook.send),
        )
        for hook in site.webhook
    ]
    return queues + hooks
