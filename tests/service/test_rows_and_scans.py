"""Bags between print and load, verifying scans, holds and repairs, on real stations."""

from pathlib import Path
from typing import Any

import pytest

from adapters.simulator import Fault, FaultKind
from schemas.ledger import EntryKind
from schemas.station import Signal, SignalKind
from tests.service.gateway_rig import PERSON, Rig, order, running, sees, station, until


def bench(ahead: int, kind: str = "tcp", **more: Any) -> dict[str, Any]:
    """A station whose finished bags must be scanned."""
    return station("s1", kind, verify="required", bags_ahead=ahead, **more)


async def _row(rig: Rig) -> list[tuple[int, str]]:
    return [(bag["position"], bag["order_id"]) for bag in (await rig.view("s1"))["row"]]


async def _row_is(rig: Rig, *orders: str) -> None:
    async def look() -> bool:
        return [name for _, name in await _row(rig)] == list(orders)

    await until(look, f"the row to be {orders}")


async def _verified(rig: Rig, order_id: str) -> None:
    """Scan the order's label at the loading position, then take the bag away."""
    scan = await rig.verify("s1", await rig.code_of(order_id))
    assert ("match", order_id) == (scan["verdict"], scan["order_id"]), scan["text"]
    rig.stations["s1"].seal()


@pytest.mark.parametrize("ahead", [0, 1, 2, 3])
@pytest.mark.parametrize("kind", ["tcp", "simulated"])
async def test_bags_ahead_go_through_the_row_to_their_own_goods(
    tmp_path: Path, ahead: int, kind: str
) -> None:
    """A bag stands where its machine has it, and is loaded when it reaches the hands."""
    names = [f"o{number}" for number in range(ahead + 3)]
    async with running(tmp_path, bench(ahead, kind)) as rig:
        for name in names:
            await rig.scan("s1", name)
        for number, name in enumerate(names[:3]):
            await _row_is(rig, *names[number : number + ahead + 1])
            view = await rig.view("s1")
            assert (name, list(range(ahead + 1))) == (
                view["load_now"]["order_id"],
                [bag["position"] for bag in view["row"]],
            )
            machine = rig.stations["s1"]
            await sees(lambda m=machine: m.row()[0] is not None, "the bag at the hands")  # type: ignore[misc]
            there = machine.row()[0]
            assert there is not None
            assert await rig.code_of(name) == there.codes[0]
            await _verified(rig, name)
        told = [row["data"] for row in await rig.outgoing("station.load-now")]
        assert any(f'"{names[0]}"' in data for data in told)


async def test_row_survives_a_restart(tmp_path: Path) -> None:
    """The row is durable: after a stop and a start the same bag is due."""
    async with running(tmp_path, bench(2)) as rig:
        for name in ("o1", "o2", "o3"):
            await rig.scan("s1", name)
        await _row_is(rig, "o1", "o2", "o3")
        before = await _row(rig)
        await rig.stop_gateway()
        await rig.start_gateway()
        assert before == await _row(rig)
        await _verified(rig, "o1")


async def test_row_follows_bags_that_advance_and_are_pulled(tmp_path: Path) -> None:
    """Reports of the machine move the row; a pulled bag is void and those behind move up."""
    async with running(tmp_path, bench(3, "simulated")) as rig:
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await _row_is(rig, "o1", "o2")
        rig.stations["s1"].advance()
        await until(lambda: _is(rig, [(1, "o1"), (2, "o2")]), "the row to advance")
        rig.stations["s1"].pull(1)
        await until(lambda: _is(rig, [(1, "o2")]), "the pulled bag to be void")
        assert ["void"] == await rig.states("o1")


async def _is(rig: Rig, row: list[tuple[int, str]]) -> bool:
    return await _row(rig) == row


