"""The station's one state as a gateway moves it, and how little a night in it costs the ledger."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.engine import Connection

from adapters.errors import NothingSent
from adapters.simulated import Simulated
from adapters.simulator import Fault, FaultKind
from gateway.clock import SystemClock
from gateway.dispatch import holds, lane, watch
from gateway.store.one_step import one_step
from schemas.ledger import EntryKind
from schemas.station import MachineState, Signal, SignalKind
from tests.rigs.composed import ComposedRig
from tests.rigs.http_station import HttpRig
from tests.service.gateway_rig import RETRY, Rig, running, sees, station, until

_LOOKS = 12
RETRY_SOON = {**RETRY, "breaker_open_s": 0.02}


async def _looked_often(rig: Rig, times: int = _LOOKS) -> None:
    async def often() -> bool:
        return rig.gateway.dispatcher.view("s1").failed_tries >= times

    await until(often, f"{times} looks at the station")


async def _state(rig: Rig, *states: str) -> None:
    async def there() -> bool:
        return (await rig.view("s1"))["state"] in states

    await until(there, f"the station to be {' or '.join(states)}")


async def _station_moves(rig: Rig) -> list[str]:
    return [str(entry.data["to"]) for entry in await rig.ledger(EntryKind.STATION_MOVED)]


async def test_station_that_is_off_all_night_is_told_once(tmp_path: Path) -> None:
    """The first try and the open breaker are entries; the rest is counted, and told last."""
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:
        rig.stations["s1"].off()
        await rig.scan("s1", "o1")
        await _looked_often(rig)
        assert ["sending", "queued"] == await rig.moves("o1")
        assert ["faulted"] == await _station_moves(rig)
        view = await rig.view("s1")
        assert view["state"] == "faulted"
        assert view["breaker_open"]
        assert view["waits_for"]
        assert view["state_since"]
        rig.stations["s1"].on()
        await rig.job_in("o1", "printed")
        *_, last = await rig.ledger(EntryKind.STATION_MOVED)
        assert last.data["to"] == "ready"
        assert isinstance(last.data["tries"], int)
        assert last.data["tries"] > _LOOKS
        assert (await rig.view("s1"))["state"] == "ready"
        assert [{"faulted"}, {"ready"}] == [
            {state for state in ("faulted", "ready") if f'"{state}"' in row["data"]}
            for row in await rig.outgoing("station.moved")
        ]


async def test_station_whose_line_is_back_is_not_told_as_gone(tmp_path: Path) -> None:
    """A station that says nothing when it comes back is asked: its card must not stand for ever."""
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:

        async def says(state: str) -> None:
            async def there() -> bool:
                return bool((await rig.view("s1"))["machine_state"] == state)

            await until(there, f"the machine to be told as {state}")

        await says("idle")
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed")
        rig.stations["s1"].off()
        await says("offline")
        rig.stations["s1"].on()
        await says("idle")
        await rig.scan("s1", "o2")
        await rig.job_in("o2", "printed")
        assert ["idle", "offline", "unknown", "idle"] == [
            entry.data["state"]
            for entry in await rig.ledger(EntryKind.STATION_STATE)
            if entry.data["state"] != "aborted"
        ]


async def test_station_without_labels_is_told_once_and_each_new_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Out of labels, then off, then on: a person sees each, the ledger holds each once."""
    monkeypatch.setattr(lane, "PERSON_WAIT_S", 0.02)
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:
        rig.stations["s1"].shown_faults.add("paper out")
        await rig.scan("s1", "o1")
        await _state(rig, "needs_person")
        await _looked_often(rig)
        assert ["sending", "queued"] == await rig.moves("o1")
        assert {"needs_person"} == set(await _station_moves(rig))
        assert len(await _station_moves(rig)) <= 2  # the try's words, then the look's
        rig.stations["s1"].off()
        await _state(rig, "faulted")
        rig.stations["s1"].shown_faults.clear()
        rig.stations["s1"].on()
        await rig.job_in("o1", "printed")
        assert (await rig.view("s1"))["state"] == "ready"


async def test_station_that_comes_back_with_nothing_to_print_is_ready_again(tmp_path: Path) -> None:
    """The state is durable, and a look is enough to leave it: no label is needed for it."""
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:
        rig.stations["s1"].off()
        await rig.scan("s1", "o1")
        await _state(rig, "faulted")
        await rig.stop_gateway()
        await rig.start_gateway()
        assert (await rig.view("s1"))["state"] == "faulted"
        job = (await rig.jobs("o1"))[0]

        async def cancelled() -> bool:
            return (await rig.act(f"/v1/jobs/{job['job_id']}/cancel")).status_code == 204

        await until(cancelled, "the cancel to hit the job while it waits")
        rig.stations["s1"].on()
        await _state(rig, "ready")
        assert 0 == rig.stations["s1"].printed_count


