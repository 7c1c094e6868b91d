"""Holding every stored node of the Merkle tree against what lies below it.

The roots that were signed need only some of the nodes; a proof may need any of them.
"""

from collections.abc import Iterator
from itertools import groupby

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.ledger.entries import stored_rows
from gateway.ledger.merkle import CompactRange, leaf_hash, node_hash
from gateway.store.tables import merkle_nodes
from gateway.store.work import LOWEST_KEPT_LEVEL


def false_node(conn: Connection) -> tuple[int, int] | None:
    """First and last entry under a stored node that is not theirs; None where there is none.

    A node is compared where what it was made from, eight entries or two nodes, is in the store.
    """
    below, known = dict(_of_entries(conn)), LOWEST_KEPT_LEVEL - 1
    found = conn.execute(
        sa.select(merkle_nodes).order_by(merkle_nodes.c.level, merkle_nodes.c["index"])
    )
    for level, rows in groupby(found, key=lambda row: row.level):
        if level != known + 1:  # archiving left none of the level between
            below = {}
        here: dict[int, bytes] = {}
        for _, index, stored in rows:
            here[index] = bytes(stored)
            if level == LOWEST_KEPT_LEVEL:
                right = below.get(index)
            else:
                left, other = below.get(2 * index), below.get(2 * index + 1)
                right = node_hash(left, other) if left and other else None
            if right is not None and right != here[index]:
                return (index << level) + 1, (index + 1) << level
        below, known = here, level
    return None


def _of_entries(conn: Connection) -> Iterator[tuple[int, bytes]]:
    """The lowest nodes that are kept, by index, as the entries give them."""
    for index, rows in groupby(stored_rows(conn), lambda row: (row[0] - 1) >> LOWEST_KEPT_LEVEL):
        tree = CompactRange()
        tree.extend([leaf_hash(row[1]) for row in rows])
        if tree.size == 1 << LOWEST_KEPT_LEVEL:
            yield index, tree.root()
