"""Olive takes an order by phone with both hands on the keyboard, with scripts and without."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from tests.pages.conftest import Visitor

MOST_KEYS = 24
"""At two a second, the twenty seconds in which a caller's order is to be in leave time to speak."""


class Keyboard:
    """Counts what is pressed; there is no mouse."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.pressed = 0

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.pressed += 1


@pytest.mark.parametrize("scripts", [True, False])
def test_an_order_by_phone_needs_few_keys_and_no_mouse(visitor: Visitor, scripts: bool) -> None:
    page = visitor.visit("olive", java_script_enabled=scripts)
    page.goto(f"{visitor.demo.url}/orders/new/")
    page.locator("#customer:focus").wait_for()
    keys = Keyboard(page)
    keys.press(*"copp", "Enter")
    page.get_by_role("heading", name="Order of The Copper Ladle").wait_for()
    first = page.locator("input[type=number]").first
    page.locator("input[type=number]:focus").wait_for()
    assert first.evaluate("field => field.matches(':focus')"), "the first amount is the one typed into"
    keys.press("Control+a", *"1500")
    if scripts:
        page.locator("#promise").get_by_text("of 1.5 kg").or_(
            page.locator("#promise").get_by_text("1.5 kg,")
        ).wait_for()
    keys.press("Enter")
    page.locator("button[name=save]:focus").wait_for()
    assert page.locator("#promise .mark").first.is_visible(), "the promise is read out before anything is saved"
    keys.press("Enter")
    page.wait_for_url(lambda url: "/new" not in url)
    assert page.get_by_text("this is what was promised").is_visible()
    assert keys.pressed <= MOST_KEYS
    code = page.url.rstrip("/").rpartition("/")[2]
    rows = visitor.demo.rows(
        "SELECT l.ordered FROM fulfilment_line l JOIN fulfilment_order o ON o.id = l.order_id"
        " WHERE o.public_id = ? ORDER BY l.number", code,
    )  # fmt: skip
    assert rows[0] == (1_500,)


@pytest.mark.parametrize("phone", [False, True])
def test_the_pages_of_orders_are_accessible(visitor: Visitor, phone: bool) -> None:
    page = visitor.visit("olive", phone=phone)
    order = visitor.demo.one("SELECT public_id FROM fulfilment_order ORDER BY id DESC LIMIT 1")
    standing = visitor.demo.one("SELECT public_id FROM fulfilment_standingorder LIMIT 1")
    for address in (
        "/orders/", "/orders/new/", "/orders/new/?customer=copp", "/orders/new/?customer=zebra",
        "/orders/new/kits/?buyer=new", f"/orders/{order}/", "/orders/standing/", "/orders/standing/new/?customer=copp",
        f"/orders/standing/{standing}/", "/coming-harvest/",
        "/coming-harvest/scores/",
    ):  # fmt: skip
        page.goto(visitor.demo.url + address)
        accessible(page)
    page.goto(f"{visitor.demo.url}/orders/new/?customer=copp")
    page.locator("input[type=number]").first.fill("1250")
    page.get_by_role("button", name="Save the order").click()
    page.get_by_text("comes in packs of 500 g").first.wait_for()
    accessible(page)