async def test_bag_that_leaves_without_a_scan_holds_the_station(tmp_path: Path) -> None:
    """It is named, can be found and verified later, and the lane stands until someone says so."""
    async with running(tmp_path, bench(0)) as rig:
        await rig.scan("s1", "o1")
        await _row_is(rig, "o1")
        await rig.send("bag.advanced", "s1")
        view = await rig.view("s1")
        assert ("left_unscanned", []) == (view["held"]["kind"], view["row"])
        code = await rig.code_of("o1")
        assert (await rig.verify("s1", code))["holds_station"]
        assert 204 == (await rig.act("/v1/stations/s1/release")).status_code
        assert "match" == (await rig.verify("s1", code))["verdict"]
        assert ["verified"] == await rig.states("o1")


async def test_double_scan_is_recognised(tmp_path: Path) -> None:
    """The trigger pulled twice changes nothing; the same code a third time is a second label."""
    async with running(tmp_path, bench(0)) as rig:
        await rig.scan("s1", "o1")
        await _row_is(rig, "o1")
        code = await rig.code_of("o1")
        seen = [(await rig.verify("s1", code)) for _ in range(3)]
        assert [("match", False), ("repeat", False), ("old_label", True)] == [
            (scan["verdict"], scan["holds_station"]) for scan in seen
        ]


async def test_label_that_came_out_twice_is_caught_by_the_scan(tmp_path: Path) -> None:
    """A station that prints a label twice: the second bag can't pass as the next order's."""
    async with running(tmp_path, bench(0, "simulated")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.TWICE))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await _row_is(rig, "o1")
        await _verified(rig, "o1")
        await _row_is(rig, "o2")
        scan = await rig.verify("s1", await rig.code_of("o1"))
        assert scan["verdict"] in ("repeat", "old_label")
        assert ["printed"] == await rig.states("o2")


@pytest.mark.parametrize("fault", [FaultKind.SAYS_PRINTED])
async def test_station_that_lies_is_found_out_by_the_row(tmp_path: Path, fault: FaultKind) -> None:
    """It said printed and printed nothing: the next bag's code shows that one is missing."""
    async with running(tmp_path, bench(1, "simulated")) as rig:
        rig.stations["s1"].inject(Fault(fault))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await _row_is(rig, "o1", "o2")
        scan = await rig.verify("s1", await rig.code_of("o2"))
        assert ("shifted", 1, True) == (
            scan["verdict"],
            scan["shifted_by"],
            scan["holds_station"],
        )


async def test_wrong_label_holds_the_station_and_names_its_order(tmp_path: Path) -> None:
    """The lane stands; the order that the code belongs to is named; no scan passes then."""
    async with running(tmp_path, bench(0), station("s2", "tcp", verify="required")) as rig:
        await rig.scan("s1", "o1")
        await rig.scan("s2", "o2")
        await _row_is(rig, "o1")
        await rig.job_in("o2", "sent")
        scan = await rig.verify("s1", await rig.code_of("o2"))
        assert ("other_station", "o2", "s2", True) == (
            scan["verdict"],
            scan["belongs_to_order"],
            scan["belongs_to_station"],
            scan["holds_station"],
        )
        await rig.scan("s1", "o3")
        right = await rig.verify("s1", await rig.code_of("o1"))
        assert right["holds_station"]
        assert ["sent"] == await rig.states("o1")
        assert ["queued"] == await rig.states("o3")
        held = await rig.ledger(EntryKind.STATION_HELD)
        assert [("other_station", scan["text"])] == [(e.data["hold"], e.data["text"]) for e in held]
        assert 1 == len(await rig.outgoing("station.held"))


@pytest.mark.parametrize("body", [{}, {"reason": "x"}, {"by": "x"}, {"reason": "", "by": "x"}])
async def test_release_demands_reason_and_name(tmp_path: Path, body: dict[str, str]) -> None:
    """Nobody lets a held station go on without saying why and who."""
    async with running(tmp_path, bench(0)) as rig:
        await rig.act("/v1/stations/s1/hold")
        refused = await rig.client.post("/v1/stations/s1/release", json=body)
        assert (422, True) == (refused.status_code, bool(refused.json()["fields"]))
        assert (await rig.view("s1"))["held"]


