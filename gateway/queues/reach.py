"""Whether a queue's broker can be reached as the site file says. Takes and sends nothing."""

from collections.abc import Mapping

from gateway.queues.secure import address_of
from schemas.queues import Broker, Queue


async def reach(queue: Queue, environment: Mapping[str, str]) -> None:
    """Connect, show who we are, and let go. Raises `BrokerDown`."""
    address = address_of(queue, environment)
    match queue.broker:
        case Broker.NATS:
            from gateway.queues.nats import NatsLink

            nats = NatsLink(address)
            await nats.open()
            await nats.close()
        case Broker.RABBITMQ:
            from gateway.queues.rabbitmq import RabbitLink

            rabbit = RabbitLink(address)
            await rabbit.open()
            await rabbit.close()
        case Broker.MQTT:
            from gateway.queues.mqtt import MqttLink

            # a name of its own: a broker cuts off whoever has the same
            mqtt = MqttLink(address, f"bagrelay-{queue.id}-check")
            await mqtt.open([], keep_session=False)
            await mqtt.close()
