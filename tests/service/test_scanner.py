"""A scanner on a TCP port: every code that was read becomes one event; hostile lines do no harm."""

import asyncio
import os
import pty
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import NotStored
from gateway.intake import scanner as scanner_module
from gateway.intake.scan_codes import LONGEST_CODE_BYTES, CodeSplitter
from gateway.intake.scanner import ScannerIn
from gateway.store.tables import events
from schemas.queues import Scanner
from tests.service.gateway_rig import Rig, running, sees, station, until

# --- codes out of bytes ---

_CODES = st.lists(
    st.text(st.characters(min_codepoint=33, max_codepoint=0x2FF), min_size=1, max_size=30),
    max_size=8,
)


@given(codes=_CODES, ends=st.sampled_from(["\r", "\n", "\r\n", "\n\r"]), cuts=st.data())
def test_codes_come_whole_however_they_are_cut(
    codes: list[str], ends: str, cuts: st.DataObject
) -> None:
    """Whatever pieces a line arrives in, each code comes once, whole, in order."""
    sent = "".join(code + ends for code in codes).encode()
    splitter, found = CodeSplitter(), []
    while sent:
        size = cuts.draw(st.integers(1, len(sent)))
        found += splitter.feed(sent[:size])
        sent = sent[size:]
    assert [code.strip("\x85\xa0 \t") or code for code in codes] == [
        code.strip("\x85\xa0 \t") or code for code in found
    ]
    assert not splitter.unfinished


def test_code_that_never_ends_is_thrown_away() -> None:
    """Too many bytes without an end are counted and dropped; the next code is whole."""
    splitter = CodeSplitter()
    assert [] == splitter.feed(b"x" * (LONGEST_CODE_BYTES + 1))
    assert ["good"] == splitter.feed(b"yyy\rgood\r")
    assert 1 == splitter.overlong


def test_framing_and_latin_1_are_understood() -> None:
    """STX and ETX around a code are no part of it, GS inside is; bytes that aren't UTF-8 are
    Latin-1 (common practice, no source)."""
    assert ["]C101952\x1d21", "ä"] == CodeSplitter().feed(b"\x02]C101952\x1d21\x03\r\n\xe4\r")


# --- through the gateway ---


@asynccontextmanager
async def _room(
    folder: Path, meaning: str = "verify", **more: Any
) -> AsyncIterator[tuple[Rig, ScannerIn]]:
    section = {"id": "gun", "station": "s1", "meaning": meaning, "port": 0, **more}
    async with running(folder, station("s1", verify="required"), scanner=[section]) as rig:
        yield rig, rig.gateway.ways.scanners[0]


async def _dial(scanner: ScannerIn) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_connection("127.0.0.1", scanner.port)


async def _rows(rig: Rig) -> list[Any]:
    return await rig.gateway.store.read(
        lambda conn: list(
            conn.execute(
                sa.select(events).where(events.c.source == "/scanners/gun").order_by("received")
            )
        )
    )


async def test_verifying_scan_is_judged_and_acknowledged(tmp_path: Path) -> None:
    """The code of the bag's label verifies it; ACK comes after it is durable."""
    async with _room(tmp_path, acknowledge=True) as (rig, scanner):
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed")
        reader, writer = await _dial(scanner)
        writer.write((await rig.code_of("o1")).encode() + b"\r\n")
        assert b"\x06" == await reader.readexactly(1)
        assert ["verified"] == await rig.states("o1")
        writer.close()


async def test_order_scan_asks_for_its_order_and_a_refusal_is_kept(tmp_path: Path) -> None:
    """Without a WMS an order's code can't be answered: NAK, and a dead letter with the reason."""
    async with _room(tmp_path, "order", acknowledge=True) as (rig, scanner):
        reader, writer = await _dial(scanner)
        writer.write(b"SO-1\r")
        assert b"\x15" == await reader.readexactly(1)
        [letter] = (await rig.client.get("/v1/dead-letters")).json()
        assert ("scanner gun", True) == (letter["way"], "no WMS" in letter["reason"])
        writer.close()


async def test_no_read_is_told_as_one(tmp_path: Path) -> None:
    """What the scanner sends for a failed read counts as a try without a read."""
    async with _room(tmp_path, no_read="NOREAD", acknowledge=True) as (rig, scanner):
        reader, writer = await _dial(scanner)
        writer.write(b"NOREAD\r" * 3)
        assert b"\x06\x06\x06" == await reader.readexactly(3)
        assert (await rig.view("s1"))["held"] is not None
        writer.close()


async def test_the_same_code_twice_is_two_scans(tmp_path: Path) -> None:
    """Two pulls of the trigger are two events; the judge of scans knows what the second means."""
    async with _room(tmp_path, acknowledge=True) as (rig, scanner):
        reader, writer = await _dial(scanner)
        writer.write(b"A\rA\r")
        await reader.readexactly(2)
        assert 2 == len(await _rows(rig))
        writer.close()


