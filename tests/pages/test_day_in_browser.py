"""What one page changes on another: a harvest fills an order, a hold makes a shortage that a chef answers."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tests.pages.conftest import accessible

if TYPE_CHECKING:
    from tests.pages.conftest import Visitor

ALLOCATED = (
    "SELECT l.allocated FROM fulfilment_line l JOIN fulfilment_order o ON o.id = l.order_id WHERE o.public_id = ?"
)


def test_a_harvest_is_logged_and_the_order_it_fills_is_seen(visitor: Visitor) -> None:
    demo = visitor.demo
    crop, strain = demo.rows(
        "SELECT c.public_id, s.name FROM fulfilment_crop c JOIN fulfilment_batch b ON b.id = c.batch_id"
        " JOIN fulfilment_strain s ON s.id = b.strain_id WHERE c.stage = 'picking' AND c.bags > c.bags_lost"
        " ORDER BY c.id LIMIT 1"
    )[0]
    product = demo.one(
        "SELECT p.public_id FROM fulfilment_product p JOIN fulfilment_strain s ON s.id = p.strain_id"
        " WHERE s.name = ? AND p.grade = 'a'", strain,
    )  # fmt: skip

    # Olive takes an order that is far more than the farm can promise.
    office = visitor.visit("olive")
    office.goto(f"{demo.url}/orders/new/")
    office.keyboard.type("weather")
    office.keyboard.press("Enter")
    office.get_by_role("heading", name="Order of The Weathercock").wait_for()
    for field in office.locator("input[type=number]").all():
        field.fill("20000" if product in str(field.get_attribute("name")) else "")
    office.keyboard.press("Enter")
    office.get_by_role("button", name="Save the order").click()
    office.wait_for_url(lambda url: "/new" not in url)
    code = office.url.partition("?")[0].rstrip("/").rpartition("/")[2]
    demo.until("SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM fulfilment_job WHERE kind = 'replan' AND planned < wanted)")
    before = demo.one(ALLOCATED, code)
    assert before < 20_000

    # Ada picks more than anybody thought, and is asked once whether it is so.
    grower = visitor.visit("ada", phone=True)
    grower.goto(f"{demo.url}/crops/{crop}/harvest/")
    grower.get_by_label("Weighed, grade a").fill("9 kg")
    grower.get_by_role("button", name="Save the harvest").click()
    grower.get_by_label("Yes, it is so").check()
    grower.get_by_role("button", name="Save the harvest").click()
    grower.wait_for_url(lambda url: "/harvest" not in url)

    # The worker plans again, and Olive sees the order fuller than it was.
    demo.until(f"SELECT ({ALLOCATED}) > ?", code, before, seconds=40)
    office.goto(f"{demo.url}/orders/{code}/")
    assert demo.one(ALLOCATED, code) > before
    accessible(office)


def test_a_shortage_is_told_and_answered_by_the_kitchens_link(visitor: Visitor) -> None:
    demo = visitor.demo
    # Whatever spawn the lots in store were grown from is called back on the morning of a delivery day.
    deliveries = demo.rows(
        "SELECT DISTINCT d.public_id FROM fulfilment_lot lot"
        " JOIN fulfilment_batchspawn bs ON bs.batch_id = lot.batch_id"
        " JOIN fulfilment_spawndelivery d ON d.id = bs.spawn_delivery_id WHERE lot.quantity > 0 AND lot.kind = 'fresh'"
    )
    page = visitor.visit("olive")
    for (delivery,) in deliveries:
        page.goto(f"{demo.url}/hold/?kind=spawn_delivery&code={delivery}")
        page.get_by_label("Why").fill("the supplier calls it back")
        page.get_by_role("button", name="Stop it now").click()
        page.wait_for_url("**/holds/**")
    short = (
        "SELECT k.public_id FROM fulfilment_shortageoffer f JOIN fulfilment_line l ON l.id = f.line_id"
        " JOIN fulfilment_order o ON o.id = l.order_id JOIN fulfilment_kitchen k ON k.id = o.kitchen_id"
        " JOIN fulfilment_shipment sh ON sh.id = l.shipment_id"
        " WHERE f.answer = '' AND f.filled_at IS NULL AND l.picked = 0 AND sh.\"on\" = '2026-05-06'"
    )
    kitchen = demo.until(f"{short} ORDER BY f.id DESC LIMIT 1", seconds=60)

    chef = visitor.visit(phone=True)
    chef.goto(demo.link("kitchen", kitchen))
    offer = chef.locator("section", has=chef.get_by_role("heading", name=re.compile("^Less .* comes on"))).first
    assert "If you say nothing, you get what comes." in offer.inner_text()
    assert "%" not in chef.locator("main").inner_text()
    accessible(chef)
    answers = "SELECT count(*) FROM fulfilment_shortageoffer WHERE answer != ''"
    assert demo.one(answers) == 0, "opening the page answers nothing"
    offer.get_by_role("radio").last.check()
    offer.get_by_role("button").click()
    chef.get_by_text("Thank you, that is how it will be.").wait_for()
    assert demo.one(answers) == 1
    accessible(chef)


def test_a_doubt_is_told_by_mail_and_answered_by_its_link(visitor: Visitor) -> None:
    demo = visitor.demo
    # Half of what lies in store is stopped on a morning, and somebody's promise for a later day hangs on it.
    page = visitor.visit("olive")
    for (lot,) in demo.rows("SELECT public_id FROM fulfilment_lot WHERE quantity > 0 AND kind = 'fresh'"):
        page.goto(f"{demo.url}/hold/?kind=lot&code={lot}")
        page.get_by_label("Why").fill("smells of beer")
        page.get_by_role("button", name="Stop it now").click()
        page.wait_for_url("**/holds/**")
    doubt, kitchen, line = demo.row_until(
        "SELECT d.public_id, k.public_id, l.id FROM fulfilment_doubt d JOIN fulfilment_line l ON l.id = d.line_id"
        " JOIN fulfilment_order o ON o.id = l.order_id JOIN fulfilment_kitchen k ON k.id = o.kitchen_id"
        " JOIN fulfilment_shipment sh ON sh.id = l.shipment_id WHERE d.answer = '' AND d.sure_at IS NULL"
        " AND sh.frozen_at IS NULL AND l.cancelled_at IS NULL ORDER BY d.id DESC LIMIT 1",
        seconds=60,
    )  # fmt: skip

    chef = visitor.visit(phone=True)
    chef.goto(f"{demo.link('kitchen', kitchen)}doubts/{doubt}/drop/")
    assert "%" not in chef.locator("main").inner_text()
    accessible(chef)
    answered = "SELECT answer FROM fulfilment_doubt WHERE public_id = ?"
    assert demo.one(answered, doubt) == "", "opening the link answers nothing"
    chef.get_by_role("button", name="Take none of it").click()
    chef.get_by_text("Thank you, that is how it will be.").wait_for()
    assert demo.one(answered, doubt) == "drop"
    assert demo.one("SELECT cancelled_at FROM fulfilment_line WHERE id = ?", line)
    accessible(chef)

    chef.goto(f"{demo.link('kitchen', kitchen)}doubts/{doubt}/keep/")
    chef.get_by_text("This was answered already: you want none of it.").wait_for()
    accessible(chef)
