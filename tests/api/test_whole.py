"""Orders told from prepared rows are what the models say of them, attribute by attribute."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.core.cache import cache

from fulfilment.core.promises import words
from fulfilment.models import Address, Line, Order, Product
from fulfilment.read.orders import why
from fulfilment.services import doubts
from tests.api.asking import ask, key
from tests.api.everything import FROZEN, Everything
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fulfilment.models import Promise

pytestmark = pytest.mark.django_db


@pytest.fixture
def all_() -> Iterator[Everything]:
    """Everything, and orders that were changed, cancelled in part and whole, promised in part, doubtful and packed."""
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        made = Everything(clock)
        on = (MONDAY + timedelta(days=4)).isoformat()
        fresh, kit = made.farm.product.public_id, made.farm.kit.public_id
        lines = [{"product": fresh, "amount_g": 1_500}, {"product": kit, "units": 1}]
        asked = {"kitchen": made.farm.kitchen.public_id, "on": on, "lines": lines, "note": "back door"}
        first, second, third = (made.post("/orders", asked) for _ in range(3))
        made.post(f"/orders/{first['id']}/lines/1/amount", {"amount_g": 300_000}, status=200)
        made.post(f"/orders/{first['id']}/lines/2/cancellation", {}, status=200)
        made.post(f"/orders/{second['id']}/cancellation", {}, status=200)
        Line.objects.filter(order__public_id=third["id"]).update(chance_pct=42)
        doubts.follow_plan(now=FROZEN)
        # Another address, so that an address has a number that is not 1, and a parcel on its way.
        made.post(f"/buyers/{made.farm.buyer.public_id}/addresses", {"street": "3 Lane", "town": "Saltby"}, status=None)
        post = {"buyer": made.farm.buyer.public_id, "on": on, "lines": lines[1:2], "address": 2, "gift": True}
        made.post("/orders", post | {"greeting": "Many happy returns"})
        shipment = made.kit_order["shipments"][0]
        made.post(f"/shipments/{shipment}/parcel", {"carrier": "Post", "tracking": "X1"}, status=200)
        yield made


def test_a_list_of_orders_is_what_the_models_say(all_: Everything) -> None:
    for secret, staff in ((all_.office, True), (all_.cleo, False), (key("shop"), False), (key("packing"), True)):
        told = ask(secret, "GET", "/orders", status=200)["items"]
        assert told
        rows = Order.objects.filter(public_id__in=[each["id"] for each in told]).order_by("-pk")
        assert told == [plain(order, staff=staff) for order in rows]


def test_one_order_is_what_the_models_say(all_: Everything) -> None:
    seen: list[dict[str, Any]] = []
    for order in Order.objects.all():
        told = ask(all_.office, "GET", f"/orders/{order.public_id}", status=200)
        assert told == plain(order, staff=True) | personal(order)
        seen.append(told)
    lines = [line for each in seen for line in each["lines"]]
    # What is compared is there to be compared.
    assert {each["state"] for each in seen} >= {"placed", "cancelled", "sent"}
    assert {line["promise"]["status"] for line in lines} >= {"full", "partial"}
    assert any(line["doubt"] for line in lines)
    assert any(line["account"] for line in lines)
    assert any(each["parcels"] for each in seen)
    assert {each["address"]["number"] for each in seen} == {1, 2}
    assert any(each["purchase"] for each in seen)
    assert {"g", "units"} == {line["unit"] for line in lines}
    assert len({len(each["lines"]) for each in seen}) > 1


def test_a_purchase_s_orders_are_what_the_models_say(all_: Everything) -> None:
    (told,) = ask(key("shop"), "GET", "/purchases", status=200)["items"]
    orders = Order.objects.filter(purchase__public_id=told["id"]).order_by("pk")
    assert told["orders"] == [plain(order, staff=False) for order in orders]
    assert told["total"] == {"amount": "19.00", "currency": "EUR"}


def plain(order: Order, *, staff: bool) -> dict[str, Any]:
    lines = list(order.lines.order_by("number"))
    advance = ("placed", "packed", "sent", "delivered")
    live = [line.shipment.state for line in lines if line.cancelled_at is None and line.shipment.state in advance]
    state = "cancelled" if order.cancelled_at or not live else min(live, key=advance.index)
    return {
        "id": order.public_id,
        "kitchen": order.kitchen.public_id if order.kitchen else None,
        "buyer": order.buyer.public_id if order.buyer else None,
        "standing_order": order.standing_order.public_id if order.standing_order else None,
        "standing_on": day(order.standing_on),
        "purchase": order.purchase.public_id if order.purchase else None,
        "on": day(order.on),
        "reference": order.reference,
        "state": state,
        "shipments": sorted({line.shipment.public_id for line in lines}),
        "cut_off_at": instant(min(line.shipment.cut_off_at for line in lines)),
        "placed_at": instant(order.placed_at),
        "gift": order.gift,
        "start_on": day(order.start_on),
        "lines": [plain_line(line, staff=staff) for line in lines],
    }


def plain_line(line: Line, *, staff: bool) -> dict[str, Any]:
    doubt = line.doubts.filter(sure_at=None).first()
    if line.cancelled_at or line.picked or not line.promised:
        doubt = None
    hidden = () if staff else ("there", "promised_before", "kept_back")
    return {
        "number": line.number,
        "product": line.product.public_id,
        "name": line.product.name,
        "unit": "units" if line.product.is_kit else "g",
        "price": {"amount": f"{line.price_minor / 100:.2f}", "currency": "EUR"},
        "ordered": line.ordered,
        "promised": line.promised,
        "chance": line.chance_pct,
        "allocated": line.allocated,
        "picked": line.picked,
        "refused": line.refused,
        "accepted": line.accepted,
        "cancelled": bool(line.cancelled_at),
        "promise": plain_promise(line.promise, line.product, staff=staff) if line.promise else None,
        "doubt": doubt
        and {
            "id": doubt.public_id, "told_at": instant(doubt.told_at), "chance": doubt.chance_pct,
            "words": words(doubt.chance_pct), "sure": doubt.sure,
        },
        "at_least": line.at_least,
        "account": {name: value for name, value in line.account.items() if name not in hidden},
        "says": why.account(line.account, staff=staff) if line.account else "",
    }  # fmt: skip


def plain_promise(made: Promise, product: Product, *, staff: bool) -> dict[str, Any]:
    return {
        "status": made.status,
        "amount": made.amount,
        "chance": made.chance_pct,
        "words": words(made.chance_pct),
        "asked_chance": made.asked_pct,
        "largest": made.largest,
        "first_full_on": day(made.first_full_on),
        "why": made.why,
        "says": why.reason(made.why["code"], made.why, is_kit=product.is_kit, staff=staff),
        "parts": [
            {
                "strain": part.book.strain.public_id, "grade": part.book.grade, "amount": part.amount,
                "first_harvest_on": day(part.first_on), "last_harvest_on": day(part.last_on),
                "substitute": (part.book.strain, part.book.grade) != (product.strain, product.grade),
            }
            for part in made.parts.order_by("pk")
        ],
    }  # fmt: skip


def personal(order: Order) -> dict[str, Any]:
    lines = list(order.lines.order_by("number"))
    shipment = next((line.shipment for line in lines if not line.cancelled_at), lines[0].shipment)
    place = shipment.address
    owned = list(Address.objects.filter(kitchen=place.kitchen, buyer=place.buyer).order_by("pk"))
    names = ("name", "street", "postcode", "town", "country", "instructions")
    parcels = [line.shipment.parcel for line in lines if hasattr(line.shipment, "parcel")]
    return {
        "note": order.note,
        "greeting": order.greeting,
        "way": shipment.way,
        "address": {"number": owned.index(place) + 1} | {name: getattr(place, name) for name in names},
        "parcels": [
            {
                "shipment": each.shipment.public_id, "carrier": each.carrier, "tracking": each.tracking,
                "link": {"address": each.link, "text": f"{each.carrier} {each.tracking}"} if each.link else None,
                "handed_at": instant(each.handed_at),
            }
            for each in parcels
        ],
    }  # fmt: skip


def day(value: date | None) -> str | None:
    return value.isoformat() if value else None


def instant(value: datetime) -> str:
    return value.isoformat().replace("+00:00", "Z")
