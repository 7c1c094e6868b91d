"""Every fault that the simulator knows, on both kinds: what printed, what is known, what waits."""

import asyncio
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.engine import Connection

import adapters.printer
from adapters.simulator import Fault, FaultKind
from gateway.dispatch import lane, lane_steps
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import Signal, SignalKind
from tests.service.gateway_rig import RETRY, Rig, order, running, sees, station, until

KINDS = ("simulated", "tcp")
_ASKED = [{"kind": "tcp", "options": {"ask": "zpl-status", "answer_s": 15.0}}]
"""It reads the label before it answers the question behind it: a line that it loses is always seen,
however late, where a line without questions is watched for a moment only."""


@pytest.fixture(autouse=True)
def _a_busy_test_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reset may come late where the processor is shared; and nobody waits for tests."""
    monkeypatch.setattr(adapters.printer, "_RESET_FOLLOWS_S", 0.3)
    monkeypatch.setattr(lane, "ASK_AGAIN_S", 0.05)
    monkeypatch.setattr(lane, "PERSON_WAIT_S", 0.05)


async def _printed_once(rig: Rig, *orders: str) -> None:
    """Each order's label came out once, in the order of the scans."""
    wanted = [await rig.code_of(name) for name in orders]
    machine = rig.stations["s1"]
    await sees(lambda: machine.printed_count >= len(wanted), "the labels to come out")
    assert wanted == [codes[0] for codes in machine.printed_codes]


@pytest.mark.parametrize("kind", KINDS)
async def test_station_that_is_off_and_comes_back_prints_all_in_order(
    tmp_path: Path, kind: str
) -> None:
    """Nothing left us: tried again until it is there, each label once, in order."""
    async with running(tmp_path, station("s1", kind)) as rig:
        rig.stations["s1"].off()
        for name in ("o1", "o2", "o3"):
            await rig.scan("s1", name)

        async def tried() -> bool:
            return "queued" in await rig.moves("o1")

        await until(tried, "a try to fail")
        rig.stations["s1"].on()
        await rig.job_in("o3", "sent", "printed")
        await _printed_once(rig, "o1", "o2", "o3")
        await rig.check_ledger()


@pytest.mark.parametrize("after_bytes", [1, 150, 900])
async def test_line_cut_amid_a_job_of_a_station_that_drops_repeats_is_sent_again(
    tmp_path: Path, after_bytes: int
) -> None:
    """The station says that it has no such job, so no person is asked."""
    async with running(tmp_path, station("s1")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.CUT, after_bytes=after_bytes))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await rig.job_in("o2", "printed")
        await _printed_once(rig, "o1", "o2")
        assert ["station"] == [e.data["by"] for e in await rig.ledger(EntryKind.DOUBT_SETTLED)]


async def test_label_that_may_be_out_can_not_be_cancelled(tmp_path: Path) -> None:
    """Nor moved: its goods would get a second label. Once the station has told, it is as before.

    The machine makes no bag while it is held, so the label waits in it until it is switched off.
    """
    patient = [{"kind": "simulated", "options": {"print_s": 20.0}}]
    async with running(tmp_path, station("s1", lines=patient), station("s2")) as rig:
        machine = rig.stations["s1"]
        machine.hold()
        await rig.scan("s1", "o1")
        await sees(lambda: machine.waiting == 1, "the label to arrive")
        machine.off()
        job = await rig.job_in("o1", "in_doubt")
        assert 409 == (await rig.act(f"/v1/jobs/{job['job_id']}/cancel")).status_code
        moved = await rig.act("/v1/orders/o1/move", to_station="s2")
        assert 409 == moved.status_code
        machine.release()
        machine.on()
        await rig.job_in("o1", "printed")
        await _printed_once(rig, "o1")
        assert 0 == rig.stations["s2"].printed_count


