"""The unit of work: everything that one step changes, and its ledger entries, commit together."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import sqlalchemy as sa
from pydantic import JsonValue
from sqlalchemy.engine import Connection

from gateway.clock import instant_text
from gateway.ledger.chain import seal
from gateway.ledger.merkle import CompactRange, leaf_hash
from gateway.store import prepared
from gateway.store.tables import counters, entries, ledger_head, merkle_nodes, outbox
from schemas.events import Outgoing, OutgoingType
from schemas.ledger import EntryKind

OUTBOX = "*outbox"
"""Told after a commit that put something into the outbox; no station can be called so."""

LOWEST_KEPT_LEVEL = 3
"""Merkle nodes below this level are hashed anew from the entries when a proof asks for them."""

Ending = Callable[[bool], None]

_TAIL = sa.select(ledger_head.c.size, ledger_head.c.last_hash, ledger_head.c.range)
_SET_TAIL = sa.update(ledger_head).values(
    size=sa.bindparam("new_size"),
    last_hash=sa.bindparam("new_hash"),
    range=sa.bindparam("new_range"),
)
_COUNT_UP = (
    sa.update(counters)
    .where(counters.c.name == sa.bindparam("counter"))
    .values(value=counters.c.value + sa.bindparam("more"))
    .returning(counters.c.value)
)
_INSERT_ENTRIES = sa.insert(entries)
_INSERT_OUTBOX = sa.insert(outbox).inline()
_INSERT_NODES = sa.insert(merkle_nodes)


@dataclass(slots=True)
class LedgerTail:
    """The end of the ledger while a group of steps is written."""

    size: int
    last_hash: str
    range: CompactRange

    @classmethod
    def read(cls, conn: Connection) -> "LedgerTail":
        """Where the stored ledger ends."""
        ((size, last_hash, tree),) = prepared.rows(conn, _TAIL, {})
        return cls(size, last_hash, CompactRange.restore(tree))


@dataclass(slots=True)
class Work:
    """What a step may do inside its transaction. `now` is one instant for the whole step."""

    conn: Connection
    now: datetime
    tail: LedgerTail
    woken: set[str] = field(default_factory=set)
    entries: list[dict[str, object]] = field(default_factory=list)
    outgoing: list[dict[str, object]] = field(default_factory=list)
    endings: list[Ending] = field(default_factory=list)

    def record(
        self,
        kind: EntryKind,
        *,
        actor: str = "gateway",
        order_id: str | None = None,
        parcel_id: str | None = None,
        job_id: str | None = None,
        station: str | None = None,
        event_id: str | None = None,
        facts: Mapping[str, JsonValue] | None = None,
        **data: JsonValue,
    ) -> int:
        """Append a ledger entry and return its sequence number, counted from 1.

        `facts` and the further keywords make the entry's data.
        """
        seq = self.tail.size + 1
        time = instant_text(self.now)
        body: dict[str, JsonValue] = {
            "seq": seq,
            "time": time,
            "kind": kind.value,
            "order_id": order_id,
            "parcel_id": parcel_id,
            "job_id": job_id,
            "station": station,
            "event_id": event_id,
            "actor": actor,
            "data": {**(facts or {}), **data},
            "prev": self.tail.last_hash,
        }
        canonical, digest = seal(body)
        self.tail.size = seq
        self.tail.last_hash = digest
        self.entries.append(
            {
                "seq": seq,
                "canonical": canonical,
                "hash": bytes.fromhex(digest),
                "time": time,
                "kind": kind.value,
                "order_id": order_id,
                "parcel_id": parcel_id,
                "job_id": job_id,
                "station": station,
                "event_id": event_id,
            }
        )
        return seq

    def publish(self, type_: OutgoingType, data: Outgoing) -> None:
        """Put an outgoing event into the outbox, to be sent after the commit."""
        self.outgoing.append(
            {
                "type": type_.value,
                "subject": data.order_id or data.station,
                "data": data.model_dump_json(exclude_none=True, exclude_defaults=True),
                "created": self.now,
            }
        )
        self.woken.add(OUTBOX)

    def wake(self, station: str) -> None:
        """Tell the station's lane, after the commit, that there may be work."""
        self.woken.add(station)

    def at_end(self, tell: Ending) -> None:
        """Call `tell` once it is known whether this step was kept; on the loop of its caller."""
        self.endings.append(tell)

    def next_number(self, name: str, count: int = 1) -> int:
        """Take `count` numbers from a durable counter; the first of them. Never given twice."""
        raised = prepared.row(self.conn, _COUNT_UP, {"counter": name, "more": count})
        if raised is None:
            self.conn.execute(sa.insert(counters).values(name=name, value=count))
            return 1
        return int(raised[0]) - count + 1

    def flush(self) -> None:
        """Write the collected entries and outgoing events. Called once before the commit."""
        if self.entries:
            self._grow_tree()
            prepared.run_for_each(self.conn, _INSERT_ENTRIES, self.entries)
            prepared.run(
                self.conn,
                _SET_TAIL,
                {
                    "new_size": self.tail.size,
                    "new_hash": self.tail.last_hash,
                    "new_range": self.tail.range.serialise(),
                },
            )
        if self.outgoing:
            prepared.run_for_each(self.conn, _INSERT_OUTBOX, self.outgoing)

    def _grow_tree(self) -> None:
        nodes: list[dict[str, object]] = []
        for row in self.entries:
            canonical = row["canonical"]
            assert isinstance(canonical, bytes)
            nodes += [
                {"level": node.level, "index": node.index, "hash": node.hash}
                for node in self.tail.range.append(leaf_hash(canonical))
                if node.level >= LOWEST_KEPT_LEVEL
            ]
        if nodes:
            prepared.run_for_each(self.conn, _INSERT_NODES, nodes)
