"""The first page of the morning, in a real browser, as each role sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from tests.pages.conftest import Visitor


@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
def test_olive_reads_what_the_morning_brings(visitor: Visitor, phone: bool) -> None:
    page = visitor.visit("olive", phone=phone)
    assert page.get_by_role("heading", level=1).inner_text() == "Wednesday 6 May 2026"
    assert page.get_by_role("heading", name="At risk").is_visible()
    accessible(page)
    # Each thing to do leads to the page where it is done.
    for row in page.locator(".group a.whole").all()[:40]:
        assert page.request.get(visitor.demo.url + str(row.get_attribute("href"))).ok
    for row in page.locator("a.go").all()[:40]:
        assert page.request.get(visitor.demo.url + str(row.get_attribute("href"))).ok


def test_every_role_finds_its_own_ways_and_no_others(visitor: Visitor) -> None:
    ways = {}
    for user in ("olive", "ada", "ben"):
        page = visitor.visit(user, phone=True)
        links = page.get_by_role("navigation", name="Pages").get_by_role("link")
        ways[user] = [link.inner_text() for link in links.all()]
        for link in links.all():
            assert page.request.get(visitor.demo.url + str(link.get_attribute("href"))).ok
    assert ways == {
        "olive": ["Today", "Rooms", "Orders", "Packing", "Store", "Coming harvest", "Kits", "Mails"],
        "ada": ["Today", "Rooms", "Store", "Coming harvest"],
        "ben": ["Today", "Orders", "Packing", "Store", "Coming harvest"],
    }


def test_a_wrong_password_is_told_and_a_right_one_leads_on(visitor: Visitor) -> None:
    page = visitor.visit()
    page.goto(f"{visitor.demo.url}/orders/")
    page.get_by_label("Username").fill("olive")
    page.get_by_label("Password").fill("not that one")
    page.get_by_role("button", name="Sign in").click()
    assert page.get_by_role("alert").inner_text() == (
        "Name and password do not belong together. Capital letters count in both."
    )
    accessible(page)
    page.get_by_label("Password").fill(visitor.demo.passwords["olive"])
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{visitor.demo.url}/orders/")
