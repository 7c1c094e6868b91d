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
        entries = await rig.ledger(EntryKind.STATION_STATE)
        return [entry.data["detail"] for entry in entries] == ["guard open"]

    await until(told, "the state to be recorded")


@pytest.mark.parametrize("signature", ["", "v1=00", sign(b"another", "web", b"x")])
async def test_report_without_the_right_signature_is_refused(rig: Rig, signature: str) -> None:
    """Without the secret nobody can hold a station, or say that its bags advanced."""
    assert 401 == await _post(rig, _report(1, "forged"), signature)
    assert [] == await rig.ledger(EntryKind.STATION_STATE)


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
        entries = await rig.ledger(EntryKind.STATION_STATE)
        return bool(entries) and entries[-1].data["detail"] == last

    await until(lambda: told("guard closed"), "both to be recorded")
    await rig.stop_gateway()
    await rig.start_gateway()
    said.append(_report(9, "guard open again"))
    for body in said:
        assert 202 == await _post(rig, body, sign(SECRET.encode(), "web", body))
    await until(lambda: told("guard open again"), "the new one to be recorded")
    details = [entry.data["detail"] for entry in await rig.ledger(EntryKind.STATION_STATE)]
    assert ["guard open", "guard closed", "guard open again"] == details


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
