"""A gateway's machine that sleeps amid a delivery sends nothing more of it when it wakes.

The sleep is injected: the clocks' difference grows, as it does on a suspended virtual machine.
"""

import asyncio
import os
from collections.abc import AsyncIterator, Callable

import pytest

from adapters import awake
from adapters.errors import FateUnknown, NothingSent
from adapters.kit.conformance import eventually
from adapters.trial_label import graphic, order, zpl_with
from tests.rigs.folder import FolderRig
from tests.rigs.modbus import ModbusRig
from tests.rigs.simulated import AskedPrinterRig, PrinterRig

Sleep = Callable[[float], None]


@pytest.fixture
def sleep(monkeypatch: pytest.MonkeyPatch) -> Sleep:
    """Lets the machine sleep for so many seconds, in no time."""
    slept = [0.0]
    monkeypatch.setattr(awake, "asleep_s", lambda: slept[0])

    def sleeps(seconds: float) -> None:
        slept[0] += seconds

    return sleeps


@pytest.fixture
async def asked() -> AsyncIterator[AskedPrinterRig]:
    """A printer that is asked for its status before each label."""
    rig = AskedPrinterRig()
    await rig.start()
    yield rig
    await rig.stop()


async def test_asleep_before_the_label_nothing_is_sent(
    asked: AskedPrinterRig, sleep: Sleep, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It slept while the printer was asked: the lease may have passed on meanwhile."""
    adapter = asked.build("tcp", "s")
    await adapter.open()
    look = adapter._look  # type: ignore[attr-defined]

    async def long_look() -> object:
        found = await look()
        sleep(7.0)
        return found

    monkeypatch.setattr(adapter, "_look", long_look)
    with pytest.raises(NothingSent, match="slept"):
        await adapter.deliver(order("late"))
    monkeypatch.undo()
    await adapter.deliver(order("next"))
    assert ("next",) == await asked.printed(1)
    await adapter.close()


async def test_asleep_amid_the_label_its_rest_is_not_sent(sleep: Sleep) -> None:
    """Some bytes left before: what became of them nobody knows, and no more follow."""
    rig = PrinterRig()
    await rig.start()
    rig.silent()
    adapter = rig.build("tcp", "s")
    await adapter.open()
    label = zpl_with("half", before=graphic(3_900_000))
    sending = asyncio.create_task(adapter.deliver(order("half", label=label)), name="rig send")
    await asyncio.sleep(0.1)
    sleep(7.0)
    rig.heal()
    with pytest.raises(FateUnknown, match="slept"):
        await sending
    await eventually(lambda: rig.lines() == 0, "the line stayed open")
    assert () == await rig.printed(0)
    await adapter.close()
    await rig.stop()


async def test_asleep_between_the_values_and_the_trigger_no_bag_is_made(sleep: Sleep) -> None:
    """The values stand in the machine; it is not armed."""
    rig = ModbusRig()
    await rig.start()
    adapter = rig.build("modbus", "s")
    await adapter.open()
    await adapter.prepare(order("late"))  # type: ignore[attr-defined]
    sleep(7.0)
    with pytest.raises(NothingSent, match="slept"):
        await adapter.arm(order("late"))  # type: ignore[attr-defined]
    assert [] == rig.bags
    await adapter.deliver(order("next"))
    assert ["next"] == rig.bags
    await adapter.close()
    await rig.stop()


async def test_asleep_before_the_label_lies_in_the_folder_it_is_not_laid(
    sleep: Sleep, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share that took its time: the file never gets the name that the spooler looks for."""
    rig = FolderRig()
    await rig.start()
    adapter = rig.build("folder", "s")
    await adapter.open()
    durable = os.fsync

    def slow(file: int) -> None:
        durable(file)
        sleep(7.0)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", slow)
        with pytest.raises(NothingSent, match="slept"):
            await adapter.deliver(order("late"))
    await adapter.deliver(order("next"))
    assert ("next",) == await rig.printed(1)
    await adapter.close()
    await rig.stop()


def test_short_differences_are_no_sleep(sleep: Sleep) -> None:
    """The clocks are read one after the other."""
    since = awake.Awake()
    sleep(0.2)
    assert since.still()
    sleep(2.0)
    assert not since.still()
