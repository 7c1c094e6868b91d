"""Small readers of label streams, written apart from the project: they only tell commands apart."""

import re
from dataclasses import dataclass

import numpy as np
import zxingcpp


def zpl_commands(stream: bytes) -> list[tuple[str, bytes]]:
    """Every command of a ZPL stream with its parameters, the way a printer cuts it up.

    RS counts as the caret and DLE as the tilde. Source: the language's published programming guide.
    """
    text = stream.replace(b"\x1e", b"^").replace(b"\x10", b"~")
    return [
        (match[1].decode() + match[2].decode().upper(), match[3])
        for match in re.finditer(rb"([\^~])([A-Za-z0-9@]{1,2})([^\^~]*)", text)
    ]


def zpl_field_data(commands: list[tuple[str, bytes]]) -> list[str]:
    """Data of each field with its hexadecimal escapes undone."""
    found, indicator = [], b""
    for name, body in commands:
        if name == "^FH":
            indicator = body[:1] or b"_"
        elif name == "^FD":
            pattern = re.escape(indicator) + rb"([0-9A-Fa-f]{2})" if indicator else b"(?!)"
            plain = re.sub(pattern, lambda m: bytes([int(m[1], 16)]), body)
            found.append(plain.decode("utf-8"))
            indicator = b""
    return found


@dataclass(frozen=True, slots=True)
class EplCommand:
    """One line of EPL: its letters, its numbers, its text, the bytes that follow it."""

    name: str
    numbers: tuple[str, ...]
    text: str
    raw: bytes


def epl_commands(stream: bytes) -> list[EplCommand]:
    """Every command of an EPL stream; a graphic's bytes are skipped by their count.

    Text is quoted, with a backslash before a quote or a backslash. Source: the published guide.
    """
    commands, at = [], 0
    while at < len(stream):
        end = stream.find(b"\n", at)
        end = len(stream) if end < 0 else end
        if stream.startswith(b"GW", at):
            head = re.match(rb"GW(\d+),(\d+),(\d+),(\d+),", stream[at : at + 60])
            assert head is not None
            size = int(head[3]) * int(head[4])
            start = at + head.end()
            numbers = tuple(g.decode() for g in head.groups())
            commands.append(EplCommand("GW", numbers, "", stream[start : start + size]))
            assert stream[start + size : start + size + 1] == b"\n"
            at = start + size + 1
            continue
        line = stream[at:end].decode("cp1252")
        at = end + 1
        if match := re.match(r"([A-Za-z^]+)([^\"]*)(?:\"((?:[^\"\\]|\\.)*)\")?$", line):
            numbers = tuple(n for n in match[2].split(",") if n)
            text = re.sub(r"\\(.)", r"\1", match[3] or "")
            commands.append(EplCommand(match[1], numbers, text, b""))
        else:
            assert not line, f"not one command: {line!r}"
    return commands


def draw_epl(stream: bytes) -> np.ndarray:
    """Black dots of a form that holds graphics, rules and upright Code 128."""
    sheet = np.zeros((1, 1), np.bool_)
    for command in epl_commands(stream):
        n = [int(v) for v in command.numbers if v.lstrip("-").isdigit()]
        if command.name == "q":
            sheet = np.zeros((sheet.shape[0], n[0]), np.bool_)
        elif command.name == "Q":
            sheet = np.zeros((n[0], sheet.shape[1]), np.bool_)
        elif command.name == "LO":
            x, y, w, h = n
            sheet[y : y + h, x : x + w] = True
        elif command.name == "GW":
            x, y, stride, rows = n
            packed = np.frombuffer(command.raw, np.uint8).reshape(rows, stride)
            ink = np.unpackbits(packed, axis=1) == 0
            part = sheet[y : y + rows, x : x + stride * 8]
            part |= ink[: part.shape[0], : part.shape[1]]
        elif command.name == "B":
            _bars(sheet, command)
    return sheet


def _bars(sheet: np.ndarray, command: EplCommand) -> None:
    """Upright Code 128, encoded by libzint."""
    x, y, turn, kind, narrow, _, height, _ = command.numbers
    assert turn == "0"
    assert kind in {"1B", "1C"}
    symbol = zxingcpp.create_barcode(command.text, zxingcpp.BarcodeFormat.Code128)
    row = np.asarray(symbol.to_image(scale=1, add_quiet_zones=False))[0] == 0
    row = np.repeat(row, int(narrow))
    sheet[int(y) : int(y) + int(height), int(x) : int(x) + len(row)] |= row
