"""The quick way to find that all is well: what a store's whole ledger is read through first.

SQLite writes the columns of an entry as one JSON text, which costs less than handing them over one
by one, and one comparison holds it against the end of the sealed text. This way only ever says
"well"; where it does not, `chain.verify` reads on from there and finds out what is wrong.
"""

import sqlite3
from binascii import hexlify
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import groupby
from typing import cast

from sqlalchemy.engine import Connection

from gateway.ledger.chain_fault import ChainHead
from schemas.ledger import Checkpoint

Seen = Callable[[int], None]
"""Told the number of an entry now and then, to show how far the check is."""

_BLOCK = 256
_SPLIT = b',"station":'
_ROWS = (
    "SELECT seq, CAST(canonical AS BLOB), CAST(hash AS BLOB), CAST(json_object("
    "'event_id', event_id, 'job_id', job_id, 'kind', kind, 'order_id', order_id,"
    " 'parcel_id', parcel_id, 'station', station, 'time', time) AS BLOB)"
    " FROM entries WHERE seq > ? AND seq <= ? ORDER BY seq"
)
_LAST = 2**63 - 1
_Row = tuple[int, bytes, bytes, bytes]


@dataclass(frozen=True, slots=True)
class Passed:
    """The entry up to which all is well, and how many checkpoints, smallest first, agree."""

    head: ChainHead
    checkpoints: int = 0


def pass_over(
    conn: Connection, start: ChainHead, checkpoints: Sequence[Checkpoint], seen: Seen | None = None
) -> Passed:
    """Follow the entries after `start` as far as all is well.

    `checkpoints` come smallest first, none smaller than the start. What is not well, an entry or
    a checkpoint, is left to the long way together with all since the last checkpoint that agrees.
    On PostgreSQL nothing is passed over.
    """
    passed = Passed(start)
    if conn.dialect.name != "sqlite":
        return passed
    for size, signed in groupby(checkpoints, key=lambda one: one.size):
        hashes = [one.last_hash for one in signed]
        head = _follow(conn, passed.head, size, seen)
        if head.seq != size or any(one != head.hash for one in hashes):
            return passed
        passed = Passed(head, passed.checkpoints + len(hashes))
    return Passed(_follow(conn, passed.head, _LAST, seen), passed.checkpoints)


def _follow(conn: Connection, head: ChainHead, until: int, seen: Seen | None) -> ChainHead:
    """The head after the last block that is well throughout."""
    cursor = conn.connection.cursor()
    try:
        cursor.execute(_ROWS, (head.seq, until))
        while rows := cast("list[_Row]", cursor.fetchmany(_BLOCK)):
            if not _well(head, rows):
                break
            head = ChainHead(rows[-1][0], rows[-1][2].hex())
            if seen is not None:
                seen(head.seq)
    except (sqlite3.Error, TypeError):
        pass  # a column holds what JSON can't: the long way says which
    finally:
        cursor.close()
    return head


def _well(head: ChainHead, rows: Sequence[_Row]) -> bool:
    expected, prev = head.seq, head.hash.encode()
    for seq, text, stored, columns in rows:
        expected += 1
        before, split, after = columns.rpartition(_SPLIT)
        tail = b',%b,"prev":"%b","seq":%d%b%b' % (before[1:], prev, expected, split, after)
        if seq != expected or sha256(text).digest() != stored or not text.endswith(tail):
            return False
        prev = hexlify(stored)
    return True
