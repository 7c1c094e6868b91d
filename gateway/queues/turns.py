"""Whose turn it is, where several gateways share a store: one reads a queue, one tells a target.

So events of a station keep their order. A turn is a lease without fencing: a gateway that was
paused past its turn may acknowledge or send once more what another has, and both are recognised,
because an event has one id wherever it goes.
"""

from datetime import timedelta

import sqlalchemy as sa

from gateway.queues.tables import turns
from gateway.store.store import Store
from gateway.store.work import Work

TURN_S = 10.0
RENEW_S = 3.0


async def take(store: Store, way: str, owner: str) -> bool:
    """Take or keep the turn; False while another gateway has it."""
    if not store.shared:
        return True
    return await store.write(lambda work: _take(work, way, owner, store))


async def give_up(store: Store, owner: str) -> None:
    """Hand back every turn of this process."""
    if store.shared:
        await store.write(
            lambda work: work.conn.execute(sa.delete(turns).where(turns.c.owner == owner))
        )


def _take(work: Work, way: str, owner: str, store: Store) -> bool:
    now = store.shared_now(work)
    until = now + timedelta(seconds=TURN_S)
    row = work.conn.execute(sa.select(turns).where(turns.c.way == way)).one_or_none()
    if row is None:
        work.conn.execute(sa.insert(turns).values(way=way, owner=owner, until=until))
        return True
    if row.owner != owner and row.until >= now:
        return False
    work.conn.execute(sa.update(turns).where(turns.c.way == way).values(owner=owner, until=until))
    return True
