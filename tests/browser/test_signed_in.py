"""A room with its door closed: signing in, acting by one's own name, what a role is shown."""

from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from playwright.async_api import Browser, Page, expect

from browser.rig import Room, running
from gateway.ledger import entries
from schemas.access import AccessRole

_EVERYTHING = {
    "Floor", "Held and in doubt", "Mislabels", "Orders", "Figures", "Master data", "Ledger",
    "Stations found", "Site file",
}  # fmt: skip


@pytest.fixture
async def closed(tmp_path: Path) -> AsyncIterator[Room]:
    """A room that lets nobody in without a key."""
    async with running(tmp_path, closed=True) as room:
        yield room


async def sign_in(browser: Browser, room: Room, name: str, role: AccessRole, *at: str) -> Page:
    """A browser of its own in which somebody has signed in."""
    context = await browser.new_context(base_url=room.url, viewport={"width": 1280, "height": 900})
    page = await context.new_page()
    await page.goto("/floor/bench")
    await expect(page).to_have_url(f"{room.url}/sign-in?to=/floor/bench")
    await page.locator("input[name=key]").fill(await room.key(name, role, *at))
    await page.locator("main button").click()
    await expect(page).to_have_url(f"{room.url}/floor/bench")
    return page


async def links(page: Page) -> set[str]:
    """What the navigation offers."""
    texts = await page.locator("nav a").all_inner_texts()
    return {text.splitlines()[0].rstrip("0123456789 ") for text in texts}


async def test_supervisor_acts_under_her_own_name(closed: Room, browser: Browser) -> None:
    """No form asks who she is, and the ledger has the name of her session."""
    page = await sign_in(browser, closed, "lead", AccessRole.SUPERVISOR)
    await page.locator("#hold > summary").click()
    await expect(page.locator("#hold").get_by_label("Your name")).to_have_count(0)
    await page.locator("#hold").get_by_label("Why").fill("the film runs askew")
    await page.locator("#hold").get_by_role("button").click()
    await expect(page.get_by_role("status").first).to_contain_text("is held")
    told = await closed.gateway.store.read(lambda conn: entries.page(conn, after=0, limit=500))
    held = [entry for entry in told if "askew" in str(entry.data)]
    assert ["lead"] == [entry.actor for entry in held]

    await page.goto("/ledger")
    await page.get_by_role("button", name="Sign a checkpoint now").click()
    await expect(page.get_by_role("status").first).to_contain_text("is signed")
    assert len(await links(page)) >= len(_EVERYTHING) - 1

    await page.get_by_role("button", name="Sign out").click()
    await page.goto("/floor")
    await expect(page).to_have_url(f"{closed.url}/sign-in?to=/floor")


async def test_form_of_another_page_is_refused(closed: Room, browser: Browser) -> None:
    """Her cookie in a request that a foreign page had sent does nothing (Fetch Metadata, W3C)."""
    page = await sign_in(browser, closed, "lead", AccessRole.SUPERVISOR)
    cookies = "; ".join(f"{one['name']}={one['value']}" for one in await page.context.cookies())
    for headers in ({"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}):
        async with httpx.AsyncClient(base_url=closed.url, trust_env=False) as stranger:
            answer = await stranger.post(
                "/floor/bench/hold",
                data={"reason": "mischief", "by": "nobody"},
                headers={**headers, "cookie": cookies},
            )
        assert 403 == answer.status_code
    assert (await closed.view("bench"))["held"] is None


async def test_operator_is_shown_what_an_operator_may_do(closed: Room, browser: Browser) -> None:
    """No link leads to a refusal, and what needs a supervisor is not offered."""
    row = await closed.shift()
    page = await sign_in(browser, closed, "packer", AccessRole.OPERATOR)
    offered = await links(page)
    assert not offered & {"Ledger", "Site file", "Figures", "Mislabels", "Stations found"}
    for link in await page.locator("nav a").all():
        href = await link.get_attribute("href")
        assert href is not None
        seen = await page.request.get(href)
        assert seen.ok, href
    await expect(page.locator("#release > summary")).to_be_visible()
    await page.goto(f"/orders/{row[0]['order_id']}")
    await expect(page.get_by_text("Evidence")).to_have_count(0)
    await expect(page.locator("#move")).to_have_count(0)
    await page.goto("/ledger")
    await expect(page.locator("h1")).not_to_contain_text("Ledger")


async def test_integrator_sees_the_room_and_touches_no_bag(closed: Room, browser: Browser) -> None:
    """Whoever wires the room finds the site file, and no form at a station."""
    await closed.shift()
    page = await sign_in(browser, closed, "wiring", AccessRole.INTEGRATOR)
    await expect(page.locator("#held")).to_be_visible()
    await expect(page.locator("main form")).to_have_count(0)
    await page.get_by_role("link", name="Site file").click()
    await expect(page.locator("h1")).to_contain_text("Site file")


async def test_operator_of_one_station_acts_there_only(closed: Room, browser: Browser) -> None:
    """Another station's page is not hers."""
    page = await sign_in(browser, closed, "packer", AccessRole.OPERATOR, "bench")
    await expect(page.locator("#hold > summary")).to_be_visible()
    answer = await page.goto("/floor/floor")
    assert answer is not None
    assert 403 == answer.status
