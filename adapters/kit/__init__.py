"""The conformance kit: what an adapter must do, as checks that run against its real far end.

    from adapters.kit import StationConformance

    class TestMine(StationConformance):
        kind = "mine"
        far_end = MyRig

The checks grow with the kind's claims. A check that can't hold is exempted by name with a reason;
none can be replaced.
"""

import pytest

for _part in ("conformance", "lifecycle", "delivery", "faults", "answers"):
    pytest.register_assert_rewrite(f"adapters.kit.{_part}")

from adapters.kit.answers import AnswerChecks  # noqa: E402
from adapters.kit.delivery import DeliveryChecks  # noqa: E402
from adapters.kit.faults import FaultChecks  # noqa: E402
from adapters.kit.lifecycle import LifecycleChecks  # noqa: E402
from adapters.kit.rig import Rig, RigCannot  # noqa: E402
from adapters.trial_label import code_on, epl_with, order, zpl_with  # noqa: E402

__all__ = [
    "Rig",
    "RigCannot",
    "StationConformance",
    "code_on",
    "epl_with",
    "order",
    "zpl_with",
]


class StationConformance(LifecycleChecks, DeliveryChecks, FaultChecks, AnswerChecks):
    """Every check of the kit. Name `kind` and `far_end`; whole or not at all."""

    def __init_subclass__(cls, **given: object) -> None:
        super().__init_subclass__(**given)
        ours = {name for name in dir(StationConformance) if name.startswith("test_")}
        replaced = sorted(ours & set(vars(cls)))
        if replaced:
            raise TypeError(
                f"{cls.__name__} replaces checks of the kit: {', '.join(replaced)}. "
                "Exempt them with a reason instead."
            )
        unknown = sorted(set(cls.exempt) - ours)
        if unknown:
            raise TypeError(f"{cls.__name__} exempts checks that don't exist: {', '.join(unknown)}")
        bare = sorted(name for name, reason in cls.exempt.items() if len(reason) < 15)
        if bare:
            raise TypeError(f"{cls.__name__} exempts without a reason: {', '.join(bare)}")
