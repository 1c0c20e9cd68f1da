"""Packing on a phone in a real browser: scan, take, undo; off the line and on it again; to the door."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page, Route

    from tests.pages.conftest import Visitor

PICKS = "select count(*) from fulfilment_pick"


def todays_list(page: Page) -> str:
    """Ben opens the first round's list of the day by its button."""
    page.get_by_role("link", name="Packing").click()
    page.get_by_role("link", name="Pick ").first.click()
    page.wait_for_selector(".pick")
    return page.url


def open_rows(page: Page) -> Locator:
    return page.locator(".pick:not(.done)", has=page.locator("form.weigh"))


def no_line(visitor: Visitor) -> None:
    """What a browser and a script say of a line that was down on purpose is no complaint."""
    down = ("Failed to load resource: net::ERR_", "htmx:sendError", "htmx:afterRequest")
    visitor.complaints[:] = [each for each in visitor.complaints if not each.startswith(down)]


def test_ben_scans_takes_and_undoes_without_the_page_coming_again(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True)
    page.get_by_role("link", name="Packing").click()
    accessible(page)
    todays_list(page)
    accessible(page)
    page.evaluate("window.stayed = true")
    before = visitor.demo.one(PICKS)
    row = open_rows(page).first
    key, lot = row.get_attribute("id"), str(row.get_attribute("data-lot"))
    due = row.get_by_label("On the scale").input_value()
    # A scanner is a keyboard that ends with Enter.
    page.get_by_label("Scan a lot or a kit").fill(lot.replace("-", "").lower())
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == f"{key}-scale"
    assert page.evaluate("getSelection().toString()") == due
    page.keyboard.press("Enter")
    page.locator(f"#{key}.done").wait_for()
    assert page.locator("#progress").inner_text().startswith("1 of ")
    assert page.evaluate("window.stayed") is True
    assert visitor.demo.one(PICKS) == before + 1
    assert visitor.demo.one("select amount from fulfilment_pick order by id desc") == int(due)
    accessible(page)
    # Undone with a reason.
    row = page.locator(f"#{key}")
    row.get_by_text("Undo").click()
    row.get_by_label("Why it goes back").fill("wrong crate")
    row.get_by_role("button", name="Put it back").click()
    page.locator(f"#{key}:not(.done)").wait_for()
    assert page.locator("#progress").inner_text().startswith("0 of ")
    # What is unlikely is asked in the row, and the tick does it.
    row = page.locator(f"#{key}")
    row.get_by_label("On the scale").fill(str(int(due) * 2 + 500))
    with page.expect_response(lambda answer: answer.request.method == "POST") as answered:
        row.get_by_role("button", name="Taken").click()
    assert str(int(due) * 2 + 500) in (answered.value.request.post_data or ""), "what was typed is what was sent"
    row.locator(".asks").wait_for()
    assert "Confirm, and it is recorded as it is." in row.locator(".asks").inner_text()
    accessible(page)
    row.get_by_label("Yes, it is so: save it").check()
    row.get_by_role("button", name="Taken").click()
    page.locator(f"#{key}.done").wait_for()
    assert page.evaluate("window.stayed") is True
    # A code of nothing here gets a sentence.
    page.get_by_label("Scan a lot or a kit").fill("4006381333931")
    page.keyboard.press("Enter")
    page.get_by_text("is no code of this farm").wait_for()


def test_big_targets(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True)
    todays_list(page)
    for button in page.get_by_role("button", name="Taken").all():
        assert button.bounding_box()["height"] >= 64  # type: ignore[index]
    for each in page.locator("main a.button, main button, main summary, main input:visible, main select:visible").all():
        box = each.bounding_box()
        assert box is None or box["height"] >= 48, each.inner_text()


