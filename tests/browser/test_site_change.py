"""The site file, changed on disk and taken up from its page while the gateway runs."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

import uvicorn
from playwright.async_api import Browser, expect

from gateway.app import build, create_app
from gateway.limits.serving import serving
from gateway.site_file import load
from gateway.switch import Switch

_WAIT = 15_000


@asynccontextmanager
async def served(file: Path) -> AsyncIterator[str]:
    """A gateway on a site file, as `bagrelay serve` runs it; its address."""
    switch = Switch(
        partial(load, file), partial(build, environment={}), partial(create_app, site_file=file)
    )
    settings = serving(switch.gateway.site, "127.0.0.1", 0, {})
    server = uvicorn.Server(uvicorn.Config(switch, lifespan="on", **settings))
    running = asyncio.create_task(server.serve(), name="gateway http")
    try:
        while not server.started:
            assert not running.done(), "the gateway did not start"
            await asyncio.sleep(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        await running


async def test_changed_file_is_taken_up_from_the_page(tmp_path: Path, browser: Browser) -> None:
    """She sees what differs, takes it up, and an open floor follows by itself."""
    file = tmp_path / "site.toml"
    text = (
        'name = "old room"\nstation = []\ngs1.company_prefix = "9521234"\n'
        f'access.open_door = true\nstore.url = "sqlite:///{tmp_path / "room.db"}"\n'
    )
    file.write_text(text)
    async with served(file) as url:
        context = await browser.new_context(base_url=url)
        floor = await context.new_page()
        await floor.goto("/floor")
        await expect(floor.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
        page = await context.new_page()
        await page.goto("/site")
        await expect(page.get_by_text("It says what is in force.")).to_be_visible()

        file.write_text(text.replace("old room", "new room") + "http.port = 9999\n")
        await page.reload()
        await expect(page.locator("main")).to_contain_text("taken up by a restart only: http.port")
        await expect(page.locator("#take")).to_have_count(0)

        file.write_text(text.replace("old room", "new room"))
        await page.reload()
        await expect(page.locator("main table").first).to_contain_text("new room")
        await page.locator("#take > summary").click()
        await page.locator("#take").get_by_label("Why").fill("the room has a new name")
        await page.locator("#take").get_by_label("Your name").fill("R. Example")
        await page.locator("#take").get_by_role("button").click()
        await expect(page.locator(".brand small")).to_have_text("new room", timeout=_WAIT)
        await expect(page.locator("main")).to_contain_text("by R. Example")
        await expect(page.get_by_text("It says what is in force.")).to_be_visible()
        await expect(floor.locator("#pulse")).to_have_text("Live", timeout=60_000)
        await page.goto("/ledger")
        await expect(page.locator("main")).to_contain_text("R. Example")
