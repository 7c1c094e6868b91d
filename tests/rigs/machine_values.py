"""What a machine's program writes into its values when something happens: details, then counter."""

from collections import Counter

from adapters.machine_reports import Value
from schemas.station import Signal, SignalKind

MACHINE_UNSAID = {
    "job_id": "a machine tells a job by its number, and the adapter knows only whose the number "
    "of the job is that it armed last",
}
_COUNTER_OF = {
    SignalKind.BAG_ADVANCED: "advanced",
    SignalKind.BAG_PULLED: "pulled",
    SignalKind.FILM_CHANGED: "film_changed",
    SignalKind.ITEM_MEASURED: "item_measured",
    SignalKind.ITEM_PRESENT: "item_present",
}


def values_of(signal: Signal, counts: Counter[str]) -> dict[str, Value]:
    """The values for one event, in the order in which they are written."""
    if signal.kind is SignalKind.SUPPLY_LOW:
        return {"supply_low": 1}
    if signal.kind is SignalKind.FAULT:
        return {"fault": 17}
    values: dict[str, Value] = {}
    if signal.kind is SignalKind.BAG_PULLED:
        values["pulled_position"] = signal.position or 0
    if signal.kind in {SignalKind.ITEM_MEASURED, SignalKind.ITEM_PRESENT}:
        values["item_code"] = signal.code
        values["item_length_mm"] = signal.length_mm or 0.0
        values["item_width_mm"] = signal.width_mm or 0.0
        values["item_height_mm"] = signal.height_mm or 0.0
        values["item_mass_g"] = signal.mass_g or 0.0
    name = _COUNTER_OF[signal.kind]
    counts[name] += 1
    return values | {name: counts[name]}
