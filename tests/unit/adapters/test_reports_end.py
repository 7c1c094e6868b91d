"""The stream of reports ends with the line that it came by."""

from adapters.reports import Reports
from schemas.station import MachineState, Signal, SignalKind

_SEALED = Signal(kind=SignalKind.SEALED, job_id="j-1", number=1)


async def test_stream_of_a_lost_line_ends_though_another_is_open_by_then() -> None:
    """What the next line brings waits for the next listener, who then knows of the change."""
    reports = Reports()
    reports.begin()
    reports.take(_SEALED)
    reports.lost()
    reports.begin()
    reports.take(_SEALED)
    first = [signal.state or signal.kind async for signal in reports.stream()]
    assert [SignalKind.SEALED, MachineState.OFFLINE] == first
    reports.end()
    assert [SignalKind.SEALED] == [signal.kind async for signal in reports.stream()]
