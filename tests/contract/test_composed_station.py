"""A printer and a machine as one station: the machine is armed only for a label that is good."""

from collections.abc import AsyncIterator

import pytest

from adapters import registry
from adapters.composed import Composed, claims_of
from adapters.contract import LineSettings
from adapters.errors import FateUnknown, Misconfigured, NeedsPerson, NothingSent
from adapters.modbus import Modbus
from adapters.simulated import Simulated
from adapters.simulator import Fault, FaultKind
from adapters.tcp import RawTcp
from adapters.trial_label import order
from schemas.station import Fate, OptionValue, ReceiptStage, Role
from tests.rigs.composed import ComposedRig, PrinterAndMachine


@pytest.fixture
async def rig() -> AsyncIterator[ComposedRig]:
    """Both far ends."""
    rig = ComposedRig()
    await rig.start()
    yield rig
    await rig.stop()


@pytest.fixture
async def station(rig: ComposedRig) -> AsyncIterator[Composed]:
    """Both lines as one station, open."""
    adapter = PrinterAndMachine.from_settings(LineSettings("s", rig.options()))
    await adapter.open()
    yield adapter
    await adapter.close()


async def test_good_label_arms_the_machine(rig: ComposedRig, station: Composed) -> None:
    """Label out, bag made: the receipt is the machine's."""
    receipt = await station.deliver(order("good"))
    assert receipt.stage is ReceiptStage.SEALED
    assert receipt.bytes_sent == len(order("good").label)
    assert rig.machine.bags == ["good"]
    assert await station.fate("good") is Fate.PRINTED


async def test_label_that_is_cut_arms_nothing(rig: ComposedRig, station: Composed) -> None:
    """The line to the printer broke amid the label: the machine stays still."""
    rig.printer.cut_next(60)
    with pytest.raises(FateUnknown):
        await station.deliver(order("cut"))
    assert rig.machine.bags == []


async def test_printer_that_swallows_a_label_arms_nothing(
    rig: ComposedRig, station: Composed
) -> None:
    """All bytes left and the counter did not move: the label is not known to be good."""
    rig.printer.station.inject(Fault(FaultKind.SAYS_PRINTED))
    with pytest.raises(FateUnknown, match="did not confirm"):
        await station.deliver(order("swallowed"))
    assert rig.machine.bags == []


async def test_printer_out_of_paper_arms_nothing(rig: ComposedRig, station: Composed) -> None:
    """Nothing was printed, nothing armed, and the next try may begin anew."""
    rig.printer.needs_person()
    with pytest.raises(NeedsPerson):
        await station.deliver(order("paper"))
    assert rig.machine.bags == []


async def test_machine_that_stands_prints_no_label(rig: ComposedRig, station: Composed) -> None:
    """The machine is looked at first: a label without its bag is waste and a danger."""
    rig.machine.needs_person()
    with pytest.raises(NeedsPerson):
        await station.deliver(order("held"))
    assert await rig.printer.printed(0) == ()


async def test_machine_that_is_off_prints_no_label(rig: ComposedRig, station: Composed) -> None:
    """An unreachable machine is "nothing sent": no label is out."""
    await rig.machine.off()
    with pytest.raises(NothingSent):
        await station.deliver(order("off"))
    await rig.machine.on()
    assert await rig.printer.printed(0) == ()


async def test_machine_that_refuses_after_the_label_is_no_nothing_sent(
    rig: ComposedRig, station: Composed
) -> None:
    """The label is out: a repeat would print a second one, so the fate is unknown."""
    rig.machine.refuse_next()
    with pytest.raises(FateUnknown):
        await station.deliver(order("refused"))
    assert await rig.printer.printed(1) == ("refused",)
    assert rig.machine.bags == []
    assert await station.fate("refused") is Fate.CANNOT_TELL


def _modbus(**more: OptionValue) -> Modbus:
    registers: OptionValue = {
        "length_mm": "1 u16",
        "job": "2 u32",
        "trigger": "4 u16",
        "done_job": "5 u32",
        "state": "7 u16",
    }
    options = {"host": "127.0.0.1", "port": 502, "registers": registers, **more}
    return Modbus.from_settings(LineSettings("s", options))


def _raw() -> RawTcp:
    return RawTcp.from_settings(LineSettings("s", {"host": "127.0.0.1"}))


def test_printer_that_can_not_know_arms_no_machine() -> None:
    """A raw printer proves nothing of a label, so the site file must say that "sent" will do."""
    with pytest.raises(Misconfigured, match="can't know that"):
        Composed({Role.PRINTER: _raw(), Role.MACHINE: _modbus()})
    Composed({Role.PRINTER: _raw(), Role.MACHINE: _modbus(arm_after="sent")})


@pytest.mark.parametrize("kind", sorted(set(registry.kinds()) - {"scanner"}))
def test_station_of_one_line_claims_what_its_line_claims(kind: str) -> None:
    """A claim that is forgotten where lines are put together would promise less, or more."""
    line = registry.find(kind)
    assert line.claims == claims_of({Role.WHOLE: line})


def test_whole_station_is_no_machine_of_another() -> None:
    """Only a kind that can be prepared and armed apart may be the machine."""
    whole = Simulated.from_settings(LineSettings("s", {"port": 1}))
    with pytest.raises(Misconfigured, match="armed apart"):
        Composed({Role.PRINTER: _raw(), Role.MACHINE: whole})


async def test_machine_that_runs_all_the_time_does_not_prove_a_bag(rig: ComposedRig) -> None:
    """The trigger was lost and the machine is in production: its fate can't be told."""
    machine = Modbus.from_settings(LineSettings("s", rig.machine.options()))
    await machine.open()
    await machine.prepare(order("lost"))
    assert await machine.fate("lost") is Fate.UNKNOWN_JOB
    await rig.machine.set_state(6)
    assert await machine.fate("lost") is Fate.CANNOT_TELL
    assert await machine.fate("never") is Fate.UNKNOWN_JOB
    await machine.close()


async def test_no_go_reaches_the_line_that_can_act_on_it(
    rig: ComposedRig, station: Composed
) -> None:
    """The machine lets the goods pass; the printer has no such thing and is not asked."""
    assert station.claims.passes_by
    await station.pass_by("9521234000001", "too thick")
    assert ("9521234000001",) == rig.machine.passed()


async def test_station_none_of_whose_lines_can_let_goods_pass_says_so(rig: ComposedRig) -> None:
    """Without a place for it in the site file the no-go is not claimed, nor lost in silence."""
    machine = _modbus(arm_after="sent")
    station = Composed({Role.PRINTER: _raw(), Role.MACHINE: machine})
    assert not station.claims.passes_by
    with pytest.raises(NothingSent, match="no line"):
        await station.pass_by("9521234000001", "too thick")


async def test_value_that_reads_back_wrong_stops_the_job(
    rig: ComposedRig, station: Composed
) -> None:
    """Read back before the trigger: a register that another writes prints and arms nothing."""
    rig.machine.spoil("length_mm")
    with pytest.raises(Misconfigured, match="length_mm was written as"):
        await station.deliver(order("spoilt"))
    assert await rig.printer.printed(0) == ()
    assert rig.machine.bags == []