async def test_release_is_kept_with_reason_and_name(tmp_path: Path) -> None:
    """The ledger says who held, who let go, and why; two people at once: the second gets 409."""
    async with running(tmp_path, bench(0)) as rig:
        assert 204 == (await rig.act("/v1/stations/s1/hold")).status_code
        assert 409 == (await rig.act("/v1/stations/s1/hold")).status_code
        assert 204 == (await rig.act("/v1/stations/s1/release")).status_code
        again = await rig.act("/v1/stations/s1/release")
        assert (409, "urn:bagrelay:problem:not-allowed-now") == (
            again.status_code,
            again.json()["type"],
        )
        (held,) = await rig.ledger(EntryKind.STATION_HELD)
        (freed,) = await rig.ledger(EntryKind.STATION_RELEASED)
        assert ("Tester", "Tester", "looked at it") == (
            held.actor,
            freed.actor,
            freed.data["reason"],
        )


async def test_three_tries_without_a_read_hold_the_station(tmp_path: Path) -> None:
    """Two may pass; the third holds; a read in between begins the count anew."""
    async with running(tmp_path, bench(0)) as rig:
        await rig.scan("s1", "o1")
        await _row_is(rig, "o1")
        code = await rig.code_of("o1")
        assert not (await rig.verify("s1", None))["holds_station"]
        assert not (await rig.verify("s1", None))["holds_station"]
        await rig.verify("s1", code)
        held = [(await rig.verify("s1", None))["holds_station"] for _ in range(3)]
        assert [False, False, True] == held
        assert "no_read" == (await rig.view("s1"))["held"]["kind"]


async def _shifted(rig: Rig) -> None:
    """Three bags out, the one at the hands vanishes unseen, the next one is scanned."""
    for name in ("o1", "o2", "o3"):
        await rig.scan("s1", name)
    await _row_is(rig, "o1", "o2", "o3")
    await sees(lambda: rig.stations["s1"].row()[0] is not None, "the bag at the hands")
    rig.stations["s1"].pull(0, seen=False)
    there = rig.stations["s1"].row()[0]
    assert there is not None
    scan = await rig.verify("s1", there.codes[0])
    assert ("shifted", 1, "o2") == (scan["verdict"], scan["shifted_by"], scan["belongs_to_order"])


async def test_shifted_row_is_repaired_as_planned(tmp_path: Path) -> None:
    """Void what is gone, print it again behind the printed rest, and load the right goods after."""
    async with running(tmp_path, bench(2)) as rig:
        await _shifted(rig)
        old_code = await rig.code_of("o1")
        plan = (await rig.client.get("/v1/stations/s1/repair")).json()
        assert (["o1"], "o2") == (plan["orders"], plan["next_to_load"])
        assert 200 == (await rig.act("/v1/stations/s1/repair", void=plan["void"])).status_code
        assert (await rig.view("s1"))["held"] is None
        await _verified(rig, "o2")
        await _row_is(rig, "o3", "o1")
        await _verified(rig, "o3")
        rig.stations["s1"].advance()
        await rig.send("bag.advanced", "s1")
        await _verified(rig, "o1")
        assert await rig.code_of("o1") != old_code
        assert ["void", "verified"] == await rig.states("o1")
        assert "old_label" == (await rig.verify("s1", old_code))["verdict"]


