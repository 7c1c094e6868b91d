"""Canonical JSON against RFC 8785 and an independent library."""

import struct
from hashlib import sha256

import orjson
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.canonical import NotCanonical, canonical

# RFC 8785 section 3.2.2 (input from memory, result agreed on by three libraries).
SAMPLE = {
    "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
    "string": '€$\u000f\nA\'B"\\\\"/',
    "literals": [None, True, False],
}
SAMPLE_TEXT_HEX = (
    "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b33333333"
    "33333333332e333333333333332c31652b33302c342e352c302e3030322c31652d32375d2c22737472696e6722"
    "3a22e282ac245c75303030665c6e4127425c225c5c5c5c5c222f227d"
)
SAMPLE_SHA256 = "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"

# RFC 8785 Appendix B: IEEE 754 bits and text (from memory, agreed on by two libraries).
DOUBLES = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]

SAFE = 2**53 - 1
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-SAFE, SAFE)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=30,
)


def test_published_sample_gives_the_published_bytes() -> None:
    """The sample of RFC 8785 section 3.2.2 has one text."""
    text = canonical(SAMPLE)
    assert SAMPLE_TEXT_HEX == text.hex()
    assert SAMPLE_SHA256 == sha256(text).hexdigest()


def test_keys_beyond_ascii_are_sorted_by_utf16_code_units() -> None:
    """RFC 8785 section 3.2.3 (from memory): the emoji's surrogates sort below U+FB33."""
    in_order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    text = canonical(dict.fromkeys(reversed(in_order), 1))
    assert in_order == list(orjson.loads(text))


@pytest.mark.parametrize(("bits", "text"), DOUBLES)
def test_published_double_gives_the_published_text(bits: str, text: str) -> None:
    """Doubles are written as ECMAScript writes them (RFC 8785 Appendix B)."""
    (double,) = struct.unpack(">d", bytes.fromhex(bits))
    assert text == canonical(double).decode()


@given(VALUES)
def test_any_json_value_has_the_independent_librarys_text(value: object) -> None:
    """The quick way and the library rfc8785 never differ."""
    assert rfc8785.dumps(value) == canonical(value)


@given(VALUES.filter(lambda value: not isinstance(value, float)))
def test_member_order_never_shows(value: object) -> None:
    """The text depends on what a value holds, not on the order in which it was built."""

    def turned(part: object) -> object:
        if isinstance(part, dict):
            return {key: turned(part[key]) for key in reversed(part)}
        return [turned(one) for one in part] if isinstance(part, list) else part

    assert canonical(value) == canonical(turned(value))


@pytest.mark.parametrize(
    "value",
    [
        float("nan"),
        float("inf"),
        2**53,
        -(2**53),
        {"deep": [1, {"n": 2**53}]},
        {1: "number as key"},
        {"set": {1}},
        b"bytes",
        "\ud800",
        {"\ud800": 1},
        [1.5, "\ud800"],
    ],
)
def test_value_without_a_canonical_text_is_refused(value: object) -> None:
    """What JSON cannot carry exactly is refused with a sentence, never rounded."""
    with pytest.raises(NotCanonical, match="canonical JSON"):
        canonical(value)


def test_bottomless_value_is_refused() -> None:
    """A value nested beyond the stack is an error of its own, not a crash."""
    value: list[object] = []
    for _ in range(100_000):
        value = [value]
    with pytest.raises(NotCanonical, match="nested"):
        canonical(value)
