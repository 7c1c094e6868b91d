"""What the pages are made from: handed over once by the composition root."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.engine import Connection

from gateway.cases import rows as case_rows
from gateway.cases.desk import CaseDesk
from gateway.clock import Clock
from gateway.console.frame import Frame
from gateway.console.live import Pulse
from gateway.console.stations import LaneOf
from gateway.desk import Desk
from gateway.discovery import Found
from gateway.dispatch import holds
from gateway.intake.accept import Intake
from gateway.ledger.sealing import Sealer
from gateway.site_change import TakesSite
from gateway.store import jobs
from gateway.store.store import Store
from schemas.site import Site
from schemas.station import Station


@dataclass(frozen=True, slots=True)
class Parts:
    """The gateway's parts that pages read and act on."""

    site: Site
    site_file: Path | None
    takes_site: TakesSite | None
    sealer: Sealer
    store: Store
    desk: Desk
    cases: CaseDesk
    intake: Intake
    lane_of: LaneOf
    clock: Clock
    stations: dict[str, Station]
    frame: Frame
    pulse: Pulse
    found: Callable[[], Sequence[Found]] | None = None
    """What announces itself now; None where the gateway doesn't listen for it."""

    async def counts(self) -> dict[str, int]:
        """How much waits for a person, for the navigation."""
        return await self.store.read(waiting_counts)


def waiting_counts(conn: Connection) -> dict[str, int]:
    """How much waits for a person, by page."""
    return {
        "waiting": len(holds.open_holds(conn)) + len(jobs.needing_person(conn)),
        "mislabels": case_rows.count_not_closed(conn),
    }


def parts_of(
    *,
    site: Site,
    site_file: Path | None,
    takes_site: TakesSite | None,
    sealer: Sealer,
    store: Store,
    desk: Desk,
    intake: Intake,
    lane_of: LaneOf,
    clock: Clock,
    found: Callable[[], Sequence[Found]] | None = None,
) -> Parts:
    """Join the parts. Opens nothing."""
    stations = {station.id: station for station in site.station}
    frame = Frame(site.name, site.time_zone, clock, lambda: store.read(waiting_counts))
    return Parts(
        site=site,
        site_file=site_file,
        takes_site=takes_site,
        sealer=sealer,
        store=store,
        desk=desk,
        cases=CaseDesk(store),
        intake=intake,
        lane_of=lane_of,
        clock=clock,
        stations=stations,
        frame=frame,
        pulse=Pulse(stations, store, lane_of),
        found=found,
    )
