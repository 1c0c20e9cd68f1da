"""A web shop's program: what can be sold for which day, a purchase with several receivers, its money, its kits."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import product as pairs
from typing import Any

import pytest
import time_machine

from fulfilment import work
from fulfilment.core.problems import Conflict
from fulfilment.models import Address, Event, Kit, Line, Mail, Order, Purchase
from fulfilment.models.states import PAYMENT, move
from fulfilment.out.emails import preview
from fulfilment.services import packing
from tests import world
from tests.api.asking import ask, key
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
GRAN = {"name": "Gran", "street": "4 Hill", "town": "Upton", "country": "GB"}


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def farm(clock: time_machine.Traveller) -> World:
    made = world.build(kits_wanted=6)
    world.plan()
    batch = made.crop.batch.public_id
    ask(key("grower"), "POST", f"/batches/{batch}/kits", {"bags": 6, "sealed_on": MONDAY.isoformat()}, status=201)
    work.drain(now=NOW)
    return made


@pytest.fixture
def shop(farm: World) -> str:
    return key("shop")


def gets(farm: World, units: int = 1, **more: object) -> dict[str, Any]:
    lines = [{"product": farm.kit.public_id, "units": units}]
    return {"lines": lines, "ships_from": TUESDAY.isoformat(), **more}


def buy(shop: str, farm: World, *receivers: dict[str, Any], status: int = 201, **more: object) -> Any:
    body = {"buyer": farm.buyer.public_id, "receivers": list(receivers), **more}
    return ask(shop, "POST", "/purchases", body, status=status)


def available(shop: str, query: str = "") -> dict[str, int]:
    found = ask(shop, "GET", f"/kit-availability{query}", status=200)["items"]
    return {each["on"]: each["units"] for each in found}


def test_what_can_be_sold_is_what_is_promised(farm: World, shop: str) -> None:
    there = available(shop, f"?from={MONDAY}&until={WEDNESDAY}&product={farm.kit.public_id}")
    assert there == {TUESDAY.isoformat(): 6, WEDNESDAY.isoformat(): 6}, "today's cut-off is past, six are in store"
    sold = buy(shop, farm, gets(farm, 4))
    assert sold["orders"][0]["lines"][0]["promise"]["status"] == "full"
    assert available(shop)[WEDNESDAY.isoformat()] == 2, "sold for one day is gone from the others"
    more = buy(shop, farm, gets(farm, 3))["orders"][0]["lines"][0]
    assert (more["promise"]["status"], more["promised"]) == ("partial", 2)
    assert available(shop)[WEDNESDAY.isoformat()] == 0
    ask(shop, "POST", f"/purchases/{sold['id']}/cancellation", {}, status=200)
    assert available(shop)[WEDNESDAY.isoformat()] == 4
    for wrong, code in (
        ("?from=9999-12-31", "too_far_ahead"),
        (f"?until={MONDAY - timedelta(3)}", "ends_before_start"),
    ):
        assert ask(shop, "GET", f"/kit-availability{wrong}", status=400)["code"] == code
    kinds = [ask(shop, "GET", f"/products?kind={kind}", status=200)["items"] for kind in ("kits", "fresh")]
    assert [[each["unit"] for each in found] for found in kinds] == [["units"], ["g"]]


def test_several_receivers_in_one_purchase(farm: World, shop: str, clock: time_machine.Traveller) -> None:
    start = MONDAY + timedelta(days=20)
    bought = buy(
        shop, farm, gets(farm, 2), gets(farm, 1, recipient=GRAN, gift=True, greeting="Watch it grow",
                                        start_on=start.isoformat(), ships_until=WEDNESDAY.isoformat()),
        reference="W-1", payment="authorised",
    )  # fmt: skip
    own, gift = bought["orders"]
    assert (bought["total"]["amount"], bought["payment"], own["gift"], gift["gift"]) == (
        "57.00",
        "authorised",
        False,
        True,
    )
    assert own["shipments"] != gift["shipments"]
    assert {own["purchase"], gift["purchase"]} == {bought["id"]}
    assert "Gran" not in str(bought), "an answer that is stored holds nothing personal"
    told = ask(shop, "GET", f"/orders/{gift['id']}", status=200)
    assert (told["address"]["name"], told["greeting"], told["start_on"]) == ("Gran", "Watch it grow", start.isoformat())
    assert ask(shop, "GET", f"/orders?purchase={bought['id']}&page_size=1", status=200)["next"] is not None
    assert [each["id"] for each in ask(shop, "GET", "/purchases?reference=W-1", status=200)["items"]] == [bought["id"]]
    assert ask(shop, "GET", "/purchases?payment=paid", status=200)["items"] == []
    late = NOW + timedelta(hours=7)
    clock.move_to(late)
    work.drain(now=late)
    line = Line.objects.get(order__public_id=gift["id"])
    packing.pick(
        str(line), lot=Kit.objects.filter(line=None)[0].lot.public_id, amount=1, by=ADA, now=late, today=MONDAY
    )
    parcel = {"carrier": "Overland Post", "tracking": "T-9", "link": "https://post.example.org/T-9"}
    ask(key("packing"), "POST", f"/shipments/{gift['shipments'][0]}/parcel", parcel, status=200)
    sent = ask(shop, "GET", f"/orders/{gift['id']}", status=200)["parcels"][0]
    assert sent["link"] == {"address": "https://post.example.org/T-9", "text": "Overland Post T-9"}
    kit = ask(shop, "GET", f"/kits?order={gift['id']}", status=200)["items"][0]
    assert (kit["order"], kit["stage"]) == (gift["id"], "sent")
    happened = [each["kind"] for each in ask(shop, "GET", f"/kits/{kit['id']}/events", status=200)["items"]]
    assert happened == ["sealed", "sold", "sent"]
    mail = preview(Mail.objects.get(kind="kit_sent").public_id, now=late).text
    assert "Follow it here: https://post.example.org/T-9" in mail


def test_a_purchase_is_placed_whole_or_not_at_all(farm: World, shop: str) -> None:
    before = (Order.objects.count(), Address.objects.count(), Event.objects.count())
    wrongs = [
        (gets(farm, 1, ships_from=MONDAY.isoformat()), "no_delivery_day", "/receivers/1/ships_until"),
        (gets(farm, 1, ships_until="2026-05-01"), "ends_before_start", "/receivers/1/ships_until"),
        (gets(farm, 1, start_on="2026-05-09"), "no_gift", "/receivers/1/start_on"),
        (gets(farm, 1, address=1, recipient=GRAN), "one_of_two", "/receivers/1/recipient"),
        (gets(farm, 1, recipient=GRAN | {"country": "Wales"}), "invalid", "/receivers/1/recipient/country"),
        (gets(farm, 1, way="round"), "unknown_way", "/receivers/1/way"),
        (gets(farm, 1, ships_until="2026-12-31"), "window_too_long", "/receivers/1/ships_until"),
        (gets(farm, 1, ships_from="9999-12-31"), "too_far_ahead", "/receivers/1/ships_from"),
        (gets(farm, 1, gift=True, start_on="2026-05-05"), "no_delivery_day", "/receivers/1/ships_until"),
    ]
    for wrong, code, pointer in wrongs:
        told = buy(shop, farm, gets(farm, recipient=GRAN), wrong, status=400)
        assert (told["code"], told["errors"][0]["pointer"]) == (code, pointer), told
    assert (Order.objects.count(), Address.objects.count(), Event.objects.count()) == before
    assert not Purchase.objects.exists()


def test_a_ship_window_takes_the_first_day_that_carries_all(farm: World, shop: str) -> None:
    """Seven are wanted and six are in store: no day carries them, so the first of those that carry most is taken."""
    seven = buy(shop, farm, gets(farm, 7, ships_until="2026-05-08"))["orders"][0]
    assert (seven["on"], seven["lines"][0]["promised"]) == (TUESDAY.isoformat(), 6)


def test_a_gift_to_be_started_late_gets_a_kit_that_keeps_so_long(farm: World, shop: str) -> None:
    """A kit keeps eight weeks from the day its bag was grown through, twelve days before this Monday."""
    grown = MONDAY - timedelta(days=12)
    last = grown + timedelta(weeks=8)
    for start, status in ((last, "full"), (last + timedelta(days=1), "declined")):
        told = buy(shop, farm, gets(farm, gift=True, start_on=start.isoformat()))["orders"][0]["lines"][0]
        assert told["promise"]["status"] == status, start


def test_payment_is_told_and_moves_along_its_table(farm: World, shop: str) -> None:
    bought = buy(shop, farm, gets(farm))
    address, five = f"/purchases/{bought['id']}/payment", {"amount": "5.00", "currency": "EUR"}
    assert ask(shop, "POST", address, {"payment": "refunded"}, status=409)["code"] == "wrong_state"
    assert ask(shop, "POST", address, {"payment": "paid", "refund": five}, status=400)["code"] == "no_refund"
    assert ask(shop, "POST", address, {"payment": "paid"}, status=200)["payment"] == "paid"
    assert ask(shop, "POST", address, {"payment": "part_refunded"}, status=400)["code"] == "missing"
    back = {"payment": "part_refunded", "refund": five, "note": "one was crushed"}
    for _ in range(2):
        assert ask(shop, "POST", address, back, status=200)["refund"] == five
    assert Event.objects.filter(kind="payment_told").count() == 2, "the same twice is one"
    told = ask(shop, "GET", f"/purchases/{bought['id']}", status=200)
    assert told["refund_note"] == "one was crushed"
    assert "crushed" not in str(list(Event.objects.values_list("data", flat=True)))


@pytest.mark.parametrize(("before", "after"), sorted(pairs(PAYMENT, PAYMENT)))
def test_every_pair_of_payments(before: str, after: str) -> None:
    if after in PAYMENT[before]:
        assert move(PAYMENT, before, after, what="payment") == after
    else:
        with pytest.raises(Conflict):
            move(PAYMENT, before, after, what="payment")


def test_a_purchase_is_cancelled_as_far_as_it_has_not_left(
    farm: World, shop: str, clock: time_machine.Traveller
) -> None:
    bought = buy(shop, farm, gets(farm), gets(farm, recipient=GRAN))
    address = f"/purchases/{bought['id']}/cancellation"
    late = NOW + timedelta(hours=7)
    clock.move_to(late)
    work.drain(now=late)
    assert ask(shop, "POST", address, {}, status=409)["code"] == "past_cut_off"
    assert ask(shop, "POST", address, {"because": "x"}, status=403)["code"] == "forbidden"
    first = bought["orders"][0]
    line = Line.objects.get(order__public_id=first["id"])
    packing.pick(
        str(line), lot=Kit.objects.filter(line=None)[0].lot.public_id, amount=1, by=ADA, now=late, today=MONDAY
    )
    parcel = {"carrier": "Overland Post", "tracking": "T-9"}
    ask(key("packing"), "POST", f"/shipments/{first['shipments'][0]}/parcel", parcel, status=200)
    office = key("office")
    gone = ask(office, "POST", address, {"because": "moved house", "note": "19.00 back"}, status=200)
    assert [each["state"] for each in gone["orders"]] == ["sent", "cancelled"]
    assert gone["cancelled_at"] is None, "not all of it"
    assert ask(office, "POST", address, {"because": "again"}, status=409)["code"] == "left_already"


def test_a_buyer_is_put_right(farm: World, shop: str) -> None:
    address = f"/buyers/{farm.buyer.public_id}"
    ask(shop, "PATCH", address, {"name": "Dai Jones"}, status=428)
    ask(shop, "PATCH", address, {"name": "Dai Jones"}, match='"1"', status=200)
    assert ask(shop, "GET", address, status=200)["name"] == "Dai Jones"
    ask(shop, "POST", f"{address}/addresses", GRAN, status=201)
    there = ask(shop, "GET", f"{address}/addresses", status=200)["items"]
    assert [(each["number"], each["name"]) for each in there] == [(1, "Dai"), (2, "Gran")]
    order = buy(shop, farm, gets(farm, address=2))["orders"][0]
    assert ask(shop, "GET", f"/orders/{order['id']}", status=200)["address"]["number"] == 2