@pytest.mark.parametrize(
    "fault",
    [
        FaultKind.LOSES_LINE,
        FaultKind.ANSWERS_NOTHING,
        FaultKind.GARBAGE,
        FaultKind.REPEATS,
    ],
)
async def test_odd_station_that_drops_repeats_prints_once(tmp_path: Path, fault: FaultKind) -> None:
    """Lost, missing, senseless and doubled answers cost no second label and lose none."""
    async with running(tmp_path, station("s1")) as rig:
        rig.stations["s1"].inject(Fault(fault))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await rig.job_in("o2", "printed")
        assert (await rig.states("o1"))[0] in ("printed", "closed")
        await _printed_once(rig, "o1", "o2")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fault", [FaultKind.SILENT, FaultKind.SLOW])
async def test_station_that_does_not_read_or_is_slow_prints_once(
    tmp_path: Path, kind: str, fault: FaultKind
) -> None:
    """Whatever waits in buffers comes out once the station reads again, and only once."""
    async with running(tmp_path, station("s1", kind)) as rig:
        rig.stations["s1"].inject(Fault(fault, seconds=0.002))
        await rig.scan("s1", "o1")

        async def on_its_way() -> bool:
            return bool(await rig.moves("o1"))

        await until(on_its_way, "the job to be sent")
        if fault is FaultKind.SILENT:
            rig.stations["s1"].heal()
        await rig.job_in("o1", "sent", "printed")
        rig.stations["s1"].heal()
        await rig.scan("s1", "o2")
        await rig.job_in("o2", "sent", "printed")
        await _printed_once(rig, "o1", "o2")


async def test_refused_job_is_set_aside_and_the_lane_goes_on(tmp_path: Path) -> None:
    """A person is asked; "send again" sends it, "give up" ends it."""
    async with running(tmp_path, station("s1")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.REFUSE, times=2))
        for name in ("o1", "o2", "o3"):
            await rig.scan("s1", name)
        await rig.job_in("o3", "printed")
        waiting = (await rig.client.get("/v1/waiting")).json()["jobs"]
        assert [("o1", "refused"), ("o2", "refused")] == [
            (job["order_id"], job["state"]) for job in waiting
        ]
        assert ("send_again", "give_up") == tuple(waiting[0]["answers"])
        await rig.settle(waiting[0]["job_id"], "send_again")
        await rig.settle(waiting[1]["job_id"], "give_up")
        await rig.job_in("o1", "printed")
        assert ["cancelled"] == await rig.states("o2")
        await _printed_once(rig, "o3", "o1")


async def test_station_that_refuses_all_opens_its_breaker(tmp_path: Path) -> None:
    """Faults in a row, of whatever sort, spend the station's budget before its whole lane."""
    retry = {**RETRY, "breaker_faults": 2, "breaker_open_s": 600}
    async with running(tmp_path, station("s1", retry=retry)) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.REFUSE, times=9))
        for number in range(5):
            await rig.scan("s1", f"o{number}")

        async def is_open() -> bool:
            return (await rig.view("s1"))["breaker_open"]

        await until(is_open, "the breaker to open")
        assert [["refused"]] * 2 + [["queued"]] * 3 == [
            await rig.states(f"o{number}") for number in range(5)
        ]


async def _doubt(rig: Rig, *orders: str) -> str:
    """Cut the first order's label; the others wait behind it. The job in doubt."""
    rig.stations["s1"].inject(Fault(FaultKind.CUT, after_bytes=100))
    for name in orders:
        await rig.scan("s1", name)
    job = await rig.job_in(orders[0], "in_doubt")
    job_id: str = job["job_id"]
    return job_id


async def test_doubt_stops_its_own_lane_only(tmp_path: Path) -> None:
    """A raw line can't tell: the lane stands, the others run, and a person is asked plainly."""
    async with running(tmp_path, station("s1", "tcp"), station("s2", "tcp")) as rig:
        job_id = await _doubt(rig, "o1", "o2")
        await rig.scan("s2", "o3")
        await rig.job_in("o3", "sent")
        view = await rig.view("s1")
        assert (job_id, 1) == (view["in_doubt"], view["lane_length"])
        asked = (await rig.client.get("/v1/waiting")).json()["jobs"]
        assert "Did the label of order o1 come out at s1?" == asked[0]["question"]
        assert ["queued"] == await rig.states("o2")
        assert 0 == rig.stations["s1"].printed_count


