"""Postal item identifiers against UPU S10's examples."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.label import DataRefused, s10


def test_published_check_digits(vectors: dict[str, Any]) -> None:
    """Each published serial has its check digit, those that fold 10 and 11 among them."""
    for row in vectors["s10"]:
        assert row["check"] == s10.check_digit(row["serial"]), row["source"]


def test_whole_identifier_of_the_worked_example() -> None:
    """RR473124829GB is what its parts make. Source: S10 worked example, widely quoted."""
    assert "RR473124829GB" == s10.identifier("RR", 47312482, "GB")


@pytest.mark.parametrize(
    "wrong", ["RR473124820GB", "RR473124829UK", "R473124829GB", "rr473124829GB", "RR47312482GB"]
)
def test_wrong_identifiers_are_refused(wrong: str) -> None:
    """Wrong check digit, unassigned country, missing letters or digits."""
    with pytest.raises(DataRefused, match="S10"):
        s10.check(wrong)


@given(st.integers(0, 99_999_999), st.integers(0, 7), st.integers(1, 9))
def test_one_wrong_digit_is_seen_save_where_check_digits_fold(
    serial: int, at: int, by: int
) -> None:
    """A single wrong digit changes the remainder by eleven; only 10 and 11 share their digits."""
    digits = f"{serial:08}"
    wrong = digits[:at] + str((int(digits[at]) + by) % 10) + digits[at + 1 :]
    same = s10.check_digit(digits) == s10.check_digit(wrong)
    assert not same or s10.check_digit(digits) in "05"
