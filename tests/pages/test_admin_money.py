"""The records' forms about money: what a purchase's payment is told to be, its cancellation, a kitchen's own prices."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine

from fulfilment.models import AgreedPrice, Event, Product, Purchase
from fulfilment.services import kits, ordering, purchases
from fulfilment.services.ordering import Asked
from fulfilment.services.purchases import Receiver
from tests import world
from tests.pages.growing import signed_in
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db

TUESDAY = MONDAY + timedelta(days=1)
FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture
def farm() -> Iterator[World]:
    with time_machine.travel(NOW, tick=False):
        made = world.build(kits_wanted=4)
        world.plan()
        kits.seal(made.crop.batch.public_id, bags=4, sealed_on=MONDAY, by=ADA, now=NOW, today=MONDAY)
        yield made


@pytest.fixture
def olive(farm: World) -> Client:
    return signed_in("olive", "office")


@pytest.fixture
def bought(farm: World) -> Purchase:
    """Two kits for two people, 38.00 in all, not paid yet."""
    kit = [Asked(farm.kit.public_id, 1)]
    return purchases.place(
        farm.buyer.public_id, [Receiver(kit, TUESDAY, TUESDAY), Receiver(kit, FRIDAY, FRIDAY)],
        reference="W-1047", by=ADA, now=NOW,
    )  # fmt: skip


def at(row: Purchase, doing: str = "change") -> str:
    return f"/admin/fulfilment/purchase/{row.public_id}/{doing}/"


def said(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


# ---- Payments -------------------------------------------------------------------------------------------------------


def test_a_payment_is_told_step_by_step(olive: Client, bought: Purchase) -> None:
    page = said(olive.get(at(bought, "payment")))
    assert "Nothing is charged or paid back here." in page
    assert "part_refunded" not in page, "what was never paid cannot be given back"
    assert olive.post(at(bought, "payment"), {"payment": "paid"}).status_code == 303
    told = {"payment": "part_refunded", "back": "4.50", "note_field": "a dented box"}
    assert olive.post(at(bought, "payment"), told).status_code == 303
    bought.refresh_from_db()
    assert (bought.payment, bought.refund_minor, bought.refund_note) == ("part_refunded", 450, "a dented box")
    page = said(olive.get(at(bought)))
    for words in ("given back in part", "38.00 EUR", "4.50 EUR", "a dented box", "W-1047"):
        assert words in page
    assert 'class="field-placed_at"' in said(olive.get("/admin/fulfilment/purchase/")), "known by its column"
    events = Event.objects.filter(kind="payment_told")
    assert events.count() == 2
    assert "dented" not in str(list(events.values())), "events hold nothing that somebody wrote"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"payment": "part_refunded"}, "A part refund says how much was given back."),
        ({"payment": "part_refunded", "back": "much"}, "This is no price: write it as 12.50"),
        ({"payment": "part_refunded", "back": "-1"}, "greater than or equal to 0"),
        ({"payment": "part_refunded", "back": "1.005"}, "no more than 2 decimal places"),
        ({"payment": "unpaid"}, "Select a valid choice."),
        ({"payment": "paid", "back": "5.00"}, "Select a valid choice."),
        ({}, "This field is required."),
    ],
)
def test_what_a_payment_cannot_be(olive: Client, bought: Purchase, body: dict[str, str], says: str) -> None:
    purchases.tell_payment(bought.public_id, payment="paid", by=ADA, now=NOW)
    answer = olive.post(at(bought, "payment"), body)
    assert answer.status_code == 422
    assert says in said(answer)
    bought.refresh_from_db()
    assert (bought.payment, bought.refund_minor) == ("paid", 0)


def test_nothing_follows_a_payment_given_back_in_full(olive: Client, bought: Purchase) -> None:
    purchases.tell_payment(bought.public_id, payment="paid", by=ADA, now=NOW)
    told = {"payment": "refunded", "back": "38.00", "note_field": "never came"}
    assert olive.post(at(bought, "payment"), told).status_code == 303
    assert at(bought, "payment") not in said(olive.get(at(bought)))
    assert olive.post(at(bought, "payment"), {"payment": "paid"}).status_code in (404, 409, 422)
    bought.refresh_from_db()
    assert (bought.payment, bought.refund_minor) == ("refunded", 3_800)


# ---- Cancelling -----------------------------------------------------------------------------------------------------


def test_a_purchase_is_cancelled_with_what_is_given_back(olive: Client, bought: Purchase) -> None:
    body = {"note_field": "38.00 back by card, they are moving"}
    assert olive.post(at(bought, "cancel"), body).status_code == 303
    bought.refresh_from_db()
    assert bought.cancelled_at == NOW
    assert {order.cancelled_at for order in bought.orders.all()} == {NOW}
    page = said(olive.get(at(bought)))
    assert "38.00 back by card, they are moving" in page
    assert at(bought, "cancel") not in page, "once is enough"
    assert "moving" not in str(list(Event.objects.values()))


def test_past_a_cut_off_it_wants_a_reason_and_nothing_is_half_done(olive: Client, bought: Purchase) -> None:
    with time_machine.travel(NOW + timedelta(hours=7), tick=False):
        refused = olive.post(at(bought, "cancel"), {"note_field": "all of it"})
        assert refused.status_code == 422
        assert "cut-off" in said(refused)
        bought.refresh_from_db()
        assert (bought.cancelled_at, bought.refund_note) == (None, "")
        assert not bought.orders.filter(cancelled_at__isnull=False).exists()
        body = {"note_field": "all of it", "because": "they rang at once"}
        assert olive.post(at(bought, "cancel"), body).status_code == 303
    bought.refresh_from_db()
    assert bought.cancelled_at is not None
    assert bought.refund_note == "all of it"


def test_purchases_are_the_office_s(bought: Purchase) -> None:
    for client in (signed_in("ada", "grower"), signed_in("ben", "packing")):
        for doing, body in (("payment", {"payment": "paid"}), ("cancel", {})):
            assert client.post(at(bought, doing), body).status_code in (302, 403)
    bought.refresh_from_db()
    assert (bought.payment, bought.cancelled_at) == ("unpaid", None)


# ---- Prices ---------------------------------------------------------------------------------------------------------


def prices_of(farm: World) -> str:
    return f"/admin/fulfilment/kitchen/{farm.kitchen.public_id}/prices/"


def test_a_kitchen_s_own_prices_are_agreed_and_taken_away(farm: World, olive: Client) -> None:
    everybodys = Product.objects.get(pk=farm.product.pk).price_minor
    field = f"price_{farm.product.public_id}"
    assert f"Everybody’s: {everybodys // 100}.00 EUR." in said(olive.get(prices_of(farm)))
    before = ordering.place(
        [Asked(farm.product.public_id, 500)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW
    )
    assert olive.post(prices_of(farm), {field: "12,50"}).status_code == 303, "as half of Europe writes it"
    assert AgreedPrice.objects.get().price_minor == 1_250
    after = ordering.place(
        [Asked(farm.product.public_id, 500)], kitchen=farm.kitchen.public_id, on=FRIDAY, by=ADA, now=NOW
    )
    assert [order.lines.get().price_minor for order in (before, after)] == [everybodys, 1_250]
    assert 'value="12.50"' in said(olive.get(prices_of(farm)))
    assert olive.post(prices_of(farm), {field: ""}).status_code == 303
    assert not AgreedPrice.objects.exists()


@pytest.mark.parametrize(
    ("price", "says"),
    [
        ("12,5O", "This is no price: write it as 12.50"),
        ("-3", "greater than or equal to 0"),
        ("1.999", "no more than 2 decimal places"),
        ("1e9", "Ensure that there are no more than"),
        ("NaN", "This is no price"),
    ],
)
def test_what_is_no_price(farm: World, olive: Client, price: str, says: str) -> None:
    answer = olive.post(prices_of(farm), {f"price_{farm.product.public_id}": price})
    assert answer.status_code == 422
    assert says in said(answer)
    assert not AgreedPrice.objects.exists()


def test_prices_are_the_office_s(farm: World) -> None:
    for client in (signed_in("ada", "grower"), signed_in("ben", "packing")):
        assert client.post(prices_of(farm), {f"price_{farm.product.public_id}": "1.00"}).status_code in (302, 403)
    assert not AgreedPrice.objects.exists()
