"""Reading events: any JSON spelling of an event is one event, and its bytes are kept."""

import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import GatewayError, Invalid, Malformed
from gateway.intake.envelope import (
    BATCH,
    DEEPEST_JSON,
    LARGEST_BATCH,
    STRUCTURED,
    Incoming,
    parse_json,
    read_http,
    read_structured,
)

JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**50), 2**50) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=12,
)


def event(detail: str = "", **more: object) -> dict[str, object]:
    """A small event."""
    return {
        "specversion": "1.0",
        "id": "1",
        "source": "/x",
        "type": "bagrelay.station.state.v1",
        "data": {"station": "s1", "state": "idle", "detail": detail},
        **more,
    }


@given(st.text(max_size=60), st.sampled_from([None, 1, 4]), st.booleans())
def test_spelling_of_the_json_does_not_change_the_content(
    detail: str, indent: int | None, ascii_only: bool
) -> None:
    """Spaces, escapes and the order of members are spelling (RFC 8785); the bytes are kept."""
    plain = read_structured(json.dumps(event(detail)).encode())
    turned = dict(reversed(event(detail).items()))
    spelled = json.dumps(turned, indent=indent, ensure_ascii=ascii_only).encode()
    other = read_structured(spelled)
    assert (plain.content_sha256, plain.key) == (other.content_sha256, other.key)
    assert spelled == other.raw


@given(st.text(max_size=40), st.text(max_size=40))
def test_other_content_has_another_digest(one: str, other: str) -> None:
    """Two events are the same only where their data are."""
    first = read_structured(json.dumps(event(one)).encode())
    second = read_structured(json.dumps(event(other)).encode())
    same = first.data == second.data and one == other
    assert same == (first.content_sha256 == second.content_sha256)


@given(st.lists(st.text(max_size=30), max_size=6), st.sampled_from([None, 2]))
def test_batch_is_cut_into_the_texts_of_its_members(texts: list[str], indent: int | None) -> None:
    """Each member's own text, whatever brackets, quotes and commas its strings hold."""
    members = [event(text) for text in texts]
    body = json.dumps(members, indent=indent).encode()
    cut = read_http({"content-type": BATCH}, body)
    assert not isinstance(cut, Incoming)
    assert members == [json.loads(member) for member in cut]
    assert all(member in body for member in cut)


@given(st.binary(max_size=80) | JSON.map(lambda value: json.dumps(value).encode()))
def test_any_body_is_read_or_refused_in_our_words(body: bytes) -> None:
    """Nothing that a sender can send makes anything but an event or one of our errors."""
    for media_type in (STRUCTURED, BATCH, "application/json", "text/plain", ""):
        with suppress(GatewayError):
            read_http({"content-type": media_type}, body)


def test_nesting_is_bounded_at_the_stated_depth() -> None:
    """The last allowed level is read, one more is refused."""
    deep = b"[" * (DEEPEST_JSON - 1) + b"]" * (DEEPEST_JSON - 1)
    assert parse_json(deep) is not None
    with pytest.raises(Malformed):
        parse_json(b"[" * (DEEPEST_JSON + 2) + b"]" * (DEEPEST_JSON + 2))


def test_batch_is_bounded() -> None:
    """One event more than a batch may hold is refused before any is looked at."""
    body = b"[" + b",".join([b"0"] * (LARGEST_BATCH + 1)) + b"]"
    with pytest.raises(Invalid):
        read_http({"content-type": BATCH}, body)


def test_extension_attributes_are_taken_and_left_alone() -> None:
    """CloudEvents 1.0.2 lets a producer add attributes; they don't make it another event."""
    plain = read_structured(json.dumps(event()).encode())
    extended = read_structured(json.dumps(event(traceparent="00-1-2-01")).encode())
    assert plain.content_sha256 == extended.content_sha256
