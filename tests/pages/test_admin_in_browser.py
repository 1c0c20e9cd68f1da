"""The records in a real browser: the office places an order, a chef looks after her own, on desk and phone."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from tests.pages.conftest import Visitor

FRIDAY = "2026-05-15"


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
def test_olive_checks_places_changes_and_cancels_an_order(visitor: Visitor, phone: bool) -> None:
    page = visitor.visit("olive", phone=phone)
    page.goto(f"{visitor.demo.url}/admin/")
    accessible(page)
    page.get_by_role("link", name=re.compile("new order$")).click()
    page.get_by_label("Kitchen").select_option(index=1)
    page.get_by_label("Delivery on").fill(FRIDAY)
    page.get_by_label("Line 1").select_option(label="Pearl oyster")
    page.get_by_label("Amount").first.fill("1,5 kg")
    assert not page.get_by_role("button", name="Place the order").is_visible()
    page.get_by_role("button", name="Check what can be promised").click()
    assert page.get_by_role("heading", name="What would be promised for Friday 15 May 2026").is_visible()
    accessible(page)
    page.get_by_role("button", name="Place the order").click()
    page.wait_for_url(re.compile(r"/order/\w{4}-\w{4}/change/$"))
    assert page.get_by_text("The order is placed.").is_visible()
    assert page.get_by_text("1.5 kg").first.is_visible()
    accessible(page)

    page.get_by_role("link", name="Change line 1").click()
    page.get_by_label("To", exact=True).fill("1 kg")
    accessible(page)
    page.get_by_role("button", name="Save").click()
    assert page.get_by_text("This is what is promised now.").is_visible()
    page.get_by_role("link", name="Cancel it").click()
    page.get_by_role("button", name="Cancel the order").click()
    assert page.get_by_text("The order is cancelled.").is_visible()
    page.get_by_role("link", name="What happened to it").click()
    assert page.get_by_role("cell", name="order cancelled").is_visible()
    accessible(page)


def test_cleo_finds_her_own_orders_and_nothing_else(visitor: Visitor) -> None:
    page = visitor.visit("cleo", phone=True)
    # Whoever is a kitchen lands where its orders are.
    page.wait_for_url(f"{visitor.demo.url}/admin/")
    assert words(page) == ["Orders", "Standing orders"]
    page.get_by_role("link", name="Standing orders", exact=True).click()
    accessible(page)
    page.locator("#result_list tbody th a").first.click()
    page.get_by_role("link", name="Skip a date").click()
    page.get_by_label("Date").fill("2026-05-05")
    page.get_by_role("button", name="Skip it").click()
    assert page.get_by_role("alert").first.is_visible()
    accessible(page)


def test_the_office_sees_all_dates_of_a_kit_before_a_step_is_saved(visitor: Visitor) -> None:
    page = visitor.visit("olive")
    page.goto(f"{visitor.demo.url}/admin/fulfilment/carestep/ready/edit/")
    page.get_by_label("Days after it").fill("-2")
    page.get_by_role("button", name="Show all dates first").click()
    assert page.get_by_text("Nothing is saved yet").is_visible()
    assert page.get_by_text("this step").count() >= 1
    accessible(page)
    page.get_by_role("button", name="Save").click()
    page.wait_for_url(re.compile("/carestep/ready/change/$"))
    rule = visitor.demo.one("SELECT rule FROM fulfilment_carestep WHERE key = 'ready'")
    assert '"offset_days": -2' in rule


def words(page: Page) -> list[str]:
    return [link.inner_text() for link in page.locator("a.kind").all()]
