"""The stream behind the floor, as a page meets it whose gateway was replaced meanwhile."""

from pathlib import Path

import pytest

from gateway.clock import SystemClock
from gateway.console import live
from gateway.console.live import Pulse
from gateway.store.store import Store


async def test_empty_room_sends_signs_of_life_to_a_page_of_an_earlier_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is no station to tell of, however long ago the page was drawn; nothing spins."""
    monkeypatch.setattr(live, "BEAT_EVERY_S", 0.05)
    store = Store(f"sqlite:///{tmp_path / 'a.db'}", SystemClock())
    store.start()
    stream = Pulse({}, store, lambda _name: (None, True)).watch("0badcafe-7")
    try:
        assert await anext(stream) is None
        assert await anext(stream) is None
    finally:
        await stream.aclose()  # type: ignore[attr-defined]
        store.close()