async def test_store_that_is_away_loses_no_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nothing can be stored, what was read waits, and is taken in its order afterwards."""
    async with _room(tmp_path, acknowledge=True) as (rig, scanner):
        store, real = rig.gateway.store, rig.gateway.store.write

        async def away(*_: object) -> None:
            raise NotStored("away", retry_after_s=1)

        monkeypatch.setattr(store, "write", away)
        reader, writer = await _dial(scanner)
        writer.write(b"A\rB\rC\r")
        await sees(lambda: scanner.view().in_hand == 3 and "away" in scanner.view().text, "a wait")
        monkeypatch.setattr(store, "write", real)
        assert b"\x06\x06\x06" == await reader.readexactly(3)
        assert [b'"A"', b'"B"', b'"C"'] == [row.raw[-5:-2] for row in await _rows(rig)]
        writer.close()


async def test_stop_keeps_what_it_could_not_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scan that can't be taken before the stop becomes a dead letter, which can be replayed."""
    monkeypatch.setattr(scanner_module, "FINISH_WITHIN_S", 0.1)
    async with _room(tmp_path, "order") as (rig, scanner):

        async def busy(*_: object, **__: object) -> None:
            raise NotStored("the lane is busy", retry_after_s=1)

        monkeypatch.setattr(rig.gateway.intake, "accept", busy)
        _, writer = await _dial(scanner)
        writer.write(b"A\rB\r")
        await sees(lambda: scanner.view().in_hand == 2, "both to be read")
        await scanner.stop()
        letters = (await rig.client.get("/v1/dead-letters")).json()
        assert ["stopped", "stopped"] == [
            "stopped" if "stopped before" in one["reason"] else one["reason"] for one in letters
        ]
        writer.close()


async def test_connections_beyond_the_limit_are_closed(tmp_path: Path) -> None:
    """A third scanner on a port for two is turned away; a place that is free is given again."""
    async with _room(tmp_path, max_connections=2, acknowledge=True) as (_, scanner):
        first, second = await _dial(scanner), await _dial(scanner)
        for reader, writer in (first, second):
            writer.write(b"A\r")
            await reader.readexactly(1)
        third = await _dial(scanner)
        assert b"" == await third[0].read()
        first[1].close()

        async def let_in() -> bool:
            reader, writer = await _dial(scanner)
            writer.write(b"B\r")
            answer = await reader.read(1)
            writer.close()
            return answer == b"\x06"

        await until(let_in, "the free place")
        for _reader, writer in (second, third):
            writer.close()


async def test_others_than_the_named_networks_are_turned_away(tmp_path: Path) -> None:
    """A port for one network takes nobody else."""
    async with _room(tmp_path, from_networks=["10.0.0.0/8"]) as (rig, scanner):
        reader, writer = await _dial(scanner)
        assert b"" == await reader.read()
        writer.close()
        assert [] == await _rows(rig)


async def test_idle_and_dripping_connections_are_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A silent line is closed after its idle time; one that never ends a code after the code's."""
    monkeypatch.setattr(scanner_module, "CODE_WITHIN_S", 0.1)
    async with _room(tmp_path, idle_s=0.1) as (rig, scanner):
        silent, _writer = await _dial(scanner)
        assert b"" == await silent.read()
        _writer.close()
    async with _room(tmp_path / "..", idle_s=600) as (rig, scanner):
        reader, writer = await _dial(scanner)
        writer.write(b"never ends")
        assert b"" == await reader.read()
        writer.close()
        assert [] == await _rows(rig)


async def test_reset_line_does_no_harm(tmp_path: Path) -> None:
    """A scanner that loses power amid a code leaves whole codes taken and the port open."""
    async with _room(tmp_path, acknowledge=True) as (rig, scanner):
        reader, writer = await _dial(scanner)
        writer.write(b"A\rhalf")
        await reader.readexactly(1)
        line: socket.socket = writer.get_extra_info("socket")
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        writer.close()
        reader, writer = await _dial(scanner)
        writer.write(b"B\r")
        await reader.readexactly(1)
        assert 2 == len(await _rows(rig))
        writer.close()


async def test_serial_scanner_is_the_same_scanner(tmp_path: Path) -> None:
    """On a serial line, here a pseudo-terminal, codes come and are acknowledged as over TCP."""
    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    try:
        async with _room(tmp_path, port=None, device=name, acknowledge=True) as (rig, _):

            async def scanned() -> bool:
                os.write(ours, b"A\r")
                return len(await _rows(rig)) > 0

            await until(scanned, "a scan from the serial line")
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.parametrize("line", [{}, {"port": 9000, "device": "/dev/ttyS0"}])
def test_scanner_has_one_line(line: dict[str, Any]) -> None:
    """A scanner without a line, or with two, is refused in the site file."""
    with pytest.raises(ValueError, match="a port or a device"):
        Scanner.model_validate({"id": "gun", "station": "s1", "meaning": "verify", **line})
