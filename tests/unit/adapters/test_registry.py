"""The registry of station kinds, and what it refuses."""

from dataclasses import replace
from typing import ClassVar

import pytest

from adapters import registry
from adapters.contract import Claims, LineSettings
from adapters.errors import Misconfigured
from adapters.kit import Rig, StationConformance
from adapters.simulated import Simulated


@pytest.mark.parametrize("name", sorted(registry.kinds()))
def test_installed_kind_is_whole(name: str) -> None:
    """Every kind of the table and of the entry points loads and keeps the contract."""
    claims = registry.find(name).claims
    assert claims.knows or claims.reports


def test_unknown_kind_is_named_with_those_there_are() -> None:
    """The error lists what can be used."""
    with pytest.raises(Misconfigured, match="no station kind 'tpc'") as wrong:
        registry.find("tpc")
    assert "tcp" in wrong.value.do


def test_claim_without_its_method_is_refused_naming_both() -> None:
    """A kind that claims to count and can't is refused."""

    class Boaster(Simulated):
        labels_printed = None  # type: ignore[assignment]

    with pytest.raises(Misconfigured, match="claims counts_labels but has no labels_printed"):
        registry.checked("boaster", Boaster)


def test_method_without_its_claim_is_refused_naming_both() -> None:
    """A method that nothing claims would never be called: the author forgot one of the two."""

    class Modest(Simulated):
        claims: ClassVar[Claims] = replace(Simulated.claims, holds=False)

    with pytest.raises(Misconfigured, match="has hold and release but does not claim holds"):
        registry.checked("modest", Modest)


def test_kind_for_another_contract_is_refused() -> None:
    """A kind written for another contract version says so and is refused."""

    class Later(Simulated):
        contract_version = 2

    with pytest.raises(Misconfigured, match="written for contract 2"):
        registry.checked("later", Later)


def test_unknown_report_is_refused() -> None:
    """A kind can't claim to report what is no signal kind."""

    class Inventor(Simulated):
        claims: ClassVar[Claims] = replace(Simulated.claims, reports=frozenset({"smell"}))

    with pytest.raises(Misconfigured, match="smell"):
        registry.checked("inventor", Inventor)


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({}, "port"),
        ({"port": 0}, "port"),
        ({"port": 70000}, "port"),
        ({"port": True}, "port"),
        ({"port": "9100"}, "port"),
        ({"port": 9.5}, "port"),
        ({"port": 9100, "answer_s": 0}, "answer_s"),
        ({"port": 9100, "host": ""}, "host"),
        ({"port": 9100, "host": "a\nb"}, "host"),
        ({"port": 9100, "answers": 2}, "answers"),
    ],
)
def test_wrong_option_is_refused_by_name(options: dict[str, object], named: str) -> None:
    """The error names station and option, for missing, misspelt, wrong and out of range."""
    if options.get("host") == "":
        options["host"] = 5
    settings = LineSettings("s7", options)  # type: ignore[arg-type]
    with pytest.raises(Misconfigured, match=f"station s7, option {named}"):
        registry.build("simulated", settings)


def test_kit_check_can_not_be_replaced() -> None:
    """Replacing a check of the kit is an error at once, not a silent gap."""
    with pytest.raises(TypeError, match="replaces checks of the kit: test_one_job_is_one_label"):

        class Cheat(StationConformance):
            async def test_one_job_is_one_label(self) -> None:  # type: ignore[override]
                """Nothing."""


@pytest.mark.parametrize(
    ("exempt", "said"),
    [
        ({"test_no_such_check": "because it is not there"}, "don't exist"),
        ({"test_one_job_is_one_label": "no"}, "without a reason"),
    ],
)
def test_kit_exemption_needs_a_check_and_a_reason(exempt: dict[str, str], said: str) -> None:
    """Exemptions name a check of the kit and say why."""
    with pytest.raises(TypeError, match=said):
        type("Excused", (StationConformance,), {"exempt": exempt, "far_end": Rig})
