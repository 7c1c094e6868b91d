"""The pytest plugin of the kit: leaves out what is not claimed, and reports the exemptions."""

import pytest


def _conformance(item: pytest.Item) -> type | None:
    """The class of a kit check; nothing for other tests. Imports the kit only where it is used."""
    cls = getattr(item, "cls", None)
    bases = {base.__module__ for base in cls.__mro__} if cls is not None else set()
    return cls if "adapters.kit.conformance" in bases else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Skip checks of unclaimed abilities; expect exempted ones to fail."""
    report: dict[str, tuple[str, dict[str, str]]] = {}
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
        report[cls.__name__] = (_claimed(claims), exempt)
    config.stash[_REPORT] = report


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """One block a kind: what it claims, what it is exempted from and why."""
    report = config.stash.get(_REPORT, {})
    if not report or config.option.verbose < 1:
        return
    terminalreporter.section("station kit")
    for name, (claims, exempt) in sorted(report.items()):
        terminalreporter.write_line(f"{name} claims {claims}")
        for check, reason in sorted(exempt.items()):
            terminalreporter.write_line(f"  exempt {check}: {reason}")


def _claimed(claims: object) -> str:
    stages = sorted(getattr(claims, "knows", ()))
    abilities = [
        name
        for name in ("drops_repeats", "can_be_asked", "counts_labels", "makes_bags", "holds")
        if getattr(claims, name, False)
    ]
    return ", ".join([*stages, *abilities])


_REPORT: pytest.StashKey[dict[str, tuple[str, dict[str, str]]]] = pytest.StashKey()
