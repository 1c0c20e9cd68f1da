"""A holder on a phone: started with one press, something wrong, no more mails; and a gift joined by its code."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from tests.pages.conftest import Visitor

WAITING = """
SELECT h.public_id FROM fulfilment_holder h JOIN fulfilment_kit k ON k.holder_id = h.id
GROUP BY h.id HAVING COUNT(*) = 1 AND MAX(k.state) = 'sent' ORDER BY h.id LIMIT 1
"""
KIT = "SELECT k.public_id FROM fulfilment_kit k JOIN fulfilment_holder h ON k.holder_id = h.id WHERE h.public_id = ?"
EVENTS = """
SELECT e.kind FROM fulfilment_kitevent e JOIN fulfilment_kit k ON e.kit_id = k.id
WHERE k.public_id = ? AND e.kind IN ('started', 'trouble') ORDER BY e.id
"""


def test_dai_starts_her_kit_and_asks_for_help(visitor: Visitor) -> None:
    demo = visitor.demo
    holder = demo.one(WAITING)
    kit = demo.one(KIT, holder)
    page = visitor.visit(phone=True)
    page.goto(demo.link("holder", holder))
    accessible(page)
    assert demo.rows(EVENTS, kit) == []
    page.get_by_role("button", name="I started it today").click()
    assert "Pins: now expected" in page.get_by_role("status").inner_text()
    accessible(page)

    page.get_by_text("It was another day, or something else").click()
    page.get_by_label("I see pins").check()
    page.get_by_label("On which day?").fill("2026-05-05")
    page.get_by_role("button", name="Tell us").click()
    assert "is before the kit was last reported" in page.locator("main").inner_text()
    accessible(page)

    page.get_by_role("link", name="Something is wrong").click()
    accessible(page)
    page.get_by_role("link", name="Mould, or something that may be mould").click()
    page.get_by_label("Green, blue-green, black or orange").check()
    accessible(page)
    page.get_by_role("button", name="Tell us").click()
    assert "do not sniff it" in page.locator("main").inner_text()
    accessible(page)
    assert demo.rows(EVENTS, kit) == [("started",), ("trouble",)]

    page.goto(demo.link("unsubscribe", holder))
    accessible(page)
    page.get_by_role("button", name="No more care mails").click()
    assert "Done: no more care mails." in page.locator("main").inner_text()

    olive = visitor.visit("olive", phone=True)
    olive.goto(f"{demo.url}/kits/")
    accessible(olive)
    olive.get_by_role("link", name=kit).first.click()
    assert "something is wrong: mould" in olive.locator("main").inner_text().lower()
    accessible(olive)


def test_the_joining_page_works_without_script(visitor: Visitor) -> None:
    page = visitor.visit(phone=True, java_script_enabled=False)
    page.goto(f"{visitor.demo.url}/join/")
    page.get_by_label("Code on the box").fill("K7Q2-M4XJ")
    page.get_by_label("Your mail address").fill("gwen@example.org")
    page.get_by_role("button", name="Look after it").click()
    assert "There is no kit with this code" in page.locator("main").inner_text()
