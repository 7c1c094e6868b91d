"""What happens at a bag machine reaches the gateway with its details, over the real protocols."""

from collections.abc import AsyncIterator
from contextlib import aclosing

import pytest

from adapters.contract import LineSettings
from adapters.errors import Misconfigured
from adapters.kit.conformance import eventually
from adapters.modbus import Modbus
from schemas.station import MachineState, OptionValue, Signal, SignalKind
from tests.rigs.modbus import REGISTERS, ModbusRig
from tests.rigs.opcua import OpcUaRig

_ITEM = Signal(
    kind=SignalKind.ITEM_PRESENT, code="9521234000001",
    length_mm=120.5, width_mm=80.0, height_mm=20.0, mass_g=300.0,
)  # fmt: skip
_HAPPENED = (
    Signal(kind=SignalKind.BAG_ADVANCED),
    Signal(kind=SignalKind.BAG_PULLED, position=2),
    Signal(kind=SignalKind.SUPPLY_LOW),
    Signal(kind=SignalKind.FILM_CHANGED),
    Signal(kind=SignalKind.FAULT, state=MachineState.IDLE, detail="fault 17"),
    _ITEM.model_copy(update={"kind": SignalKind.ITEM_MEASURED}),
    _ITEM,
)


@pytest.fixture(params=["modbus", "opcua"])
async def rig(request: pytest.FixtureRequest) -> AsyncIterator[ModbusRig | OpcUaRig]:
    """A machine of each kind."""
    if request.param == "opcua":
        request.getfixturevalue("machine_server")
    rig = ModbusRig() if request.param == "modbus" else OpcUaRig()
    await rig.start()
    yield rig
    await rig.stop()


def _kind(rig: ModbusRig | OpcUaRig) -> str:
    return "modbus" if isinstance(rig, ModbusRig) else "opcua"


@pytest.mark.parametrize("happened", _HAPPENED, ids=lambda signal: signal.kind.value)
async def test_each_event_comes_with_its_details(
    rig: ModbusRig | OpcUaRig, happened: Signal
) -> None:
    """One thing happens, one signal tells it, with position, code, size and mass where it has."""
    adapter = rig.build(_kind(rig), "s")
    await adapter.open()
    rig.report(happened)
    async with aclosing(adapter.signals()) as told:  # type: ignore[type-var]
        async for signal in told:
            assert signal == happened
            break
    await adapter.close()


async def test_what_was_there_at_the_start_is_no_news_and_what_came_while_lost_is(
    rig: ModbusRig | OpcUaRig,
) -> None:
    """Counters go on while the line is down: the row of bags must follow."""
    adapter = rig.build(_kind(rig), "s")
    rig.report(Signal(kind=SignalKind.BAG_ADVANCED))
    await adapter.open()
    kinds = [signal.kind async for signal in _until_lost(adapter, rig)]
    assert [SignalKind.STATE] == kinds
    await rig.on()
    rig.report(Signal(kind=SignalKind.BAG_ADVANCED))
    await adapter.open()
    async with aclosing(adapter.signals()) as told:  # type: ignore[type-var]
        async for signal in told:
            assert signal.kind is SignalKind.BAG_ADVANCED
            break
    await adapter.close()


async def _until_lost(adapter: object, rig: ModbusRig | OpcUaRig) -> AsyncIterator[Signal]:
    await rig.off()
    async for signal in adapter.signals():  # type: ignore[attr-defined]
        yield signal


async def _three(rig: ModbusRig, values: dict[str, int], many: int) -> list[Signal]:
    adapter = rig.build("modbus", "s")
    await adapter.open()
    await rig.put(values)
    found: list[Signal] = []
    async with aclosing(adapter.signals()) as told:  # type: ignore[type-var]
        async for signal in told:
            found.append(signal)
            if len(found) == many:
                break
    await adapter.close()
    return found


@pytest.fixture
async def modbus() -> AsyncIterator[ModbusRig]:
    """A machine over Modbus."""
    rig = ModbusRig()
    await rig.start()
    yield rig
    await rig.stop()


async def test_several_bags_between_two_looks_are_all_told(modbus: ModbusRig) -> None:
    """The counter says how many advanced; and it may wrap at 16 bits."""
    assert [SignalKind.BAG_ADVANCED] * 3 == [
        signal.kind for signal in await _three(modbus, {"advanced": 3}, 3)
    ]
    await modbus.put({"advanced": 65535})
    assert [SignalKind.BAG_ADVANCED] * 2 == [
        signal.kind for signal in await _three(modbus, {"advanced": 1}, 2)
    ]


async def test_pulled_bags_whose_places_were_lost_are_no_guess(modbus: ModbusRig) -> None:
    """Two were pulled between two looks and one position is left: a person must look."""
    (told,) = await _three(modbus, {"pulled_position": 1, "pulled": 2}, 1)
    assert told.kind is SignalKind.FAULT
    assert "bag_pulled: its counter went from 0 to 2" in told.detail


async def test_counter_that_was_set_is_told_as_what_it_is(modbus: ModbusRig) -> None:
    """A controller that was replaced counts from elsewhere: that is no row of bags."""
    (told,) = await _three(modbus, {"advanced": 9000}, 1)
    assert told.kind is SignalKind.FAULT


async def test_supply_that_stays_low_is_told_once(modbus: ModbusRig) -> None:
    """A flag is told when it rises."""
    told = await _three(modbus, {"supply_low": 1, "advanced": 1}, 2)
    assert {SignalKind.SUPPLY_LOW, SignalKind.BAG_ADVANCED} == {signal.kind for signal in told}
    await eventually(lambda: modbus.lines() == 0, "the line stayed open")
    (again,) = await _three(modbus, {"advanced": 2}, 1)
    assert again.kind is SignalKind.BAG_ADVANCED


def _built(**registers: str) -> Modbus:
    places: OptionValue = {
        name: REGISTERS[name] for name in ("length_mm", "job", "trigger", "done_job", "state")
    } | registers
    options: dict[str, OptionValue] = {"host": "127.0.0.1", "registers": places}
    return Modbus.from_settings(LineSettings("s", options))


def test_only_named_values_are_claimed() -> None:
    """A machine reports what its site file names, and no more."""
    assert {"sealed", "state"} == _built().claims.reports
    assert {"sealed", "state", "bag_advanced"} == _built(advanced="300 u16").claims.reports


@pytest.mark.parametrize(
    ("registers", "says"),
    [
        ({"item_present": "307 u16"}, "item_present needs item_code"),
        ({"pulled_position": "302 u16"}, "pulled_position needs pulled"),
        ({"item_measured": "1 u16", "item_code": "2 text2"}, "item_measured needs item_length_mm"),
        ({"advance": "300 u16"}, "advance is none of"),
    ],
)
def test_half_named_report_is_refused(registers: dict[str, str], says: str) -> None:
    """Details without their counter, or the other way round, would report nonsense."""
    with pytest.raises(Misconfigured, match=says):
        _built(**registers)
