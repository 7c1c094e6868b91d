"""What MQTT adds to the kit: nobody there, last will, expiry, and reports that outlive a crash."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from adapters.contract import LineSettings
from adapters.errors import FateUnknown, NothingSent
from adapters.mqtt import Mqtt
from adapters.trial_label import order
from schemas.station import MachineState, OptionValue, Signal, SignalKind
from tests.rigs.mqtt import MqttRig


@pytest.fixture
async def rig() -> AsyncIterator[MqttRig]:
    """A broker with a station behind it."""
    rig = MqttRig()
    await rig.start()
    yield rig
    await rig.stop()


def _adapter(rig: MqttRig, **more: OptionValue) -> Mqtt:
    return Mqtt.from_settings(LineSettings("kit", {**rig.options(), **more}))


async def test_last_will_tells_that_the_station_is_gone(rig: MqttRig) -> None:
    """The station's line is cut: the broker says so, and the next job is sent nowhere."""
    adapter = _adapter(rig)
    await adapter.open()
    await rig.off()
    async for signal in adapter.signals():
        assert (signal.kind, signal.state) == (SignalKind.STATE, MachineState.OFFLINE)
        break
    with pytest.raises(NothingSent, match="not at the broker"):
        await adapter.deliver(order("gone"))
    await adapter.close()


async def test_station_that_is_back_at_the_broker_is_not_gone(rig: MqttRig) -> None:
    """Its presence rises again on the same line: what it is, it says itself when it likes."""
    adapter = _adapter(rig)
    await adapter.open()
    states: list[MachineState | None] = []
    await rig.off()
    async with asyncio.timeout(20):
        async for signal in adapter.signals():
            states.append(signal.state)
            if signal.state is not MachineState.OFFLINE:
                break
            await rig.on()
    assert [MachineState.OFFLINE, MachineState.UNKNOWN] == states
    await adapter.close()


async def test_station_that_dies_amid_a_job_is_told_at_once(rig: MqttRig) -> None:
    """Its last will ends the wait for its answer: unknown, long before the deadline."""
    adapter = _adapter(rig, answer_s=60.0)
    await adapter.open()
    rig.cut_next(1)
    with pytest.raises(FateUnknown):
        await adapter.deliver(order("dies"))
    await adapter.close()


async def test_job_says_how_long_it_may_wait_at_the_broker(rig: MqttRig) -> None:
    """It carries how long it may wait there (MQTT 5, 3.3.2.3.3), the seconds of its print."""
    adapter = _adapter(rig, answer_s=0.3, print_s=1.0)
    await adapter.open()
    rig.silent()
    with pytest.raises(FateUnknown):
        await adapter.deliver(order("late"))
    await adapter.close()
    assert rig.expiry_seen == 1


async def test_report_that_was_not_dealt_with_comes_again(rig: MqttRig) -> None:
    """A scan that the gateway took and lost in a crash is handed to the next one."""
    first = _adapter(rig)
    await first.open()
    rig.report(Signal(kind=SignalKind.SCAN, code="9521234000001"))
    async for signal in first.signals():
        assert signal.code == "9521234000001"
        break  # crashed before it came back for the next report
    await first.close()
    second = _adapter(rig)
    await second.open()
    async with asyncio.timeout(5):
        async for signal in second.signals():
            assert signal.code == "9521234000001"
            break
    await second.close()


async def test_report_that_was_dealt_with_does_not_come_again(rig: MqttRig) -> None:
    """Once the listener came back for the next report, the first is acknowledged."""
    first = _adapter(rig)
    await first.open()
    rig.report(Signal(kind=SignalKind.SCAN, code="1"))
    rig.report(Signal(kind=SignalKind.SCAN, code="2"))
    async for signal in first.signals():
        if signal.code == "2":
            break
    await first.close()
    second = _adapter(rig)
    await second.open()
    async with asyncio.timeout(5):
        async for signal in second.signals():
            assert signal.code == "2"
            break
    await second.close()
