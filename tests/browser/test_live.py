"""The live floor: changes arrive by themselves, and a cut line is said, never hidden."""

from playwright.async_api import Page, Route, expect

from browser.rig import Room

_WAIT = 15_000


async def test_bags_appear_as_they_are_printed(room: Room, page: Page) -> None:
    """Without a reload the card shows the printed bags and the last scan."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    row = await room.two_printed()
    card = page.locator("#st-bench")
    await expect(card.locator(".place.load .bag")).to_have_text(row[0]["order_id"], timeout=_WAIT)
    await room.label("bench", row[0]["expected_scans"][0])
    await expect(card.locator(".verdict")).to_have_text("right label", timeout=_WAIT)


async def test_card_says_what_the_next_order_waits_for(room: Room, page: Page) -> None:
    """An order that waits though nothing is wrong has a reason, and it is on the floor."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    card = page.locator("#st-bench")
    row = await room.two_printed()
    await expect(card.locator(".where").last).to_have_text("at the printer")
    await expect(card.locator(".because")).to_have_count(0)
    (third,) = room.small(1)
    await room.scan("bench", third)
    await expect(card.locator(".because")).to_contain_text("must be scanned first", timeout=_WAIT)
    await room.label("bench", row[0]["expected_scans"][0])
    await expect(card.locator(".because")).to_have_count(0, timeout=_WAIT)


async def test_card_leads_to_why_a_report_was_not_taken(room: Room, page: Page) -> None:
    """Nobody reads an answer at a conveyor: the card says so, the station's page says why."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    room.machines["line"].scan("TOTE-NONE")
    link = page.locator("#st-line").get_by_role("link", name="Its last report was not taken")
    await link.click(timeout=_WAIT)
    await expect(page.locator("#refused")).to_contain_text("no WMS", timeout=_WAIT)


async def test_summary_and_attention_follow_a_hold(room: Room, page: Page) -> None:
    """The counts on top, the list of those that need somebody and the spoken news agree."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    await expect(page.locator("#summary .held")).to_have_count(0)
    calm = await page.context.new_page()
    await calm.goto("/floor?show=attention")
    await expect(calm.locator("#st-bench")).to_have_count(0)
    await expect(calm.locator("#pulse")).to_have_text("Live", timeout=_WAIT)

    await room.shift()
    await expect(page.locator("#summary .held")).to_contain_text("1", timeout=_WAIT)
    await expect(page.locator("#news")).to_contain_text("Bench 1: Held", timeout=_WAIT)
    await expect(calm.locator("#st-bench")).to_contain_text("Held", timeout=_WAIT)


async def test_work_list_grows_by_itself(room: Room, page: Page) -> None:
    """A hold appears among the questions without a reload."""
    await page.goto("/waiting")
    await expect(page.get_by_text("Nothing waits for an answer.")).to_be_visible()
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    await room.shift()
    await expect(page.get_by_text("May Bench 1 go on?")).to_be_visible(timeout=_WAIT)


async def test_focus_stays_where_it_was_when_a_card_changes(room: Room, page: Page) -> None:
    """A card is changed in place: whoever is on its link by keyboard stays there."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    link = page.locator("#st-bench h2 a")
    await link.focus()
    await room.two_printed()
    await expect(page.locator("#st-bench .place.load .bag")).to_contain_text("T-", timeout=_WAIT)
    await expect(link).to_be_focused()


async def test_station_page_follows_but_leaves_an_open_form_alone(room: Room, page: Page) -> None:
    """News arrive around a form that is being filled in; what is typed is not taken away."""
    await page.goto("/floor/bench")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    await page.locator("#hold > summary").click()
    why = page.locator("#hold").get_by_label("Why")
    await why.fill("half a sentence")
    row = await room.two_printed()
    await expect(page.locator(".loadnow")).to_contain_text(row[0]["order_id"], timeout=_WAIT)
    await expect(why).to_have_value("half a sentence")
    await expect(why).to_be_focused()


async def test_cut_line_is_said_and_mends_itself(room: Room, page: Page) -> None:
    """Off line: the page says since when. Back: it catches up on what it had missed."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    await page.context.set_offline(True)
    await expect(page.locator("#pulse")).to_contain_text("Line cut at", timeout=_WAIT)
    await expect(page.locator("body")).to_have_class("cut")
    row = await room.two_printed()
    await page.context.set_offline(False)
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=60_000)
    first = page.locator("#st-bench .place.load .bag")
    await expect(first).to_have_text(row[0]["order_id"], timeout=_WAIT)


async def test_stream_that_could_not_begin_begins_later(room: Room, page: Page) -> None:
    """A gateway that refuses the first stream is asked again until the page is live."""
    refused = 0

    async def refuse_once(asked: Route) -> None:
        nonlocal refused
        refused += 1
        await (asked.fulfill(status=503) if refused == 1 else asked.continue_())

    await page.route("**/floor/live*", refuse_once)
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_WAIT)
    assert 2 == refused