def test_what_is_taken_off_the_line_is_kept_and_sent_once_in_order(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True)
    todays_list(page)
    before = visitor.demo.one(PICKS)
    lots = []
    page.context.set_offline(True)
    rows = open_rows(page)
    for place in range(3):
        row = rows.nth(place)
        lots.append(row.get_attribute("data-lot"))
        row.get_by_role("button", name="Taken").click()
        page.get_by_text(f"Kept on this phone, {place + 1} waiting.").wait_for()
        assert row.get_by_role("button", name="Taken").is_disabled()
        assert row.get_by_text("kept on this phone").is_visible()
    accessible(page)
    # Scanning still finds what is on the page.
    page.get_by_label("Scan a lot or a kit").fill(str(lots[0]))
    page.keyboard.press("Enter")
    page.get_by_label("Scan a lot or a kit").fill("K7Q2-M4XJ")
    page.keyboard.press("Enter")
    page.get_by_text("No lot on this list has this code.").wait_for()
    assert visitor.demo.one(PICKS) == before
    page.context.set_offline(False)
    page.locator("#kept").wait_for(state="hidden")
    assert visitor.demo.one(PICKS) == before + 3
    taken = visitor.demo.rows(
        "select l.public_id from fulfilment_pick p join fulfilment_lot l on l.id = p.lot_id order by p.id"
    )
    assert [lot for (lot,) in taken[-3:]] == lots
    assert page.locator("#progress").inner_text().startswith("3 of ")
    no_line(visitor)


def test_an_answer_that_was_lost_does_it_once(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True)
    todays_list(page)
    before = visitor.demo.one(PICKS)
    lost: list[int] = []

    def lose(route: Route) -> None:
        if lost:
            route.fallback()
            return
        lost.append(route.fetch().status)
        route.abort("connectionreset")

    page.route("**/picks/", lose)
    open_rows(page).first.get_by_role("button", name="Taken").click()
    page.get_by_text("Kept on this phone, 1 waiting.").wait_for()
    assert (lost, visitor.demo.one(PICKS)) == ([200], before + 1)
    page.get_by_role("button", name="Send now").click()
    page.locator("#kept").wait_for(state="hidden")
    assert visitor.demo.one(PICKS) == before + 1
    assert page.locator("#progress").inner_text().startswith("1 of ")
    no_line(visitor)


def test_what_is_refused_later_is_shown_and_kept_for_a_person(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True)
    address = todays_list(page)
    before = visitor.demo.one(PICKS)
    page.context.set_offline(True)
    row = open_rows(page).first
    row.get_by_label("On the scale").fill("99999")
    row.get_by_role("button", name="Taken").click()
    open_rows(page).nth(1).get_by_role("button", name="Taken").click()
    page.get_by_text("Kept on this phone, 2 waiting.").wait_for()
    page.context.set_offline(False)
    page.get_by_text("Not saved, for a person to look at:").wait_for()
    told = page.locator("#kept li.refused")
    told.get_by_text("Confirm, and it is recorded as it is.").wait_for()
    assert "99999 g on the scale" in told.inner_text()
    # The one behind it was done all the same, and what was refused outlives the page.
    page.locator("#progress", has_text="1 of ").wait_for()
    assert visitor.demo.one(PICKS) == before + 1
    page.goto(address)
    told.wait_for()
    accessible(page)
    told.get_by_role("button", name="I have seen to it").click()
    page.locator("#kept").wait_for(state="hidden")
    no_line(visitor)


def test_a_round_is_packed_closed_and_settled_at_the_door(visitor: Visitor) -> None:
    page = visitor.visit("ben", phone=True, java_script_enabled=False)
    todays_list(page)
    # Without a script each tap brings the page again.
    while open_rows(page).count():
        with page.expect_navigation():
            open_rows(page).first.get_by_role("button", name="Taken").click()
    page.get_by_text("Taken:").wait_for()
    page.get_by_role("link", name="Close the round").click()
    page.get_by_label("Crates out to").first.fill("2")
    # Plans made meanwhile may have put more on the list than was there to take: that is asked.
    if page.locator(".asks").count():
        page.get_by_label("Yes, it is so: save it").check()
    page.get_by_role("button", name="Close the round").click()
    page.get_by_text("has left. Its deliveries are settled").wait_for()
    page.locator("a[href^='/packing/doors/']").first.click()
    page.get_by_label("Refused grams").first.fill("50")
    page.get_by_role("button", name="Delivered").click()
    page.get_by_text("Say why: sending something back needs a reason.").wait_for()
    page.get_by_label("Reason").first.fill("wet")
    page.get_by_role("button", name="Delivered").click()
    page.get_by_text("Delivered:").wait_for()
    assert visitor.demo.one("select amount, reason from fulfilment_refusal order by id desc") == 50
