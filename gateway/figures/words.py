"""How figures are worded, in one place, so that every page and paper says them alike."""

from datetime import datetime
from zoneinfo import ZoneInfo

from gateway.figures.control_chart import Signal
from gateway.figures.settling import SettleTimes
from gateway.figures.wilson import Rate, bound_after_none

_UNITS = ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s"))

SIGNAL_WORDS = {
    Signal.BEYOND_LIMIT: "outside its limits",
    Signal.TWO_OF_THREE: "two of three far on one side",
    Signal.FOUR_OF_FIVE: "four of five well on one side",
    Signal.EIGHT_ON_ONE_SIDE: "eight in a row on one side",
}


def number(value: float, decimals: int = 0) -> str:
    """A number with thin spaces between its thousands."""
    return f"{value:,.{decimals}f}".replace(",", "\u202f")


def percent(share: float | None, decimals: int = 1) -> str:
    """A share as per cent."""
    return "not known" if share is None else f"{100 * share:.{decimals}f} %"


def mass(grams: float) -> str:
    """Grams, from a kilogram on as kilograms."""
    return f"{number(grams / 1000, 2)} kg" if abs(grams) >= 1000 else f"{number(grams, 1)} g"


def duration(seconds: float) -> str:
    """A length of time in its two largest units."""
    whole = round(seconds)
    for size, name, next_size, next_name in _UNITS:
        if whole >= size:
            rest = whole % size // next_size
            return f"{whole // size} {name}" + (f" {rest} {next_name}" if rest else "")
    return f"{whole} s"


def settling(times: SettleTimes) -> str:
    """How long cases take; open ones count as the longest."""
    if not times.settled and not times.still_open:
        return "no cases"
    known = [
        f"{name} within {duration(seconds)}"
        for name, seconds in (("half", times.median_s), ("nine in ten", times.p90_s))
        if seconds is not None
    ]
    counted = f"{times.settled} settled, {times.still_open} open (counted as longest)"
    return f"{', '.join(known) or 'too many open to tell'}; {counted}"


def per_million(rate: Rate) -> str:
    """A rate of rare events with what the count allows to be said of it."""
    if rate.per_million is None:
        return "nothing checked"
    if rate.events == 0:
        most = number(1e6 * bound_after_none(rate.trials))
        return f"none in {number(rate.trials)}; up to {most} per million could be (95 %)"
    sure = rate.interval()
    low, high = number(1e6 * sure.lower), number(1e6 * sure.upper)
    return (
        f"{number(rate.events)} in {number(rate.trials)}: {number(rate.per_million)} per million"
        f" ({low} to {high} at 95 %)"
    )


def share(rate: Rate) -> str:
    """A rate of common events as per cent, with its interval."""
    if rate.share is None:
        return "nothing checked"
    sure = rate.interval()
    return (
        f"{percent(rate.share)} of {number(rate.trials)}"
        f" ({percent(sure.lower)} to {percent(sure.upper)} at 95 %)"
    )


def kind(name: str) -> str:
    """A kind of case in plain words."""
    return name.replace("_", " ")


def local(moment: datetime, zone: ZoneInfo) -> str:
    """An instant in the site's zone, to the minute."""
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")