async def test_doubt_that_a_person_denies_is_sent_again_before_the_rest(tmp_path: Path) -> None:
    """ "Not printed": the same job goes first, then the lane resumes in order."""
    async with running(tmp_path, station("s1", "tcp")) as rig:
        job_id = await _doubt(rig, "o1", "o2")
        assert 204 == (await rig.settle(job_id, "not_printed")).status_code
        await rig.job_in("o2", "sent")
        await _printed_once(rig, "o1", "o2")
        settled = await rig.ledger(EntryKind.DOUBT_SETTLED)
        assert [("person", False, "Tester")] == [
            (e.data["by"], e.data["printed"], e.actor) for e in settled
        ]


@pytest.mark.parametrize(("answer", "state"), [("printed", "printed"), ("thrown_away", "void")])
async def test_doubt_that_a_person_affirms_is_not_sent_again(
    tmp_path: Path, answer: str, state: str
) -> None:
    """ "Printed" and "thrown away" send nothing; the lane resumes behind it."""
    async with running(tmp_path, station("s1", "tcp")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.LOSES_LINE))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        job_id = (await rig.job_in("o1", "in_doubt"))["job_id"]
        assert 1 == rig.stations["s1"].printed_count
        await rig.settle(job_id, answer)
        await rig.job_in("o2", "sent")
        assert [state] == await rig.states("o1") or answer == "printed"
        await _printed_once(rig, "o1", "o2")


async def test_doubt_is_settled_by_the_scan_of_its_label(tmp_path: Path) -> None:
    """What was read from a bag did print: verified, and the lane goes on without a person."""
    async with running(tmp_path, station("s1", "tcp", verify="required")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.LOSES_LINE))
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await rig.job_in("o1", "in_doubt")
        scan = await rig.verify("s1", await rig.code_of("o1"))
        assert ("match", False) == (scan["verdict"], scan["holds_station"])
        rig.stations["s1"].seal()
        await rig.job_in("o2", "sent")
        assert ["verified"] == await rig.states("o1")
        assert ["scan"] == [e.data["by"] for e in await rig.ledger(EntryKind.DOUBT_SETTLED)]


async def test_label_in_doubt_scanned_out_of_its_turn_is_settled_but_not_verified(
    tmp_path: Path,
) -> None:
    """With a bag ahead, the label is read at the printer: it printed, and waits in its row."""
    one = station("s1", verify="required", bags_ahead=1, lines=_ASKED)
    async with running(tmp_path, one) as rig:
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "sent")
        await sees(lambda: rig.stations["s1"].printed_count == 1, "the first label to come out")
        rig.stations["s1"].inject(Fault(FaultKind.LOSES_LINE))
        await rig.scan("s1", "o2")
        await rig.job_in("o2", "in_doubt")
        scan = await rig.verify("s1", await rig.code_of("o2"))
        assert ("other_order", False) == (scan["verdict"], scan["holds_station"])
        assert ["printed"] == await rig.states("o2")
        row = [(bag["position"], bag["order_id"]) for bag in (await rig.view("s1"))["row"]]
        assert [(0, "o1"), (1, "o2")] == row
        assert "match" == (await rig.verify("s1", await rig.code_of("o1")))["verdict"]


async def test_doubt_of_a_printer_that_counts_is_settled_by_asking(tmp_path: Path) -> None:
    """Its counter says whether the label came out: sent again where it did not, else not."""
    async with running(tmp_path, station("s1", "tcp-counted")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.CUT, after_bytes=100))
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed", "sent")
        rig.stations["s1"].inject(Fault(FaultKind.LOSES_LINE))
        for name in ("o2", "o3"):
            await rig.scan("s1", name)
        await rig.job_in("o3", "printed", "sent")
        await _printed_once(rig, "o1", "o2", "o3")
        settled = await rig.ledger(EntryKind.DOUBT_SETTLED)
        assert {"station"} == {entry.data["by"] for entry in settled}
        assert [False, True] == [entry.data["printed"] for entry in settled]


