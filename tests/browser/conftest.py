"""A room and a browser for each test. Where no Chromium is, tests are skipped; in CI they fail."""

import os
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from playwright.async_api import Browser, Page, async_playwright

from browser.rig import Room, running

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture
async def room(tmp_path: Path) -> AsyncIterator[Room]:
    """A room of four stations with nothing done yet."""
    async with running(tmp_path) as room:
        yield room


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    """A real Chromium without a window."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("there is no Chromium, and CI must have it")
        pytest.skip("there is no Chromium here")
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield chromium
        await chromium.close()


@pytest.fixture
async def page(browser: Browser, room: Room) -> AsyncIterator[Page]:
    """A page whose every request stays in the house, and whose scripts raise nothing."""
    context = await browser.new_context(base_url=room.url, viewport={"width": 1280, "height": 860})
    page = await context.new_page()
    strangers: list[str] = []
    troubles: list[str] = []
    page.on(
        "request",
        lambda asked: (
            None if asked.url.startswith((room.url, "data:")) else strangers.append(asked.url)
        ),
    )
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on(
        "console",
        lambda said: troubles.append(said.text) if _blocked(said.type, said.text) else None,
    )
    yield page
    await context.close()
    assert [] == strangers
    assert [] == troubles


def _blocked(kind: str, text: str) -> bool:
    """An error of a script or of the content security policy, not a refused or missing answer."""
    return kind == "error" and "Failed to load resource" not in text