async def test_released_station_whose_job_is_in_doubt_goes_back_to_its_doubt(
    tmp_path: Path,
) -> None:
    """A hold outranks a doubt and does not settle it; one settled under it leaves it."""
    async with running(tmp_path, station("s1", "tcp")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.CUT, after_bytes=100))
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "in_doubt")
        assert (await rig.view("s1"))["state"] == "in_doubt"
        await rig.act("/v1/stations/s1/hold")
        assert (await rig.view("s1"))["state"] == "held"
        await rig.act("/v1/stations/s1/release")
        assert (await rig.view("s1"))["state"] == "in_doubt"
        await rig.act("/v1/stations/s1/hold")
        assert 204 == (await rig.settle(job["job_id"], "printed")).status_code
        assert (await rig.view("s1"))["state"] == "held"
        await rig.act("/v1/stations/s1/release")
        assert (await rig.view("s1"))["state"] == "ready"
        await rig.check_ledger()


async def _machine(rig: Rig, state: str, detail: str = "") -> None:
    async def there() -> bool:
        view = await rig.view("s1")
        return (view["machine_state"], view["state_detail"]) == (state, detail)

    await until(there, f"the machine to be {state} {detail}")


async def test_printer_that_only_answers_is_watched_while_nothing_is_sent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Paper that ran out in the night shows before the morning's first order, each change once."""
    monkeypatch.setattr(watch, "WATCH_S", 0.05)
    asked = [{"kind": "tcp", "options": {"ask": "zpl-status"}}]
    async with running(tmp_path, station("s1", lines=asked)) as rig:
        await _machine(rig, "idle")
        rig.stations["s1"].shown_faults.add("paper out")
        await _machine(rig, "held", "paper out")
        rig.stations["s1"].shown_faults.clear()
        await _machine(rig, "idle")
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "sent", "printed")
        states = [entry.data["state"] for entry in await rig.ledger(EntryKind.STATION_STATE)]
        assert ["idle", "held", "idle"] == states


async def test_printer_that_is_switched_off_while_nothing_is_sent_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not reached, and back: without an order that would have found it out."""
    monkeypatch.setattr(watch, "WATCH_S", 0.05)
    asked = [{"kind": "tcp", "options": {"ask": "zpl-status", "connect_s": 0.5}}]
    async with running(tmp_path, station("s1", lines=asked)) as rig:
        await _machine(rig, "idle")
        rig.stations["s1"].off()

        async def gone() -> bool:
            return bool((await rig.view("s1"))["machine_state"] == "offline")

        await until(gone, "the printer to be told as gone")
        rig.stations["s1"].on()
        await _machine(rig, "idle")


async def test_what_a_machine_reports_counts_for_more_than_its_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That a new roll must be told is not wiped out by an answer that all is well."""
    monkeypatch.setattr(watch, "WATCH_S", 0.02)
    async with running(tmp_path, station("s1")) as rig:
        await _machine(rig, "idle")
        changed = Signal(kind=SignalKind.FILM_CHANGED, detail="a new roll")
        rig.stations["s1"].report(changed)
        await _machine(rig, "suspended", "a new roll")
        await asyncio.sleep(0.2)
        await _machine(rig, "suspended", "a new roll")


async def test_machine_is_told_of_a_hold_and_of_its_end(tmp_path: Path) -> None:
    """It makes no bag of its own accord meanwhile, and the next label comes out after."""
    async with running(tmp_path, station("s1")) as rig:
        await rig.act("/v1/stations/s1/hold")
        machine = rig.stations["s1"]
        await sees(lambda: machine.cycle.state is MachineState.HELD, "the machine to be held")
        await rig.scan("s1", "o1")
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o1", "printed")
        assert machine.cycle.state is not MachineState.HELD


async def test_machine_that_was_told_to_hold_is_let_go_after_a_restart(tmp_path: Path) -> None:
    """Released while no gateway ran: the next one knows that the machine still waits for it."""
    async with running(tmp_path, station("s1")) as rig:
        await rig.act("/v1/stations/s1/hold")
        machine = rig.stations["s1"]
        await sees(lambda: machine.cycle.state is MachineState.HELD, "the machine to be held")
        await rig.stop_gateway()
        one_step(
            f"sqlite:///{rig.db}",
            SystemClock(),
            lambda work: holds.release(work, "s1", "looked", "Tester"),
        )
        await rig.start_gateway()
        await sees(lambda: machine.cycle.state is not MachineState.HELD, "it to be let go")
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed")


async def test_machine_that_is_off_while_its_station_is_held_stops_nothing(tmp_path: Path) -> None:
    """It can't be told, and nothing is sent anyway; it is let go once it is back."""
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:
        rig.stations["s1"].off()
        assert 204 == (await rig.act("/v1/stations/s1/hold")).status_code
        assert 204 == (await rig.act("/v1/stations/s1/release")).status_code
        await rig.scan("s1", "o1")
        rig.stations["s1"].on()
        await rig.job_in("o1", "printed")


