"""The supervisor's way: a wrong label is scanned; she finds why, mends it, and can prove it."""

import json
import re
from pathlib import Path

from playwright.async_api import Page, expect

from adapters.simulator.faults import Fault, FaultKind
from browser.rig import Room
from gateway.ledger.evidence_check import check_file

_QUICK = 10_000


async def _sign(page: Page, action: str, reason: str) -> None:
    """Open an action, say why and who, and do it."""
    form = page.locator(f"details#{action}")
    await form.locator("summary").click()
    await form.get_by_label("Why").fill(reason)
    await form.get_by_label("Your name").fill("R. Example")
    await form.get_by_role("button").click()


async def test_shifted_row_is_found_repaired_and_closed(room: Room, page: Page) -> None:
    """She sees the hold appear, repairs the row, closes the case; bags then verify."""
    await page.goto("/floor")
    await expect(page.locator("#pulse")).to_have_text("Live", timeout=_QUICK)
    row = await room.shift()

    card = page.locator("#st-bench")
    await expect(card).to_contain_text("Held", timeout=_QUICK)
    await expect(card).to_contain_text(f"order {row[0]['order_id']} was due")
    await expect(page.locator("#count-mislabels")).to_contain_text("1")
    await card.get_by_role("link", name=re.compile("Do this")).click()
    await expect(page.get_by_role("heading", name="Held: the row is shifted")).to_be_visible()
    await _sign(page, "repair", "the bag lay under the bench")
    await expect(page.get_by_role("status").first).to_contain_text("row is put right")

    await page.get_by_role("link", name="Mislabels").click()
    await page.get_by_role("link", name="M-00001").click()
    await expect(page.locator("tr", has_text=row[0]["order_id"])).to_contain_text("missing")
    await page.get_by_label("Why").fill("a bag was torn off at the roll change; it is destroyed")
    await page.get_by_label("Your name").fill("R. Example")
    await page.get_by_role("button", name="Close the case").click()
    await expect(page.get_by_role("status").first).to_contain_text("The case is closed")
    await expect(page.locator(".story")).to_contain_text("Row repaired")

    assert "match" == (await room.label("bench", row[1]["expected_scans"][0]))["verdict"]
    await page.goto(f"/search?q={row[1]['expected_scans'][0]}")
    await expect(page).to_have_url(re.compile(f"/orders/{row[1]['order_id']}$"))
    await expect(page.get_by_text("Verified by")).to_be_visible()


async def test_wrong_label_is_pulled_printed_again_and_released(room: Room, page: Page) -> None:
    """Another order's label on the bag at hand: out it goes, a new one comes, the lane goes on."""
    row = await room.two_printed()
    await room.label("bench", row[0]["expected_scans"][0])
    room.machines["bench"].seal()
    await room.send("bag.advanced", station="bench")
    await room.until("bench", lambda v: v["load_now"])
    first = await room.label("bench", row[0]["expected_scans"][0])
    again = await room.label("bench", row[0]["expected_scans"][0])
    assert ("repeat", "old_label") == (first["verdict"], again["verdict"])

    await page.goto("/waiting")
    await page.get_by_role("link", name="Go to Bench 1").click()
    room.machines["bench"].pull(0, seen=False)
    await _sign(page, "pull", "two bags bear the same label")
    await expect(page.get_by_role("status").first).to_contain_text("prints again")
    await _sign(page, "release", "looked at every bag in the row")
    await expect(page.get_by_role("status").first).to_contain_text("may go on")

    after = await room.until("bench", lambda v: v["row"] and not v["held"])
    assert row[1]["order_id"] == after["row"][-1]["order_id"]
    assert row[1]["job_id"] != after["row"][-1]["job_id"]


async def test_evidence_is_downloaded_from_the_story(room: Room, page: Page) -> None:
    """The order's page hands out the evidence of its parcel, as JSON and as PDF."""
    row = await room.two_printed()
    await room.label("bench", row[0]["expected_scans"][0])
    await page.goto(f"/orders/{row[0]['order_id']}")
    await expect(page.locator("figure img").first).to_be_visible()

    async with page.expect_download() as coming:
        await page.get_by_role("link", name="Evidence (JSON)").click()
    file = Path(await (await coming.value).path())
    told = json.loads(file.read_text(encoding="utf-8"))
    assert row[0]["parcel_id"] == told["parcel_id"]
    assert "match" == told["readings"][-1]["verdict"]
    assert check_file(file.read_text(encoding="utf-8")).ok

    async with page.expect_download() as coming:
        await page.get_by_role("link", name="Evidence (PDF)").click()
    paper = Path(await (await coming.value).path())
    assert paper.read_bytes().startswith(b"%PDF-")


async def test_doubt_is_answered_on_the_work_list(room: Room, page: Page) -> None:
    """The line broke half way: she looks, says that nothing came out, and it is sent again."""
    room.machines["bench"].inject(Fault(FaultKind.CUT, after_bytes=300))
    order = room.small(1)[0]
    await room.scan("bench", order)
    await room.until("bench", lambda v: v["in_doubt"])

    await page.goto("/waiting")
    question = page.locator("article.doubt")
    await expect(question.get_by_role("heading")).to_have_text(
        f"Did the label of order {order.order_id} come out at bench?"
    )
    answer = question.locator("details", has_text="No, nothing came out").first
    await answer.locator("summary").click()
    await answer.get_by_label("Why").fill("looked at the printer: no label, no part of one")
    await answer.get_by_label("Your name").fill("R. Example")
    await answer.get_by_role("button").click()
    await expect(page.get_by_role("status").first).to_contain_text("answer is in the ledger")
    await expect(page.get_by_text("Nothing waits for an answer.")).to_be_visible()

    view = await room.until("bench", lambda v: v["row"])
    assert order.order_id == view["row"][0]["order_id"]
