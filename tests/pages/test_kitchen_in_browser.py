"""Cleo on her phone, by the link in her mail: what comes, one date skipped, an order more."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from tests.pages.conftest import Visitor

LADLE = "SELECT public_id FROM fulfilment_kitchen WHERE name = 'The Copper Ladle'"
PLACED = """
SELECT o.placed_by FROM fulfilment_order o JOIN fulfilment_kitchen k ON o.kitchen_id = k.id
WHERE k.public_id = ? AND o.standing_order_id IS NULL AND o.reference = 'B-7'
"""


def test_cleo_orders_and_skips_by_her_link(visitor: Visitor) -> None:
    demo = visitor.demo
    kitchen = demo.one(LADLE)
    page = visitor.visit(phone=True)
    page.goto(demo.link("kitchen", kitchen))
    assert page.get_by_role("heading", level=1).inner_text() == "The Copper Ladle"
    assert "%" not in page.locator("main").inner_text()
    accessible(page)

    page.get_by_role("link", name="Order something").click()
    page.get_by_role("button", name="See what we can promise").click()
    assert "Write an amount beside at least one product." in page.get_by_role("alert").inner_text()
    accessible(page)
    page.get_by_label("Pearl oyster", exact=True).fill("1 kg")
    page.get_by_label("Your own order number").fill("B-7")
    page.get_by_role("button", name="See what we can promise").click()
    assert "What we could promise for" in page.locator("main").inner_text()
    assert demo.rows(PLACED, kitchen) == []
    accessible(page)
    page.get_by_role("button", name="Send this order").click()
    assert "is in." in page.get_by_role("status").inner_text()
    assert demo.rows(PLACED, kitchen) == [(f"kitchen:{kitchen}",)]
    accessible(page)

    page.goto(demo.link("kitchen", kitchen))
    page.get_by_role("link", name="Change until").last.click()
    page.get_by_role("button", name="Skip this day").click()
    assert "is skipped." in page.get_by_role("status").inner_text()
    accessible(page)
