"""A grower's round with a phone in the hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from tests.pages.conftest import Visitor


def test_ada_logs_in_two_taps_and_is_asked_about_what_cannot_be(visitor: Visitor) -> None:
    demo, page = visitor.demo, visitor.visit("ada", phone=True)
    page.goto(f"{demo.url}/rooms/")
    accessible(page)

    # Pins: one tap on the card, one to save.
    before = demo.one("SELECT count(*) FROM fulfilment_observation WHERE kind = 'pins'")
    page.get_by_role("link", name="Pins seen").first.click()
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**/rooms/#*")
    assert page.locator(".said").inner_text().startswith("Pins seen: logged on crop")
    assert demo.one("SELECT count(*) FROM fulfilment_observation WHERE kind = 'pins'") == before + 1

    # A harvest that no bags can give keeps what was typed; what is right goes into store.
    page.locator(".living").get_by_role("link", name="Harvest").first.click()
    accessible(page)
    page.get_by_label("Weighed, grade a").fill("4000 kg")
    page.get_by_role("button", name="Save the harvest").click()
    assert "far more than any bags can give" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("Weighed, grade a").input_value() == "4000 kg"
    page.get_by_label("Weighed, grade a").fill("250")
    page.get_by_role("button", name="Save the harvest").click()
    page.wait_for_url("**/rooms/#*")
    assert demo.one("SELECT weighed_g FROM fulfilment_harvest ORDER BY id DESC LIMIT 1") == 250

    # One room alone, and its thermometer read wrongly.
    page.get_by_role("navigation", name="Show one room").get_by_role("link").nth(1).click()
    page.get_by_role("link", name="Log a reading").click()
    page.get_by_label("Temperature in °C").fill("-50")
    page.get_by_role("button", name="Save the reading").click()
    assert page.get_by_text("-50 °C cannot be: between -10 and 50 °C.").is_visible()
    accessible(page)


def test_every_page_of_the_growers_is_accessible_on_phone_and_desk(visitor: Visitor) -> None:
    demo = visitor.demo
    crop = demo.one("SELECT public_id FROM fulfilment_crop WHERE finished_on IS NULL ORDER BY id LIMIT 1")
    batch = demo.one("SELECT public_id FROM fulfilment_batch WHERE colonised_on IS NULL ORDER BY id LIMIT 1")
    lot = demo.one("SELECT public_id FROM fulfilment_lot WHERE quantity > 0 ORDER BY id LIMIT 1")
    for phone in (True, False):
        page = visitor.visit("ada", phone=phone)
        for path in (
            f"crops/{crop}/", f"batches/{batch}/", f"batches/{batch}/open/", "batches/new/", "sources/",
            "sources/intake/", "store/", f"store/{lot}/", "holds/", f"hold/?kind=batch&code={batch}", "rooms/finished/",
        ):  # fmt: skip
            assert page.goto(f"{demo.url}/{path}").ok  # type: ignore[union-attr]  # a page was asked for
            accessible(page)