async def test_printer_that_can_not_tell_yet_says_what_is_in_its_way(tmp_path: Path) -> None:
    """It may hold the label while paper is out: a person is told of the paper, then it is asked."""
    async with running(tmp_path, station("s1", "tcp-counted")) as rig:
        machine = rig.stations["s1"]
        machine.inject(Fault(FaultKind.CUT, after_bytes=100))
        await rig.scan("s1", "o1")
        await sees(lambda: not machine.script.coming(FaultKind.CUT), "the cut")
        machine.shown_faults.add("paper out")

        async def told() -> bool:
            return "paper out" in (await rig.view("s1"))["waits_for"]

        await until(told, "the paper to be told")
        assert ["in_doubt"] == await rig.states("o1")
        machine.heal()
        await rig.job_in("o1", "printed", "sent")
        await _printed_once(rig, "o1")


async def test_station_that_is_asked_and_keeps_losing_labels_opens_its_breaker(
    tmp_path: Path,
) -> None:
    """Ask, send, cut, ask: such a station is let be for a while, not hammered."""
    retry = {**RETRY, "breaker_faults": 2, "breaker_open_s": 600}
    patient = [{"kind": "tcp-counted", "options": {"answer_s": 5.0, "connect_s": 5.0}}]
    async with running(tmp_path, station("s1", lines=patient, retry=retry)) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.CUT, after_bytes=100, times=50))
        await rig.scan("s1", "o1")

        async def is_open() -> bool:
            return (await rig.view("s1"))["breaker_open"]

        await until(is_open, "the breaker to open")
        assert 2 == (await rig.jobs("o1"))[0]["attempt"]


async def test_station_that_reports_the_print_settles_its_own_doubt(tmp_path: Path) -> None:
    """A report that names a job in doubt proves that it printed."""
    async with running(tmp_path, station("s1", "tcp")) as rig:
        job_id = await _doubt(rig, "o1", "o2")
        there, signal = rig.gateway.site.station[0], Signal(kind=SignalKind.PRINTED, job_id=job_id)
        await rig.gateway.dispatcher._on_signal(there, signal, 1)
        await rig.job_in("o2", "sent")
        assert ["station"] == [e.data["by"] for e in await rig.ledger(EntryKind.DOUBT_SETTLED)]


async def test_report_that_comes_before_the_receipt_is_not_lost(tmp_path: Path) -> None:
    """The station's own report may be quicker than the answer: printed and counted once."""
    machines = {"s1": {"print_s": 0.2}}
    loaded = [{"bag": "small", "pieces_left": 10, "low_at": 1}]
    one = station("s1", loaded=loaded, verify="required")
    async with running(tmp_path, one, machines=machines) as rig:
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "sending")
        signal = Signal(kind=SignalKind.PRINTED, job_id=job["job_id"])
        await rig.gateway.dispatcher._on_signal(rig.gateway.site.station[0], signal, 1)
        assert ["printed"] == await rig.states("o1")
        await sees(lambda: rig.stations["s1"].printed_count == 1, "the print")
        await rig.verify("s1", await rig.code_of("o1"))
        rig.stations["s1"].seal()
        await rig.scan("s1", "o2")
        await rig.job_in("o2", "printed")
        view = await rig.view("s1")
        assert (["o2"], 8) == (
            [bag["order_id"] for bag in view["row"]],
            view["loaded"][0]["pieces_left"],
        )


async def test_late_report_puts_no_bag_back_into_the_row(tmp_path: Path) -> None:
    """A bag that left the row stays out, however late the station says that it printed."""
    async with running(tmp_path, station("s1", "tcp", verify="required")) as rig:
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "sent")
        await rig.send("bag.advanced", "s1")
        signal = Signal(kind=SignalKind.PRINTED, job_id=job["job_id"])
        await rig.gateway.dispatcher._on_signal(rig.gateway.site.station[0], signal, 1)
        assert ([], ["printed"]) == ((await rig.view("s1"))["row"], await rig.states("o1"))


