"""What a machine tells by values that are looked at again and again: counters and flags.

Each value is told only where the site file names its place. A counter counts up by one with each
event, after the details that go with it were written, and may wrap at 16 bits; a flag is 1 while
the thing is so. What happened between two looks is told in the order of `SignalKind`; of several
items, or pulled bags with a position, only the last can be told, and the rest is told as a fault.
A machine whose order matters within `watch_s` needs a line that reports by itself.
"""

from collections.abc import Awaitable, Callable

from schemas.station import MachineState, Signal, SignalKind

Value = int | float | str
Read = Callable[[str], Awaitable[Value]]

_COUNTERS = {
    "advanced": SignalKind.BAG_ADVANCED,
    "pulled": SignalKind.BAG_PULLED,
    "film_changed": SignalKind.FILM_CHANGED,
    "item_measured": SignalKind.ITEM_MEASURED,
    "item_present": SignalKind.ITEM_PRESENT,
}
_ITEMS = (SignalKind.ITEM_MEASURED, SignalKind.ITEM_PRESENT)
_FLAGS = {"supply_low": SignalKind.SUPPLY_LOW}
_FAULT = "fault"
_SIZES = ("item_length_mm", "item_width_mm", "item_height_mm")
_DETAILS = ("pulled_position", "item_code", *_SIZES, "item_mass_g")
REPORTED = (*_COUNTERS, *_FLAGS, _FAULT, *_DETAILS)
"""Every value that may be named; details go with their counter."""
_NEEDS = {
    "pulled_position": ("pulled",),
    "item_measured": ("item_code", *_SIZES),
    "item_present": ("item_code",),
}

_MOST_AT_ONCE = 20
"""More than this between two looks is no count of events: the counter was set."""


def lacking(names: frozenset[str]) -> str | None:
    """What a named value needs and is not named, as words for the error; nothing where all is."""
    for name, wanted in _NEEDS.items():
        missing = [one for one in wanted if name in names and one not in names]
        if missing:
            return f"{name} needs {', '.join(missing)}"
    return None


def kinds_of(names: frozenset[str]) -> frozenset[str]:
    """The signal kinds that these values report."""
    known = _COUNTERS | _FLAGS | {_FAULT: SignalKind.FAULT}
    return frozenset(kind.value for name, kind in known.items() if name in names)


class MachineReports:
    """Remembers what was seen, and tells what changed. Raises what reading raises."""

    def __init__(self, names: frozenset[str]) -> None:
        self._names = names
        self._watched = [n for n in (*_COUNTERS, *_FLAGS, _FAULT) if n in names]
        self._placed = "pulled_position" in names
        self._seen: dict[str, Value] | None = None

    async def begin(self, read: Read) -> None:
        """What is there now is no news; after a lost line, what came meanwhile is."""
        if self._seen is None:
            self._seen = await self._look(read)

    def forget(self) -> None:
        """Begin anew."""
        self._seen = None

    async def since(self, read: Read, state: MachineState) -> list[Signal]:
        """What happened since the last look. `state` goes with a fault."""
        was, now = self._seen or {}, await self._look(read)
        told: list[Signal] = []
        for name, kind in _COUNTERS.items():
            if name in now and name in was and now[name] != was[name]:
                told += await self._counted(read, kind, int(was[name]), int(now[name]), state)
        for name, kind in _FLAGS.items():
            if now.get(name) and not was.get(name):
                told.append(Signal(kind=kind))
        fault = now.get(_FAULT)
        if fault and fault != was.get(_FAULT):
            told.append(_fault(f"fault {fault}", state))
        self._seen = now
        return told

    async def _look(self, read: Read) -> dict[str, Value]:
        return {name: _plain(await read(name)) for name in self._watched}

    async def _counted(
        self, read: Read, kind: SignalKind, was: int, now: int, state: MachineState
    ) -> list[Signal]:
        more = now - was if now > was else now - was + 2**16
        missed = [_fault(f"{kind.value}: its counter went from {was} to {now}; look there", state)]
        if not 0 < more <= _MOST_AT_ONCE:
            return missed
        if kind is SignalKind.FILM_CHANGED:
            return [Signal(kind=kind)]
        if kind is SignalKind.BAG_ADVANCED or not (self._placed or kind in _ITEMS):
            return [Signal(kind=kind)] * more
        if more > 1 and kind is SignalKind.BAG_PULLED:
            return missed
        try:
            last = await self._detailed(read, kind)
        except ValueError:
            return missed
        return [*missed, last] if more > 1 else [last]

    async def _detailed(self, read: Read, kind: SignalKind) -> Signal:
        if kind is SignalKind.BAG_PULLED:
            return Signal(kind=kind, position=int(await read("pulled_position")))
        sizes = {name.removeprefix("item_"): await self._positive(read, name) for name in _SIZES}
        mass_g = await self._positive(read, "item_mass_g")
        code = str(_plain(await read("item_code")))
        return Signal(kind=kind, code=code, mass_g=mass_g, **sizes)

    async def _positive(self, read: Read, name: str) -> float | None:
        value = float(await read(name)) if name in self._names else 0.0
        return value if value > 0 else None


def _fault(text: str, state: MachineState) -> Signal:
    return Signal(kind=SignalKind.FAULT, state=state, detail=text)


def _plain(value: Value) -> Value:
    return value.strip("\0 ") if isinstance(value, str) else value
