"""What follows a fault depends on what the line can prove, and never risks a second label."""

import itertools

import pytest

from adapters.contract import Claims
from adapters.errors import FateUnknown, Misconfigured, NeedsPerson, NothingSent, Refused
from gateway.dispatch.after_fault import Next, after_fault

EVERY_CLAIM = [
    Claims(drops_repeats=drops, can_be_asked=asked)
    for drops, asked in itertools.product((False, True), repeat=2)
]


@pytest.mark.parametrize("claims", EVERY_CLAIM)
def test_nothing_sent_is_always_tried_again(claims: Claims) -> None:
    """What never left us can print no second label."""
    assert Next.RETRY == after_fault(claims, NothingSent("cable out"))


@pytest.mark.parametrize("claims", EVERY_CLAIM)
def test_unknown_is_tried_again_only_where_repeats_are_dropped(claims: Claims) -> None:
    """Can be asked, ask; drops repeats, retry; otherwise in doubt."""
    following = after_fault(claims, FateUnknown("cut"))
    if claims.can_be_asked:
        expected = Next.ASK
    elif claims.drops_repeats:
        expected = Next.RETRY
    else:
        expected = Next.IN_DOUBT
    assert expected == following


@pytest.mark.parametrize("claims", EVERY_CLAIM)
@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Refused("no such bag"), Next.REFUSED),
        (NeedsPerson("paper out"), Next.WAIT_FOR_PERSON),
        (Misconfigured("wrong register"), Next.HOLD),
    ],
)
def test_other_faults_never_lead_to_a_resend(
    claims: Claims, fault: Refused, expected: Next
) -> None:
    """Refusals, persons and wrong settings are not cured by sending again."""
    assert expected == after_fault(claims, fault)
