"""Looking at a station before a label is tried on it: does it answer, is something in the way?"""

import asyncio
from collections.abc import Awaitable, Callable

from adapters.contract import StationLine
from adapters.errors import Misconfigured, NeedsPerson, StationFault
from schemas.station import MachineState, StationCondition, StationState

Stands = tuple[StationState, str]


async def ask_state(
    open_line: Callable[[], Awaitable[None]], adapter: StationLine
) -> StationCondition:
    """What the station says of itself. Raises `StationFault`, or `TimeoutError` for silence."""
    await open_line()
    async with asyncio.timeout(adapter.claims.state_within_s):
        return await adapter.state()


async def look(open_line: Callable[[], Awaitable[None]], adapter: StationLine) -> Stands | None:
    """In what state the station stands and why; nothing where a label may be tried.

    What only a label can show, such as a wrong site file, is left to the label.
    """
    try:
        condition = await ask_state(open_line, adapter)
    except NeedsPerson as fault:
        return StationState.NEEDS_PERSON, fault.told
    except Misconfigured:
        return None
    except StationFault as fault:
        return StationState.FAULTED, fault.what
    except TimeoutError:
        return StationState.FAULTED, "The station does not answer."
    return _stands(condition)


def _stands(condition: StationCondition) -> Stands | None:
    if condition.ready is not False:
        return None
    why = ", ".join(condition.faults) or f"the machine is {condition.state.value}"
    # suspended: it waits for what stands before or behind it, and goes on by itself
    by_itself = condition.state is MachineState.SUSPENDED
    return StationState.FAULTED if by_itself else StationState.NEEDS_PERSON, why
