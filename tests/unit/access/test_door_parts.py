"""The small parts of the door by their laws: buckets, keys' shape, paths, origins, secrets."""

from pathlib import Path

import pytest
from fastapi import Request
from hypothesis import given
from hypothesis import strategies as st

from gateway.access import keys
from gateway.access.caller import Caller, Shown
from gateway.access.origin import from_own_page, says_foreign, to_this_machine
from gateway.access.paths import Paths
from gateway.access.roles import Bound, Row
from gateway.access.secret_files import NoSecret, secret
from gateway.clock import ManualClock
from gateway.errors import Forbidden
from gateway.limits.buckets import Buckets
from schemas.access import AccessRole


@given(
    st.lists(st.tuples(st.floats(0, 5), st.integers(1, 30)), max_size=60),
    st.floats(0.5, 20),
    st.integers(1, 20),
)
def test_bucket_never_lets_through_more_than_its_rate_and_its_brim(
    tries: list[tuple[float, int]], per_s: float, at_once: int
) -> None:
    """Whatever the pattern: passed <= brim + rate x time, plus one request that was larger."""
    clock = ManualClock()
    buckets = Buckets(clock, per_s=per_s, at_once=at_once)
    passed, largest = 0, 0
    for pause, count in tries:
        clock.advance(pause)
        if buckets.take("one", count) == 0:
            passed, largest = passed + count, max(largest, count - at_once)
    assert passed <= at_once + per_s * clock.monotonic() + largest + 1e-6


def test_bucket_that_refused_lets_through_after_the_wait_it_told() -> None:
    """The wait is neither too short nor needlessly long."""
    clock = ManualClock()
    buckets = Buckets(clock, per_s=4, at_once=2)
    buckets.take("one", 2)
    wait_s = buckets.take("one")
    clock.advance(wait_s)
    assert (0.25, 0.0) == (wait_s, buckets.take("one"))


@given(st.text())
def test_no_text_breaks_the_reading_of_a_key(text: str) -> None:
    """It is a key's shape, whole, or nothing."""
    parts = keys.split(text)
    assert parts is None or text == f"bgr_{parts[0]}_{parts[1]}"


@given(st.text(min_size=1))
def test_what_the_body_says_never_hides_the_callers_name(by: str) -> None:
    """The ledger's actor begins with the name of the key."""
    caller = Caller("desk-1", AccessRole.OPERATOR, shown=Shown.KEY)
    assert caller.signed(by).startswith("desk-1")


def test_caller_of_some_stations_is_refused_for_another() -> None:
    """None named: every station."""
    Caller("a", AccessRole.STATION).check_station("s9")
    with pytest.raises(Forbidden, match="s1"):
        Caller("a", AccessRole.STATION, frozenset({"s1"})).check_station("s9")


def test_plain_text_goes_before_names_and_names_before_rests() -> None:
    """The more exact line decides, in whatever order the table is written."""
    row = Row(frozenset(), Bound.ROOM)
    templates = ("/a/{rest:path}", "/a/{one}", "/a/b", "/a/{one}/c", "/a/{rest:path}/d")
    paths = Paths({("GET", template): row for template in templates})
    met = {path: paths.find("GET", path) for path in ("/a/b", "/a/x", "/a/x/c", "/a/x/y", "/a/x/d")}
    assert ["/a/b", "/a/{one}", "/a/{one}/c", "/a/{rest:path}", "/a/{rest:path}/d"] == [
        one.template if one else "" for one in met.values()
    ]


def test_path_that_no_line_has_is_not_found() -> None:
    """Neither below, nor beside, nor with another method."""
    paths = Paths()
    for method, path in (
        ("GET", "/v1"),
        ("PUT", "/v1/events"),
        ("GET", "/v1/events/"),
        ("GET", ""),
    ):
        assert paths.find(method, path) is None


def _request(**headers: str) -> Request:
    told = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return Request({"type": "http", "method": "POST", "path": "/", "headers": told})


@pytest.mark.parametrize(
    ("headers", "own", "foreign"),
    [
        ({"sec_fetch_site": "same-origin"}, True, False),
        ({"sec_fetch_site": "none"}, False, False),
        ({"sec_fetch_site": "same-site"}, False, True),
        ({"sec_fetch_site": "cross-site", "origin": "http://r:1", "host": "r:1"}, False, True),
        ({"origin": "https://room:1", "host": "room:1"}, True, False),
        ({"origin": "http://room:2", "host": "room:1"}, False, True),
        ({"origin": "null", "host": "room:1"}, False, True),
        ({"origin": "http://[", "host": "room:1"}, False, True),
        ({}, False, False),
    ],
)  # fmt: skip
def test_origin_of_a_request_is_told_as_browsers_state_it(
    headers: dict[str, str], own: bool, foreign: bool
) -> None:
    """W3C Fetch Metadata Request Headers section 2.3; RFC 6454 section 7 for Origin."""
    request = _request(**headers)
    assert (own, foreign) == (from_own_page(request), says_foreign(request))


@pytest.mark.parametrize(
    ("host", "mine"),
    [
        ("localhost", True), ("localhost:8080", True), ("127.0.0.1:1", True), ("[::1]:8080", True),
        ("127.9.9.9", True), ("localhost.example", False), ("127.0.0.1.example", False),
        ("10.0.0.1", False), ("", False), ("[", False), ("a@localhost", True),
    ],
)  # fmt: skip
def test_only_names_of_this_machine_are_its_own(host: str, mine: bool) -> None:
    """RFC 5735 section 3 for 127/8, RFC 6761 section 6.3 for localhost."""
    assert mine == to_this_machine(_request(host=host))


def test_secret_comes_from_a_file_or_the_environment_and_errors_hold_none(tmp_path: Path) -> None:
    """A file's last line end is not part of it; what is missing is named, never shown."""
    file = tmp_path / "token"
    file.write_text("s3cret\n", encoding="utf-8")
    empty = tmp_path / "empty"
    empty.write_text("", encoding="utf-8")
    assert ("s3cret", "fr0m", None) == (
        secret(None, file, {}), secret("T", None, {"T": "fr0m"}), secret(None, None, {})
    )  # fmt: skip
    for name, path in (("T", None), (None, tmp_path / "none"), (None, empty)):
        with pytest.raises(NoSecret):
            secret(name, path, {})