async def test_report_about_another_stations_job_changes_nothing(tmp_path: Path) -> None:
    """A station can't move, nor close, what another one prints."""
    async with running(tmp_path, station("s1", "tcp"), station("s2", "tcp")) as rig:
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "sent")
        for kind in (SignalKind.PRINTED, SignalKind.SEALED):
            signal = Signal(kind=kind, job_id=job["job_id"])
            await rig.gateway.dispatcher._on_signal(rig.gateway.site.station[1], signal, 1)
        assert ["sent"] == await rig.states("o1")


async def test_same_report_on_another_connection_is_another_report(tmp_path: Path) -> None:
    """Numbers begin anew with each connection: an advance after a reconnect still counts."""
    async with running(tmp_path, station("s1", "tcp", verify="required", bags_ahead=3)) as rig:
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "sent")
        take = rig.gateway.dispatcher._on_signal
        advanced = Signal(kind=SignalKind.BAG_ADVANCED, number=1)
        for connection in (1, 1, 2):
            await take(rig.gateway.site.station[0], advanced, connection)
        assert [1] == [bag["position"] for bag in (await rig.view("s1"))["row"]]


async def test_hold_that_comes_while_a_retry_waits_is_obeyed(tmp_path: Path) -> None:
    """A held station prints nothing, even when it comes back; released, it goes on in order."""
    async with running(tmp_path, station("s1")) as rig:
        rig.stations["s1"].off()
        for name in ("o1", "o2"):
            await rig.scan("s1", name)

        async def tried() -> bool:
            return "queued" in await rig.moves("o1")

        await until(tried, "a try to fail")
        await rig.act("/v1/stations/s1/hold")

        async def waits() -> bool:
            return await rig.states("o1") == ["queued"]

        await until(waits, "the job to wait")
        rig.stations["s1"].on()
        moves = await rig.moves("o1")
        await asyncio.sleep(0.5)  # not for something to happen, but for nothing to
        assert (moves, 0) == (await rig.moves("o1"), rig.stations["s1"].printed_count)
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o2", "printed")
        await _printed_once(rig, "o1", "o2")


async def test_order_cancelled_while_its_retry_waits_is_not_printed(tmp_path: Path) -> None:
    """The next order takes its turn."""
    async with running(tmp_path, station("s1")) as rig:
        rig.stations["s1"].off()
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        job = (await rig.jobs("o1"))[0]

        async def cancelled() -> bool:
            return (await rig.act(f"/v1/jobs/{job['job_id']}/cancel")).status_code == 204

        await until(cancelled, "the cancel to hit the job while it waits")
        rig.stations["s1"].on()
        await rig.job_in("o2", "printed")
        await _printed_once(rig, "o2")


async def test_stop_does_not_wait_for_an_open_breaker(tmp_path: Path) -> None:
    """A station that is let be for ten minutes does not keep the gateway from stopping."""
    retry = {**RETRY, "attempts": 1, "breaker_open_s": 600}
    async with running(tmp_path, station("s1", retry=retry)) as rig:
        rig.stations["s1"].off()
        await rig.scan("s1", "o1")

        async def is_open() -> bool:
            return (await rig.view("s1"))["breaker_open"]

        await until(is_open, "the breaker to open")
        await rig.stop_gateway()
        rig.stations["s1"].on()
        await rig.start_gateway()
        await rig.job_in("o1", "printed")
        await _printed_once(rig, "o1")


async def test_dead_station_slows_no_other(tmp_path: Path) -> None:
    """While one is silent, the other's lane is worked off."""
    async with running(tmp_path, station("s1"), station("s2")) as rig:
        rig.stations["s1"].inject(Fault(FaultKind.SILENT))
        await rig.scan("s1", "a")
        for number in range(10):
            await rig.scan("s2", f"b{number}")
        await rig.job_in("b9", "printed")
        assert 10 == rig.stations["s2"].printed_count
        assert 0 == rig.stations["s1"].printed_count