@pytest.mark.parametrize("held", [True, False])
async def test_lane_that_rests_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, held: bool
) -> None:
    """It looks at its station now and then, and does not turn round and round meanwhile."""
    monkeypatch.setattr(watch, "WATCH_S", 0.2)
    asked = [{"kind": "tcp", "options": {"ask": "zpl-status"}}]
    async with running(tmp_path, station("s1", lines=asked)) as rig:
        await _machine(rig, "idle")
        if held:
            await rig.act("/v1/stations/s1/hold")
        real, looks = rig.gateway.store.glance, []

        async def counted(run: Callable[[Connection], Any]) -> Any:
            looks.append(run)
            return await real(run)

        monkeypatch.setattr(rig.gateway.store, "glance", counted)
        await asyncio.sleep(1.0)
        assert 1 <= len(looks) <= 20


async def test_machine_that_reports_and_is_gone_without_a_word_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A station over HTTP has no line whose loss is seen: it is asked, and asked again."""
    monkeypatch.setattr(watch, "WATCH_S", 0.05)
    machine = HttpRig()
    await machine.station.start()
    line = {"kind": "http", "options": {**machine.options(), "connect_s": 0.2}}
    async with running(tmp_path, station("s1") | {"lines": [line]}) as rig:
        await _machine(rig, "idle")
        machine.station.off()

        async def gone() -> bool:
            return bool((await rig.view("s1"))["machine_state"] == "offline")

        await until(gone, "it to be told as gone")
        machine.station.on()
        await _machine(rig, "idle")
        machine.station.shown_faults.add("paper out")

        async def out() -> bool:
            return "paper out" in (await rig.view("s1"))["state_detail"]

        await until(out, "the paper to be told as out")
        machine.station.shown_faults.clear()
        await _machine(rig, "idle")
    await machine.stop()


async def test_machine_that_can_not_be_told_to_go_on_stops_no_label(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A courtesy that a station doesn't know is no gate: where it is ready, its labels come."""

    async def unknown(_: Simulated) -> None:
        raise NothingSent("answered 404")

    monkeypatch.setattr(Simulated, "hold", lambda *_: unknown(_[0]))
    monkeypatch.setattr(Simulated, "release", unknown)
    async with running(tmp_path, station("s1")) as rig:
        await rig.act("/v1/stations/s1/hold")
        await rig.scan("s1", "o1")
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o1", "printed")
        assert not (await rig.view("s1"))["waits_for"]


async def test_machine_that_is_off_when_it_is_to_go_on_stands(tmp_path: Path) -> None:
    """Nobody could tell it: that is a fault of the station, seen and counted as one."""
    async with running(tmp_path, station("s1", retry=RETRY_SOON)) as rig:
        machine = rig.stations["s1"]
        await rig.act("/v1/stations/s1/hold")
        await sees(lambda: machine.cycle.state is MachineState.HELD, "the machine to be held")
        machine.off()
        await rig.act("/v1/stations/s1/release")
        await rig.scan("s1", "o1")
        await _state(rig, "faulted")
        assert "can't be told" in (await rig.view("s1"))["waits_for"]
        machine.on()
        await rig.job_in("o1", "printed")
        await _state(rig, "ready")


async def test_machine_that_was_switched_off_while_held_is_told_again(tmp_path: Path) -> None:
    """It knows of no hold after that, and would make bags of its own accord."""
    async with running(tmp_path, station("s1")) as rig:
        machine = rig.stations["s1"]
        await rig.act("/v1/stations/s1/hold")
        await sees(lambda: machine.cycle.state is MachineState.HELD, "the machine to be held")
        machine.off()
        machine.release()
        machine.on()
        await sees(lambda: machine.cycle.state is MachineState.HELD, "it to be held again")


async def test_station_that_is_off_when_the_gateway_starts_shows(tmp_path: Path) -> None:
    """What it said yesterday is not what it is."""
    async with running(tmp_path, station("s1")) as rig:
        await rig.stop_gateway()
        rig.stations["s1"].off()
        await rig.start_gateway()

        async def gone() -> bool:
            return bool((await rig.view("s1"))["machine_state"] == "offline")

        await until(gone, "it to be told as gone")


async def test_printer_of_a_composed_station_is_watched_though_its_machine_reports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine that says "idle" says nothing of the printer beside it."""
    monkeypatch.setattr(watch, "WATCH_S", 0.05)
    far = ComposedRig()
    await far.start()
    lines = [
        {"kind": "tcp-counted", "role": "printer", "options": dict(far.printer.options())},
        {"kind": "modbus", "role": "machine", "options": dict(far.machine.options())},
    ]
    async with running(tmp_path, station("s1") | {"lines": lines}) as rig:

        async def is_well() -> bool:
            view = await rig.view("s1")
            return view["machine_state"] not in ("unknown", "offline", "held")

        async def is_gone() -> bool:
            return bool((await rig.view("s1"))["machine_state"] == "offline")

        await until(is_well, "both to be known")
        await far.printer.off()
        await until(is_gone, "the printer to be told as gone")
        await far.printer.on()
        await until(is_well, "both to be well again")
    await far.stop()
