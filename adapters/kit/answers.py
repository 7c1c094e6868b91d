"""Checks of what a station tells: its state, a job's fate, its count, hold, and its reports."""

import asyncio

import pytest

from adapters.contract import AsksFate, CountsLabels, Holds, PassesBy, StationAdapter
from adapters.errors import NothingSent
from adapters.kit.conformance import Conformance, eventually, needs, proves
from adapters.kit.rig import Rig
from adapters.trial_label import order
from schemas.station import Fate, MachineState, Signal, SignalKind, StationCondition


class AnswerChecks(Conformance):
    """Claimed answers are given, and are true."""

    async def test_state_of_a_station_at_rest_is_not_a_fault(self, adapter: StationAdapter) -> None:
        """A healthy station is ready or unknown."""
        condition = await self.in_time(adapter.state())
        assert condition.ready is not False
        assert condition.state not in {MachineState.OFFLINE, MachineState.ABORTED}

    async def test_state_of_a_station_that_is_off_is_not_healthy(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Nothing is said from memory: off is `NothingSent`, offline or unknown."""
        await rig.off()
        try:
            condition = await self.in_time(adapter.state())
        except NothingSent:
            return
        assert condition.state in {MachineState.OFFLINE, MachineState.UNKNOWN}
        assert condition.ready is not True

    async def test_state_of_a_mute_station_is_not_healthy(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Silence is unknown, and is found out in time."""
        rig.silent()
        try:
            condition = await self.in_time(adapter.state())
        except NothingSent:
            condition = StationCondition(state=MachineState.UNKNOWN)
        rig.heal()
        assert condition.ready is not True

    @needs("can_be_asked")
    @proves("can_be_asked")
    async def test_fate_of_a_printed_job_is_printed(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """Asked about a job that came out, it says so."""
        assert isinstance(adapter, AsksFate)
        await self.delivered(adapter, order("out"))
        await rig.printed(1)
        assert await self.in_time(adapter.fate("out")) is Fate.PRINTED

    @needs("can_be_asked")
    async def test_fate_after_a_lost_answer_is_printed(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """The question is worth its while: after a lost answer the fate is known."""
        assert isinstance(adapter, AsksFate)
        rig.lose_next_answer()
        await self.tried(adapter, order("mute"))
        await rig.printed(1)
        rig.heal()
        assert await self.in_time(adapter.fate("mute")) is Fate.PRINTED

    @needs("can_be_asked")
    async def test_fate_after_a_cut_is_not_printed(self, rig: Rig, adapter: StationAdapter) -> None:
        """A label that was cut off is unknown to the station, or it can't tell."""
        assert isinstance(adapter, AsksFate)
        rig.cut_next(60)
        await self.tried(adapter, order("cut"))
        rig.heal()
        fate = await self.in_time(adapter.fate("cut"))
        assert fate in {Fate.UNKNOWN_JOB, Fate.CANNOT_TELL}

    @needs("can_be_asked")
    async def test_fate_of_a_job_never_sent_is_not_printed(self, adapter: StationAdapter) -> None:
        """A job that it never saw is not printed and does not wait."""
        assert isinstance(adapter, AsksFate)
        fate = await self.in_time(adapter.fate("never-sent"))
        assert fate in {Fate.UNKNOWN_JOB, Fate.CANNOT_TELL}

    @needs("can_be_asked")
    async def test_fate_from_a_station_that_is_off_is_no_answer(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """No fate is told from memory of our own."""
        assert isinstance(adapter, AsksFate)
        await self.delivered(adapter, order("out"))
        await rig.off()
        with pytest.raises(NothingSent):
            await self.in_time(adapter.fate("out"))

    @needs("counts_labels")
    @proves("counts_labels")
    async def test_count_rises_by_one_a_label(self, rig: Rig, adapter: StationAdapter) -> None:
        """The count is the station's own and follows its labels."""
        assert isinstance(adapter, CountsLabels)
        before = await self.in_time(adapter.labels_printed())
        for n in range(3):
            await self.delivered(adapter, order(f"count-{n}"))
        await rig.printed(3)
        assert before + 3 == await self.in_time(adapter.labels_printed())

    @needs("counts_labels")
    async def test_count_after_a_lost_answer_has_the_label(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """The count outlives the line: the label that came out unheard is in it."""
        assert isinstance(adapter, CountsLabels)
        before = await self.in_time(adapter.labels_printed())
        rig.lose_next_answer()
        await self.tried(adapter, order("mute"))
        await rig.printed(1)
        rig.heal()
        assert await self.in_time(adapter.labels_printed()) == before + 1

    @needs("counts_labels")
    async def test_count_after_a_cut_stands_still(self, rig: Rig, adapter: StationAdapter) -> None:
        """A label that was cut off is not counted."""
        assert isinstance(adapter, CountsLabels)
        before = await self.in_time(adapter.labels_printed())
        rig.cut_next(60)
        await self.tried(adapter, order("cut"))
        rig.heal()
        assert await self.in_time(adapter.labels_printed()) == before

    @needs("counts_labels")
    async def test_count_from_a_station_that_is_off_is_no_answer(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """No count is told from memory of our own."""
        assert isinstance(adapter, CountsLabels)
        await rig.off()
        with pytest.raises(NothingSent):
            await self.in_time(adapter.labels_printed())

    @needs("holds")
    @proves("holds")
    async def test_held_and_released_it_follows(self, rig: Rig, adapter: StationAdapter) -> None:
        """Hold and release reach the station."""
        assert isinstance(adapter, Holds)
        await self.in_time(adapter.hold("kit"))
        await eventually(rig.held, "it was not held")
        await self.in_time(adapter.release())
        await eventually(lambda: not rig.held(), "it was not released")
        await self.delivered(adapter, order("released"))
        assert await rig.printed(1) == ("released",)

    @needs("passes_by")
    @proves("passes_by")
    async def test_goods_that_may_pass_are_told(self, rig: Rig, adapter: StationAdapter) -> None:
        """No-go reaches the station with the goods' own code."""
        assert isinstance(adapter, PassesBy)
        await self.in_time(adapter.pass_by("9521234000001", "kit"))
        await eventually(lambda: "9521234000001" in rig.passed(), "it was not told")

    @needs("passes_by")
    async def test_goods_that_could_not_be_told_to_pass_are_no_success(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """A no-go that nobody heard is `NothingSent`: the gateway logs it and a person can act."""
        assert isinstance(adapter, PassesBy)
        await rig.off()
        with pytest.raises(NothingSent):
            await self.in_time(adapter.pass_by("9521234000001", "kit"))

    @proves("reports")
    async def test_reports_come_once_and_in_order(self, rig: Rig, adapter: StationAdapter) -> None:
        """Each kind of report that is claimed is handed on, whole and in the station's order."""
        sent = [_report(kind) for kind in SignalKind if kind.value in self.claims.reports]
        for signal in sent:
            rig.report(signal)
        heard: list[Signal] = []

        async def listen() -> None:
            async for signal in rig.heard(adapter):
                heard.append(signal)
                if len(heard) == len(sent):
                    return

        if sent:
            async with asyncio.timeout(self.claims.state_within_s):
                await listen()
        assert [_details(signal, rig) for signal in sent] == [
            _of_those(said, signal) for said, signal in zip(heard, sent, strict=True)
        ]

    @needs("reports")
    async def test_reports_of_a_lost_line_end_without_an_error(
        self, rig: Rig, adapter: StationAdapter
    ) -> None:
        """When the line is lost the stream ends or says offline, so that it is opened again."""
        said: list[MachineState | None] = []

        async def listen() -> None:
            async for signal in adapter.signals():
                said.append(signal.state)
                if signal.state is MachineState.OFFLINE:
                    return

        listening = asyncio.create_task(listen(), name="rig listener")
        await asyncio.sleep(0)
        await rig.off()
        async with asyncio.timeout(self.claims.state_within_s + 5):
            await listening


def _report(kind: SignalKind) -> Signal:
    of_an_item = kind in {SignalKind.ITEM_MEASURED, SignalKind.ITEM_PRESENT}
    return Signal(
        kind=kind,
        job_id="reported" if kind in {SignalKind.PRINTED, SignalKind.SEALED} else None,
        code="9521234000001" if of_an_item or kind is SignalKind.SCAN else "",
        state=MachineState.SUSPENDED if kind is SignalKind.STATE else None,
        position=1 if kind is SignalKind.BAG_PULLED else None,
        length_mm=120.0 if of_an_item else None,
        width_mm=80.0 if of_an_item else None,
        height_mm=20.0 if of_an_item else None,
        mass_g=450.0 if of_an_item else None,
    )


def _details(sent: Signal, rig: Rig) -> dict[str, object]:
    """What the report must say: empty where the rig says that its line can't."""
    return {
        name: getattr(Signal(kind=sent.kind), name) if name in rig.unsaid else value
        for name, value in _said(sent).items()
    }


def _of_those(heard: Signal, sent: Signal) -> dict[str, object]:
    return {name: getattr(heard, name) for name in _said(sent)}


def _said(signal: Signal) -> dict[str, object]:
    return {"kind": signal.kind} | signal.model_dump(exclude_defaults=True)
