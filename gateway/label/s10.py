"""Postal item identifiers of 13 characters after UPU S10."""

import re

from gateway.label.errors import DataRefused
from gateway.label.gs1_checks import is_country

_WEIGHTS = (8, 6, 4, 2, 3, 5, 9, 7)


def check_digit(serial: str) -> str:
    """Check digit of an eight-digit serial number.

    Source: UPU S10 as quoted in worked examples (from memory): weights 8 6 4 2 3 5 9 7, eleven less
    the remainder by eleven, where 10 becomes 0 and 11 becomes 5.
    """
    if not re.fullmatch("[0-9]{8}", serial):
        raise DataRefused("S10", f"a serial number has eight digits, not {serial!r}")
    rest = 11 - sum(w * int(d) for w, d in zip(_WEIGHTS, serial, strict=True)) % 11
    return {10: "0", 11: "5"}.get(rest, str(rest))


def identifier(service: str, serial: int, country: str) -> str:
    """Service indicator, serial number, check digit, country: `RR473124829GB`."""
    body = f"{serial:08}"
    return check(f"{service}{body}{check_digit(body)}{country}")


def check(text: str) -> str:
    """The identifier itself, once it holds. Raises `DataRefused`."""
    match = re.fullmatch("[A-Z]{2}([0-9]{8})([0-9])([A-Z]{2})", text)
    if match is None:
        raise DataRefused("S10", f"two capitals, nine digits, a country; not {text!r}")
    serial, digit, country = match.groups()
    if digit != check_digit(serial):
        raise DataRefused("S10", f"{text}: check digit should be {check_digit(serial)}")
    if not is_country(country):
        raise DataRefused("S10", f"{text}: ISO 3166 has no country {country}")
    return text