async def test_missing_bags_are_printed_again_before_what_waits(tmp_path: Path) -> None:
    """Their goods lie at the station; what was scanned since comes after them, in its order."""
    async with running(tmp_path, bench(2)) as rig:
        await _shifted(rig)
        for name in ("o4", "o5"):
            await rig.scan("s1", name)
        plan = (await rig.client.get("/v1/stations/s1/repair")).json()
        (again,) = (await rig.act("/v1/stations/s1/repair", void=plan["void"])).json()
        for name in ("o2", "o3"):
            await _verified(rig, name)
            rig.stations["s1"].advance()
            await rig.send("bag.advanced", "s1")
        await rig.job_in("o5", "sent", "printed")
        queued = [
            entry.job_id
            for entry in await rig.ledger(EntryKind.JOB_MOVED)
            if entry.data["to"] == "sending" and entry.order_id in ("o1", "o4", "o5")
        ]
        assert [again, *[job["job_id"] for job in await rig.jobs("o4")]] == queued[1:3]


async def test_full_row_says_what_the_next_label_waits_for(tmp_path: Path) -> None:
    """Nothing is wrong, and still the lane stands: the page must not be silent about it."""
    async with running(tmp_path, bench(0)) as rig:
        await rig.scan("s1", "o1")
        await _row_is(rig, "o1")
        assert not (await rig.view("s1"))["waits_for"]
        await rig.scan("s1", "o2")
        assert "must be scanned first" in (await rig.view("s1"))["waits_for"]
        await _verified(rig, "o1")
        await _row_is(rig, "o2")
        assert not (await rig.view("s1"))["waits_for"]


async def test_repair_is_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A repair that fails half-way leaves row, jobs, hold and ledger as they were."""
    from gateway import desk

    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("half-way")

    async with running(tmp_path, bench(2)) as rig:
        await _shifted(rig)
        plan = (await rig.client.get("/v1/stations/s1/repair")).json()
        before = await _row(rig), len(await rig.ledger()), await rig.states("o1")
        with monkeypatch.context() as patch:
            patch.setattr(desk.holds, "release", breaks)
            broken = await rig.act("/v1/stations/s1/repair", void=plan["void"])
        assert 500 == broken.status_code
        assert before == (await _row(rig), len(await rig.ledger()), await rig.states("o1"))
        assert (await rig.view("s1"))["held"]
        assert 200 == (await rig.act("/v1/stations/s1/repair", void=plan["void"])).status_code
        await rig.check_ledger()


async def test_repair_of_a_row_that_has_changed_is_refused(tmp_path: Path) -> None:
    """Two people at the same hold: the second approval names what is no longer so."""
    async with running(tmp_path, bench(2)) as rig:
        await _shifted(rig)
        plan = (await rig.client.get("/v1/stations/s1/repair")).json()
        await rig.send("bag.pulled", "s1", position=0)
        assert 409 == (await rig.act("/v1/stations/s1/repair", void=plan["void"])).status_code
        assert 404 == (await rig.act("/v1/stations/s1/repair", void=["j-other"])).status_code


async def test_shift_with_a_gap_ahead_repairs_to_the_loading_position(tmp_path: Path) -> None:
    """The bag that was scanned stands at the hands, wherever the row had it."""
    async with running(tmp_path, bench(3)) as rig:
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await _row_is(rig, "o1", "o2")
        assert [(2, "o1"), (3, "o2")] == await _row(rig)
        await rig.verify("s1", await rig.code_of("o2"))
        plan = (await rig.client.get("/v1/stations/s1/repair")).json()
        assert 200 == (await rig.act("/v1/stations/s1/repair", void=plan["void"])).status_code
        assert (0, "o2") == (await _row(rig))[0]


async def test_pull_of_a_place_without_a_bag_is_refused(tmp_path: Path) -> None:
    """409, with the bags that are there."""
    async with running(tmp_path, bench(1)) as rig:
        answer = await rig.post(rig.event("bag.pulled", "s1", position=0))
        assert (409, "urn:bagrelay:problem:not-allowed-now") == (
            answer.status_code,
            answer.json()["type"],
        )


async def test_station_without_a_scan_closes_its_bags_when_sealed(tmp_path: Path) -> None:
    """Where no scan is demanded, the seal is the end of a job."""
    async with running(tmp_path, station("s1", "tcp", verify="none")) as rig:
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "sent")
        await rig.send("bag.sealed", "s1")
        assert ["closed"] == await rig.states("o1")


async def test_order_that_waited_too_long_is_shown_and_printed_when_told(tmp_path: Path) -> None:
    """Stale: the goods may have left. "Send again" prints it, once; "give up" never does."""
    from gateway.clock import ManualClock

    clock = ManualClock()
    async with running(tmp_path, station("s1", "tcp"), clock=clock) as rig:
        await rig.act("/v1/stations/s1/hold")
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        clock.advance(3600)
        await rig.scan("s1", "o3")
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o3", "sent")
        waiting = (await rig.client.get("/v1/waiting")).json()["jobs"]
        assert [("o1", "stale"), ("o2", "stale")] == [(j["order_id"], j["state"]) for j in waiting]
        await rig.settle(waiting[0]["job_id"], "send_again")
        await rig.settle(waiting[1]["job_id"], "give_up")
        await rig.job_in("o1", "sent")
        assert ["cancelled"] == await rig.states("o2")
        assert 2 == rig.stations["s1"].printed_count


async def test_order_whose_station_was_off_too_long_is_shown_too(tmp_path: Path) -> None:
    """Tries that sent nothing don't make an old order fresh."""
    from gateway.clock import ManualClock

    clock = ManualClock()
    async with running(tmp_path, station("s1", "tcp"), clock=clock) as rig:
        rig.stations["s1"].off()
        await rig.scan("s1", "o1")

        async def tried() -> bool:
            return "queued" in await rig.moves("o1")

        await until(tried, "a try to fail")
        clock.advance(3600)
        await rig.job_in("o1", "stale")
        rig.stations["s1"].on()
        assert 0 == rig.stations["s1"].printed_count


