"""What a label costs must not grow with the years: no statement reads a whole table that grows."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.pool import Pool

from gateway.queues.tables import dead_letters
from gateway.store import tables
from tests.service.gateway_rig import order, running, station

_STAYS_SMALL = {
    tables.stations,
    tables.lanes,
    tables.supplies,
    tables.counters,
    tables.ledger_head,
    tables.holds,
    tables.checkpoints,
    tables.archives,
    tables.outbox,
    tables.cases,
    tables.case_entries,
    dead_letters,
}
"""As many rows as stations, days or faults; and what waits to be told, which is soon gone."""

_GROWS = sorted(table.name for table in set(tables.metadata.sorted_tables) - _STAYS_SMALL)
_ITEM = {"sku": "plate", "mass_g": 900}
_WIDE = {"length": 2000, "width": 900, "height": 20}
_PLANNED = ("SELECT", "UPDATE", "DELETE", "INSERT")


@contextmanager
def _heard() -> Iterator[list[str]]:
    """Every statement that SQLite runs on connections opened meanwhile."""
    texts: list[str] = []

    def listen(connection: sqlite3.Connection, _record: object) -> None:
        connection.set_trace_callback(texts.append)

    sa.event.listen(Pool, "connect", listen)
    try:
        yield texts
    finally:
        sa.event.remove(Pool, "connect", listen)


def _scans(file: Path, texts: list[str]) -> dict[str, str]:
    """Statements that read a growing table from end to end, with SQLite's plan for it."""
    found: dict[str, str] = {}
    asked: set[str] = set()
    with sqlite3.connect(file) as conn:
        for text in texts:
            shape = re.sub(r"'[^']*'|x'[^']*'|\d+", "?", text, flags=re.IGNORECASE)
            if shape in asked or not text.lstrip().upper().startswith(_PLANNED):
                continue
            asked.add(shape)
            for *_, step in conn.execute(f"EXPLAIN QUERY PLAN {text}"):
                scan = re.match(r"SCAN (\w+)(?! USING)", step)
                if scan and scan[1] in _GROWS:
                    found[shape] = step
    return found


@pytest.mark.parametrize("verify", ["required", "none"])
async def test_a_label_from_scan_to_proof_reads_by_index(tmp_path: Path, verify: str) -> None:
    """Scanned, sent, verified, refused, reprinted, voided, cancelled, held and released."""
    with _heard() as texts:
        async with running(tmp_path, station("s1", verify=verify)) as rig:
            texts.clear()
            for name in ("o1", "o2", "o3"):
                await rig.scan("s1", name)
                await rig.scan("s1", name)
                await rig.job_in(name, "sent", "printed", "closed")
                await rig.verify("s1", "no label of ours")
                await rig.act("/v1/stations/s1/release")
                await rig.verify("s1", await rig.code_of(name))
                await rig.verify("s1", await rig.code_of("o1"))
                await rig.act("/v1/stations/s1/release")
            await rig.act("/v1/stations/s1/hold")
            await rig.scan("s1", "o4")
            job = (await rig.jobs("o4"))[0]
            await rig.act(f"/v1/jobs/{job['job_id']}/cancel", reason="given up")
            await rig.act("/v1/stations/s1/release")
            wide = order("o5", lines=[{"line_id": "1", "item": {**_ITEM, "size": _WIDE}}])
            await rig.post(rig.event("order.scanned", "s1", code="o5", order=wide))
            await rig.scan("s1", "o5")
            printed = await rig.job_in("o5", "sent", "printed", "closed")
            await rig.act(f"/v1/jobs/{printed['job_id']}/void", reason="torn")
            await rig.act(f"/v1/jobs/{printed['job_id']}/reprint", reason="torn")
            await rig.view("s1")
            await rig.story("o5")
    assert len(texts) > 300
    assert {} == _scans(rig.db, texts)
