"""Hearing from the other gateways on the same PostgreSQL which lanes have work."""

import threading
from collections.abc import Callable

import psycopg
import structlog
from sqlalchemy.engine import make_url

from gateway.store.postgres import ALIVE, CHANNEL
from gateway.store.store import EVERY_LANE

log = structlog.get_logger(__name__)

_LOOK_UP_S = 1.0
_CONNECT_AGAIN_S = 0.5


class Listener:
    """A connection of its own that waits for announcements, and comes back when it is lost."""

    def __init__(self, url: str, heard: Callable[[frozenset[str]], None]) -> None:
        alive = {name: str(value) for name, value in ALIVE.items()}
        address = make_url(url).set(drivername="postgresql").update_query_dict(alive)
        self._dsn = address.render_as_string(hide_password=False)
        self._heard = heard
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="store-listen", daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def close(self) -> None:
        """Stop listening and let go of the connection."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._listen()
            except psycopg.Error as lost:
                log.warning("store.listening_lost", error=type(lost).__name__)
                self._stop.wait(_CONNECT_AGAIN_S)

    def _listen(self) -> None:
        with psycopg.connect(self._dsn, autocommit=True) as conn:
            conn.execute(f"LISTEN {CHANNEL}")
            self._heard(frozenset({EVERY_LANE}))
            while not self._stop.is_set():
                for told in conn.notifies(timeout=_LOOK_UP_S, stop_after=1):
                    self._heard(frozenset({told.payload}))
