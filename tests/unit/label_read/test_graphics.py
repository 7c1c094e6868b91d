"""Bitmaps in the printer language's encodings."""

import base64
import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.label.read_graphic import BadGraphic, graphic

# Worked by hand from the guide's rules for repeat letters and fillers (volume 2, chapter 3).
FRAME = bytes.fromhex("FFFF80018001FFFF")


def wrapped(kind: str, raw: bytes, crc: int | None = None) -> bytes:
    """A wrapper as senders make it; CRC-16 polynomial 0x1021, start 0."""
    packed = base64.b64encode(zlib.compress(raw) if kind == "Z64" else raw)
    value = binascii.crc_hqx(packed, 0) if crc is None else crc
    return b":%s:%s:%04X" % (kind.encode(), packed, value)


@pytest.mark.parametrize(
    ("data", "total", "stride", "rows"),
    [
        (b"FFFF80018001FFFF", 8, 2, FRAME),
        (b"!8001:!", 8, 2, FRAME),
        (b"JFIAA0,", 8, 4, bytes.fromhex("FFFFAAAA00000000")),
        (b"gF,", 20, 10, b"\xff" * 10 + b"\0" * 10),
        (b"FFFF\r\n8001 8001\r\nFFFF", 8, 2, FRAME),
    ],
)
def test_hand_worked_streams_decode(data: bytes, total: int, stride: int, rows: bytes) -> None:
    """Repeat letters, fillers and row repeats give the rows that the rules give by hand."""
    assert rows == graphic(data, total, stride)


def test_check_value_is_crc_16_with_start_0() -> None:
    """The usual check string gives 0x31C3 (CRC-16/XMODEM, published check value)."""
    assert 0x31C3 == binascii.crc_hqx(b"123456789", 0)


@given(st.binary(min_size=1, max_size=400), st.sampled_from(["B64", "Z64"]))
def test_wrapped_data_decodes(raw: bytes, kind: str) -> None:
    """Base64 with and without zlib gives the bytes again."""
    assert raw == graphic(wrapped(kind, raw), len(raw), 1)


@given(st.binary(min_size=1, max_size=300), st.integers(1, 20))
def test_plain_hex_decodes(raw: bytes, stride: int) -> None:
    """Plain hexadecimal gives the bytes again, whatever the row length."""
    assert raw == graphic(raw.hex().encode(), len(raw), stride)


def test_wrong_check_value_is_told() -> None:
    """Damage on the way is found before it prints."""
    with pytest.raises(BadGraphic, match="check value"):
        graphic(wrapped("Z64", FRAME, crc=1), 8, 2)


def test_row_repeat_inside_a_row_is_refused() -> None:
    """A colon after half a row has no meaning."""
    with pytest.raises(BadGraphic):
        graphic(b"FF:", 4, 2)


def test_packed_bomb_stays_within_its_stated_size() -> None:
    """Fifty megabytes behind a small stream come out as the size that the command states."""
    assert 1000 == len(graphic(wrapped("Z64", bytes(50_000_000)), 1000, 10))


@given(st.binary(max_size=300), st.integers(0, 10**9), st.integers(0, 10**6))
def test_any_bytes_end_in_rows_or_a_clear_error(data: bytes, total: int, stride: int) -> None:
    """No data makes the decoder fail in another way, or give more than was stated."""
    try:
        rows = graphic(data, total, stride)
    except BadGraphic:
        return
    assert len(rows) <= total