@pytest.mark.parametrize("kind", KINDS)
async def test_crash_between_the_print_and_its_record(
    tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What printed and was not written down: known by its id, or in doubt; never printed twice."""
    real, breaks = lane_steps.delivered, [True]

    def once(*given: Any) -> None:
        if breaks.pop() if breaks else False:
            raise RuntimeError("the process is gone, as far as this step knows")
        real(*given)

    monkeypatch.setattr(lane_steps, "delivered", once)
    async with running(tmp_path, station("s1", kind)) as rig:
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        if kind == "tcp":
            job = await rig.job_in("o1", "in_doubt")
            await rig.settle(job["job_id"], "printed")
        await rig.job_in("o2", "printed", "sent")
        await _printed_once(rig, "o1", "o2")


async def _fill(rig: Rig) -> None:
    def step(work: Work) -> None:
        pages = work.conn.exec_driver_sql("PRAGMA page_count").scalar_one()
        work.conn.exec_driver_sql(f"PRAGMA max_page_count={pages}")

    await rig.gateway.store.write(step)


async def _make_room(rig: Rig) -> None:
    def direct(conn: Connection) -> None:
        conn.exec_driver_sql("PRAGMA max_page_count=1000000")

    with rig.gateway.store._writer.connect() as conn:
        direct(conn)


async def test_full_disk_refuses_events_and_loses_none_that_was_accepted(tmp_path: Path) -> None:
    """503 while nothing can be written, 202 afterwards; the ledger stays whole."""
    async with running(tmp_path, station("s1")) as rig:
        await rig.scan("s1", "o0")
        await rig.job_in("o0", "printed")
        await _fill(rig)
        events = [
            rig.event("order.scanned", "s1", code=f"o{n}", order=order(f"o{n}"))
            for n in range(1, 4)
        ]
        for event in events:
            # more than the free pages hold: an order's content is kept
            event["data"]["order"] = order(
                event["data"]["code"], references={f"r{n}": "x" * 200 for n in range(400)}
            )
        answers = await asyncio.gather(*(rig.post(event) for event in events))
        assert {503} == {answer.status_code for answer in answers}
        assert all("retry-after" in answer.headers for answer in answers)
        await _make_room(rig)
        answers = await asyncio.gather(*(rig.post(event) for event in events))
        assert {202} == {answer.status_code for answer in answers}
        for name in ("o1", "o2", "o3"):
            await rig.job_in(name, "printed", "closed")
        assert 4 == rig.stations["s1"].printed_count
        await rig.check_ledger()


async def test_receipt_that_cannot_be_written_yet_is_kept_and_makes_no_doubt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store refuses for a while just after a label left: once it takes it, nothing is asked."""
    from sqlalchemy.exc import OperationalError

    real, refusals = lane_steps.delivered, [1, 2, 3]

    def full(*given: Any) -> None:
        if refusals:
            refusals.pop()
            raise OperationalError("INSERT", {}, Exception("database or disk is full"))
        real(*given)

    monkeypatch.setattr(lane_steps, "delivered", full)
    async with running(tmp_path, station("s1", "tcp")) as rig:
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await rig.job_in("o2", "sent")
        assert "in_doubt" not in await rig.moves("o1")
        await _printed_once(rig, "o1", "o2")


async def test_many_faults_at_random_keep_order_and_count(tmp_path: Path) -> None:
    """A rough morning at a station that drops repeats: every label once, in order."""
    async with running(tmp_path, station("s1", max_lane=100)) as rig:
        for kind in (
            FaultKind.CUT, FaultKind.LOSES_LINE, FaultKind.GARBAGE, FaultKind.ANSWERS_NOTHING,
            FaultKind.CUT, FaultKind.REPEATS, FaultKind.LOSES_LINE,
        ):  # fmt: skip
            rig.stations["s1"].inject(Fault(kind, after_bytes=200))
        names = [f"o{number}" for number in range(12)]
        for number, name in enumerate(names):
            await rig.scan("s1", name)
            if number == 6:
                rig.stations["s1"].off()
                asyncio.get_running_loop().call_later(0.2, rig.stations["s1"].on)
        await rig.job_in(names[-1], "printed")
        await _printed_once(rig, *names)
        await rig.check_ledger()
