"""The pytest plugin of the kit: leaves out what is not claimed, and reports the exemptions."""

from dataclasses import dataclass

import pytest

PROVED = "bagrelay kit proved"
"""Name of the test property that holds a class and a claim of its kind."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What the closing lines say of a kind beside what was proved."""

    claims: list[str]
    exempt: dict[str, str]
    unsaid: dict[str, str]


def _conformance(item: pytest.Item) -> type | None:
    """The class of a kit check; nothing for other tests. Imports the kit only where it is used."""
    cls = getattr(item, "cls", None)
    bases = {base.__module__ for base in cls.__mro__} if cls is not None else set()
    return cls if "adapters.kit.conformance" in bases else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Skip checks of unclaimed abilities; expect exempted ones to fail."""
    report: dict[str, _Told] = {}
    for item in items:
        cls = _conformance(item)
        if cls is None:
            continue
        claims = cls.adapter_class().claims  # type: ignore[attr-defined]
        exempt: dict[str, str] = cls.exempt  # type: ignore[attr-defined]
        name = getattr(item, "originalname", item.name)
        lacking = [
            claim
            for claim in getattr(getattr(item, "function", None), "needs_claims", ())
            if not getattr(claims, claim)
        ]
        if lacking:
            item.add_marker(pytest.mark.skip(reason=f"does not claim {', '.join(lacking)}"))
        elif name in exempt:
            item.add_marker(pytest.mark.xfail(reason=exempt[name], strict=True))
        for claim in getattr(getattr(item, "function", None), "proves_claims", ()):
            item.user_properties.append((PROVED, [cls.__name__, claim]))
        unsaid: dict[str, str] = getattr(cls.far_end, "unsaid", {})  # type: ignore[attr-defined]
        report[cls.__name__] = _Told(_claimed(claims), exempt, unsaid)
    config.stash[_REPORT] = report


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """One block a kind: what it claims, what of it nothing proved, its exemptions and why."""
    report = config.stash.get(_REPORT, {})
    if not report or config.option.verbose < 1:
        return
    terminalreporter.section("station kit")
    proved = _proved(terminalreporter)
    for name, told in sorted(report.items()):
        terminalreporter.write_line(f"{name} claims {', '.join(told.claims) or 'nothing'}")
        unproved = [claim for claim in told.claims if (name, claim) not in proved]
        if unproved:
            terminalreporter.write_line(f"  no check of this run proved {', '.join(unproved)}")
        for detail, reason in sorted(told.unsaid.items()):
            terminalreporter.write_line(f"  no report carries {detail}: {reason}")
        for check, reason in sorted(told.exempt.items()):
            terminalreporter.write_line(f"  exempt {check}: {reason}")


def _proved(reporter: pytest.TerminalReporter) -> set[tuple[str, str]]:
    """Class and claim, as the checks that passed have proved them."""
    return {
        (str(value[0]), str(value[1]))
        for passed in reporter.getreports("passed")
        for name, value in getattr(passed, "user_properties", ())
        if name == PROVED and isinstance(value, list | tuple)
    }


def _claimed(claims: object) -> list[str]:
    stages = sorted(getattr(claims, "knows", ()))
    abilities = [name for name in _ABILITIES if getattr(claims, name, False)]
    return [*stages, *abilities]


_ABILITIES = (
    "drops_repeats", "can_be_asked", "counts_labels", "reports", "makes_bags", "holds", "passes_by",
)  # fmt: skip
_REPORT: pytest.StashKey[dict[str, _Told]] = pytest.StashKey()
