"""A station that reports over HTTP proves itself by its signature; nobody else can speak for it."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from adapters.callbacks import HEADER, sign
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import MachineState, Signal, SignalKind
from tests.rigs.http_station import SECRET, HttpRig
from tests.service.gateway_rig import Rig, running, station, until


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """One station that takes its jobs over HTTP."""
    machine = HttpRig()
    await machine.station.start()
    web = station("web") | {"lines": [{"kind": "http", "options": dict(machine.options())}]}
    async with running(tmp_path, web) as running_rig:
        yield running_rig
    await machine.stop()


def _report(number: int, detail: str) -> bytes:
    signal = Signal(kind=SignalKind.STATE, number=number, state=MachineState.HELD, detail=detail)
    return signal.model_dump_json(exclude_none=True).encode()


async def _post(rig: Rig, body: bytes, signature: str) -> int:
    path = "/v1/stations/web/reports"
    answer = await rig.client.post(path, content=body, headers={HEADER: signature})
    return answer.status_code


async def test_signed_report_reaches_the_ledger_once(rig: Rig) -> None:
    """A report with the station's signature is taken; played again it does nothing."""
    body = _report(1, "guard open")
    for _ in range(2):
        assert 202 == await _post(rig, body, sign(SECRET.encode(), "web", body))

    async def told() -> bool:
        return ["guard open"] == await _told_states(rig)

    await until(told, "the state to be recorded")


@pytest.mark.parametrize("signature", ["", "v1=00", sign(b"another", "web", b"x")])
async def test_report_without_the_right_signature_is_refused(rig: Rig, signature: str) -> None:
    """Without the secret nobody can hold a station, or say that its bags advanced."""
    assert 401 == await _post(rig, _report(1, "forged"), signature)
    assert [] == await _told_states(rig)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (b'{"kind":"scan","number":1,"positon":0}', "positon"),
        (b'{"kind":"state","number":1,"state":"asleep"}', "state"),
        (b'{"kind":"scan","code":"1"}', "number"),
        (b"not json", "."),
    ],
)
async def test_signed_report_that_makes_no_sense_is_told_which_field(
    rig: Rig, body: bytes, field: str
) -> None:
    """Who can sign has the right secret: 401 would send them looking for another one."""
    answer = await rig.client.post(
        "/v1/stations/web/reports",
        content=body,
        headers={HEADER: sign(SECRET.encode(), "web", body)},
    )
    assert 422 == answer.status_code
    assert [field] == [each["field"] for each in answer.json()["fields"]]


async def test_report_for_a_station_that_does_not_report_is_not_found(rig: Rig) -> None:
    """A name that nobody bears is no way in."""
    path = "/v1/stations/nobody/reports"
    answer = await rig.client.post(path, content=b"{}", headers={HEADER: "v1=00"})
    assert 404 == answer.status_code


async def test_report_played_again_after_a_restart_does_nothing(rig: Rig) -> None:
    """What was said yesterday is not said today: the number outlives the gateway."""
    said = []
    for number, detail in ((7, "guard open"), (8, "guard closed")):
        body = _report(number, detail)
        said.append(body)
        assert 202 == await _post(rig, body, sign(SECRET.encode(), "web", body))

    async def told(last: str) -> bool:
        return last in (await _told_states(rig))[-1:]

    await until(lambda: told("guard closed"), "both to be recorded")
    await rig.stop_gateway()
    await rig.start_gateway()
    said.append(_report(9, "guard open again"))
    answers = [await _post(rig, body, sign(SECRET.encode(), "web", body)) for body in said]
    assert [409, 202, 202] == answers, "the last one again is a repeat, one before it is too old"
    await until(lambda: told("guard open again"), "the new one to be recorded")
    assert ["guard open", "guard closed", "guard open again"] == await _told_states(rig)


