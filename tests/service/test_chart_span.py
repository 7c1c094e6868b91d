"""Control charts over as many days as the reader asks for, from the store's own entries."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from gateway_rig import running, station
from typer.testing import CliRunner

from gateway.clock import ManualClock
from gateway.commands.root import app
from gateway.figures.control_chart import Sample
from gateway.ledger.day import day_facts
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.site import Site

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
SITE = Site.model_validate({"name": "a", "gs1": {"company_prefix": "9521234"}, "station": []})


def _scan(work: Work) -> None:
    for number, verdict in enumerate(("match", "match", "other_order")):
        kind = EntryKind.SCAN_VERIFIED if verdict == "match" else EntryKind.SCAN_REFUSED
        job = f"{work.now:%j}-{number}"
        work.record(kind, station="b", job_id=job, verdict=verdict)


@pytest.mark.parametrize(
    ("days", "ago"), [(7, [5]), (30, [20, 5]), (90, [80, 20, 5]), (20, [20, 5]), (19, [5])]
)
async def test_history_goes_back_as_far_as_asked(tmp_path: Path, days: int, ago: list[int]) -> None:
    """Each shift of the days asked for is a sample, and none from before them."""
    clock = ManualClock(NOON - timedelta(days=80))
    store = Store(f"sqlite:///{tmp_path / 'a.db'}", clock)
    store.start()
    try:
        for wait in (60, 15, 5):
            await store.write(_scan)
            clock.advance(wait * 86_400)
        facts = await store.read(
            lambda conn: day_facts(
                conn, SITE, date(2026, 11, 25), ZoneInfo("UTC"), NOON, history_days=days
            )
        )
    finally:
        store.close()
    wanted = [(NOON - timedelta(days=one)).date().isoformat() for one in ago]
    assert facts.history["b"] == tuple(Sample(f"{day} early", 3, 1) for day in wanted)


async def test_page_and_papers_take_the_first_day_and_refuse_what_is_none(tmp_path: Path) -> None:
    """A span that ends before it begins, or of more than a year, is refused with a sentence."""
    async with running(tmp_path, station("s1")) as rig:
        for path in ("/figures", "/figures/2026-11-25.html", "/figures/2026-11-25.pdf"):
            for since, status in (("2026-08-27", 200), ("2026-11-25", 422), ("2020-01-01", 422)):
                answer = await rig.client.get(path, params={"day": "2026-11-25", "since": since})
                assert answer.status_code == status, path


@pytest.mark.parametrize("day", ["0001-01-01", "1999-12-31", "2201-01-01", "9999-12-31"])
@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Kiritimati"])
async def test_day_at_the_end_of_the_calendar_is_refused(
    tmp_path: Path, day: str, zone: str
) -> None:
    """Hours cannot be reckoned there; whoever asks is told so, by every way there is to ask."""
    async with running(tmp_path, station("s1"), time_zone=zone) as rig:
        for path in (
            *(f"/figures?day={day}", f"/figures/{day}.html", f"/figures/{day}.pdf"),
            f"/v1/reports/daily?day={day}",
        ):
            answer = await rig.client.get(path)
            assert answer.status_code == 422, path
            assert "2000 to 2200" in answer.text
    told = CliRunner().invoke(app, ["report", "--site", str(rig.db), "--day", day])
    assert told.exit_code == 2
    assert "2000 to 2200" in told.output