async def test_clock_that_is_set_back_loses_and_repeats_nothing(tmp_path: Path) -> None:
    """Wall time jumps both ways; order, row and verdicts hold."""
    from gateway.clock import ManualClock

    clock = ManualClock()
    async with running(tmp_path, bench(1), clock=clock) as rig:
        for number, jump in enumerate((0, -7200, 5000, -10)):
            clock.jump_wall(jump)
            await rig.scan("s1", f"o{number}")
            if number:
                await _row_is(rig, f"o{number - 1}", f"o{number}")
                await _verified(rig, f"o{number - 1}")
        await rig.check_ledger()


async def test_measured_size_is_forgotten_in_time(tmp_path: Path) -> None:
    """A reading of an hour ago belongs to other goods."""
    from gateway.clock import ManualClock

    clock = ManualClock()
    big = {"size": {"length": 900, "width": 800, "height": 700}}
    one = station("s1", "tcp", measures_items=True)
    async with running(tmp_path, one, clock=clock) as rig:
        await rig.send("item.measured", "s1", code="o1", measured=big)
        await rig.send("item.measured", "s1", code="o2", measured=big)
        assert "manual" == (await rig.scan("s1", "o1"))["outcome"]
        clock.advance(3600)
        assert "queued" == (await rig.scan("s1", "o2"))["outcome"]


async def test_hands_free_item_is_packed_by_a_signal_of_the_line(tmp_path: Path) -> None:
    """Item seen, code read, decided, printed: no person, no HTTP."""
    import sys

    sys.path.insert(0, str(Path(__file__).parents[2] / "examples"))
    from wms import FakeWms

    from schemas.order import Order

    with FakeWms([Order.model_validate(order("o1", ship_to=PERSON))]) as wms:
        async with running(tmp_path, station("s1"), wms={"url": wms.order_url}) as rig:
            await sees(lambda: bool(rig.stations["s1"].listeners), "the gateway to listen")
            rig.stations["s1"].report(Signal(kind=SignalKind.ITEM_PRESENT, code="o1"))
            await sees(lambda: rig.stations["s1"].printed_count == 1, "the label")