async def test_report_is_answered_only_once_it_is_kept(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the store takes nothing the station hears 503 and says it again: nothing is lost."""
    real, away = Work.flush, [1, 2]

    def full(work: Work) -> None:
        if away and any(b"guard open" in entry["canonical"] for entry in work.entries):  # type: ignore[operator]
            away.pop()
            raise OperationalError("INSERT", {}, Exception("database or disk is full"))
        real(work)

    monkeypatch.setattr(Work, "flush", full)
    body = _report(1, "guard open")
    signature = sign(SECRET.encode(), "web", body)
    assert [503, 503, 202, 202] == [await _post(rig, body, signature) for _ in range(4)]
    assert ["guard open"] == await _told_states(rig)


async def test_report_that_reaches_another_gateway_is_kept_by_that_one(rig: Rig) -> None:
    """Behind a balancer any gateway may be asked, not only the one that sends to the station."""
    rig.gateway.dispatcher._leases.clear()
    assert not rig.gateway.dispatcher.owns("web")
    body = _report(1, "guard open")
    assert 202 == await _post(rig, body, sign(SECRET.encode(), "web", body))
    assert ["guard open"] == await _told_states(rig)


async def _told_states(rig: Rig) -> list[str]:
    """What the station itself said; that it was asked at the start is told too."""
    entries = await rig.ledger(EntryKind.STATION_STATE)
    return [str(entry.data["detail"]) for entry in entries if entry.data["detail"]]


async def _say(rig: Rig, signal: Signal) -> None:
    body = signal.model_dump_json(exclude_none=True).encode()
    assert 202 == await _post(rig, body, sign(SECRET.encode(), "web", body))


async def test_report_that_is_not_taken_stands_in_the_ledger_and_stays_in_sight(rig: Rig) -> None:
    """A bag was pulled that nobody knows: the row may be shifted. A good report of another kind
    must not wipe that out.
    """
    await _say(rig, Signal(kind=SignalKind.BAG_PULLED, number=1, position=4))
    await _say(rig, Signal(kind=SignalKind.STATE, number=2, state=MachineState.EXECUTE))
    told = (await rig.view("web"))["signal_refused"]
    assert told.startswith("bag pulled: No printed bag stands at position 4")
    (entry,) = await rig.ledger(EntryKind.SIGNAL_REFUSED)
    assert (told, "bag_pulled") == (entry.data["text"], entry.data["signal"])
    await _say(rig, Signal(kind=SignalKind.ITEM_PRESENT, number=3))
    assert "data.code" in (await rig.view("web"))["signal_refused"]


async def test_supply_that_a_station_calls_low_is_marked_until_it_is_changed(rig: Rig) -> None:
    """A count can be wrong; the machine sees its roll. Said twice it is one entry."""
    for number in (1, 2):
        low = Signal(kind=SignalKind.SUPPLY_LOW, number=number, detail="Roll below 10 m.")
        await _say(rig, low)
    assert [True] == [load["told_low"] for load in (await rig.view("web"))["loaded"]]
    (entry,) = await rig.ledger(EntryKind.SUPPLY_LOW)
    assert entry.data["text"] == "The station says that its supply is low. Roll below 10 m."
    await rig.send("supply.changed", "web", slot=1, bag="small", pieces_left=500)
    assert [False] == [load["told_low"] for load in (await rig.view("web"))["loaded"]]


async def test_refused_report_that_is_played_again_does_nothing(rig: Rig) -> None:
    """A bag was pulled from an empty row; the same bytes later must not void another's bag."""
    pulled = Signal(kind=SignalKind.BAG_PULLED, number=7, position=0)
    await _say(rig, pulled)
    await rig.scan("web", "o1")
    await rig.job_in("o1", "printed")
    await _say(rig, pulled)
    assert "printed" == (await rig.states("o1"))[0]


async def test_report_that_comes_after_a_later_one_is_told_as_not_taken(rig: Rig) -> None:
    """Sent side by side a number may be overtaken: 202 would call kept what is lost."""
    await _say(rig, Signal(kind=SignalKind.STATE, number=2, state=MachineState.HELD))
    body = _report(1, "guard open")
    assert 409 == await _post(rig, body, sign(SECRET.encode(), "web", body))
