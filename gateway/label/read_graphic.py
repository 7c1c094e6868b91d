"""Bitmaps as ZPL carries them: plain hex, hex with repeat letters, base64 with or without zlib.

Source: the printer language's description of its graphic field; CRC-16 with polynomial 0x1021
and start value 0, which is the usual reading of its "CCITT" (from memory).
"""

import base64
import binascii
import re
import zlib

from gateway.label.marks import MAX_DOTS, MAX_IMAGE_BYTES

_WRAPPED = re.compile(rb"\s*:(B64|Z64):([A-Za-z0-9+/=\s]*):([0-9A-Fa-f]{4})\s*")
_PLAIN = re.compile(rb"[0-9A-Fa-f]*")
_RUN = re.compile(rb"([G-Yg-z]+)([0-9A-Fa-f])|([0-9A-Fa-f]+)|([,!:])|(.)", re.DOTALL)
_SPACE = re.compile(rb"[\s]+")


class BadGraphic(Exception):
    """The data is no bitmap; the message says what is wrong."""


def graphic(data: bytes, total: int, stride: int) -> bytes:
    """Decode hex, repeat-coded or wrapped graphic data into rows of `stride` bytes.

    `total` is the size that the command states. The answer has whole rows, at most `total` bytes
    long. Raises `BadGraphic` for data that is damaged, too large, or no bitmap at all.
    """
    if stride <= 0 or total <= 0:
        raise BadGraphic("the size or the row length of the image is zero")
    if total // stride > MAX_DOTS:
        raise BadGraphic(f"an image of {total // stride} rows is above {MAX_DOTS}")
    if total > MAX_IMAGE_BYTES:
        raise BadGraphic(f"an image of {total} bytes is above {MAX_IMAGE_BYTES}")
    wrapped = _WRAPPED.match(data)
    if wrapped:
        return _unwrap(wrapped, total)
    compact = _SPACE.sub(b"", data)
    if _PLAIN.fullmatch(compact):
        digits = compact[: total * 2]
        return bytes.fromhex((digits + b"0" * (len(digits) % 2)).decode())
    return _repeated(compact, total, stride)


def _unwrap(wrapped: re.Match[bytes], total: int) -> bytes:
    kind, body, stated = wrapped.groups()
    compact = _SPACE.sub(b"", body)
    crc = binascii.crc_hqx(compact, 0)
    if crc != int(stated, 16):
        raise BadGraphic(f"check value {stated.decode()} stated, {crc:04X} computed")
    try:
        raw = base64.b64decode(compact, validate=True)
        if kind == b"B64":
            return raw[:total]
        unpacker = zlib.decompressobj()
        return unpacker.decompress(raw, total)
    except (binascii.Error, zlib.error) as error:
        raise BadGraphic(f"the packed data is damaged: {error}") from error


def _repeated(data: bytes, total: int, stride: int) -> bytes:
    """Letters repeat the next digit; comma, `!` and `:` fill a row with 0, 1, the row above.

    Work is bounded by the stated size: reading stops when the image is full.
    """
    row_digits = stride * 2
    limit = total * 2
    out = bytearray()
    for run in _RUN.finditer(data):
        letters, digit, digits, filler, other = run.groups()
        if other is not None:
            raise BadGraphic(f"byte {other[0]:#04x} has no meaning in a graphic")
        if filler is not None:
            _fill(out, filler, row_digits)
        elif digits is not None:
            out += digits
        else:
            out += digit * min(sum(map(_worth, letters)), limit)
        if len(out) >= limit:
            break
    out += b"0" * (-len(out) % row_digits)
    return bytes.fromhex(out[:limit].decode())


def _fill(out: bytearray, filler: bytes, row_digits: int) -> None:
    begun = len(out) % row_digits
    if filler == b":":
        if begun:
            raise BadGraphic("a row is repeated in the middle of a row")
        out += out[-row_digits:] if out else b"0" * row_digits
    else:
        out += (b"0" if filler == b"," else b"F") * (row_digits - begun)


def _worth(letter: int) -> int:
    """G..Y are 1..19, g..z are 20..400 in twenties."""
    return letter - 70 if letter < 90 else (letter - 102) * 20
