"""Olive takes an order by phone with both hands on the keyboard, with scripts and without."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

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


@pytest.mark.parametrize("scripts", [True, False])
def test_a_standing_order_is_paused_resumed_and_takes_other_lines(visitor: Visitor, scripts: bool) -> None:
    """The whole way by what is seen: open, fill, press; with scripts and without."""
    page = visitor.visit("olive", java_script_enabled=scripts)
    code, kitchen = visitor.demo.rows(
        "SELECT s.public_id, k.name FROM fulfilment_standingorder s JOIN fulfilment_kitchen k ON k.id = s.kitchen_id"
        " WHERE s.ends_on IS NULL ORDER BY s.id LIMIT 1"
    )[0]
    page.goto(f"{visitor.demo.url}/orders/standing/{code}/")
    page.get_by_role("heading", name=kitchen).wait_for()
    assert page.get_by_text("Resume before its pause is over").count() == 0
    following = page.locator(".list strong").nth(2).inner_text()

    def opened(summary: str) -> Locator:
        card = page.locator("details", has=page.get_by_text(summary, exact=True))
        card.locator("summary").click()
        return card

    day = datetime.strptime(following, "%A %d %B %Y").replace(tzinfo=UTC).date()
    card = opened("Pause from a day to a day")
    card.get_by_label("From").fill(day.isoformat())
    card.get_by_label("To, that day too").fill((day + timedelta(days=20)).isoformat())
    card.get_by_role("button", name="Pause it").click()
    page.get_by_text("It is paused.").wait_for()
    card = opened("Resume before its pause is over")
    card.get_by_label("It delivers again from").fill((day + timedelta(days=1)).isoformat())
    card.get_by_role("button", name="Resume it").click()
    page.get_by_text("It delivers again from that day.").wait_for()
    assert page.locator(".list li", has_text=following).get_by_text("paused").count() == 1

    card = opened("Other lines from a day on")
    first = card.locator("input[type=number]").first
    pack = int(first.get_attribute("step") or 0)
    first.fill(str(pack * 7))
    card.get_by_label("From").fill((day + timedelta(days=1)).isoformat())
    card.get_by_role("button", name="Set these lines").click()
    page.get_by_text("These lines hold from that day.").wait_for()
    amounts = visitor.demo.rows(
        "SELECT amount FROM fulfilment_standingline l JOIN fulfilment_standingorder s ON s.id = l.standing_order_id"
        " WHERE s.public_id = ? AND l.first_on = ?", code, (day + timedelta(days=1)).isoformat(),
    )  # fmt: skip
    assert (pack * 7,) in amounts

    card = opened("Dates without deliveries, and the way")
    card.get_by_label("delivered on the nearest delivery day before it").check()
    card.get_by_role("button", name="Save it").click()
    page.get_by_text("So it is from now on.").wait_for()
    assert page.get_by_text("a date without deliveries is delivered on the nearest delivery day before it").is_visible()
    if scripts:  # axe is one itself
        accessible(page)
