"""Names of time zones, as the system or the installed zone data knows them."""

from difflib import get_close_matches
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones


def unknown_zone(name: str) -> tuple[str, str] | None:
    """What is wrong with a name that is no time zone's, and what to do; None for a known one."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        close = get_close_matches(name, available_timezones(), n=1, cutoff=0.5)
    else:
        return None
    do = f"did you mean `{close[0]}`?" if close else "use a name such as Europe/Lisbon"
    return f"no time zone is called {name!r}", do
