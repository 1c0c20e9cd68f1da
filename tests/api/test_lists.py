"""Every list takes as many statements for many rows as for few."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fulfilment.models import (
    Doubt,
    Line,
    PickList,
    Product,
    Round,
    Score,
    ShortageOffer,
    WebhookMessage,
    WebhookTry,
)
from tests.api.asking import ask
from tests.api.everything import Everything
from tests.api.routes import ROUTES
from tests.world import MONDAY, NOW

pytestmark = pytest.mark.django_db

MANY = 6
ON = MONDAY.isoformat()
FRIDAY = (MONDAY + timedelta(days=4)).isoformat()
SALTBY = {"street": "3 Staithe", "town": "Saltby"}
BY_DAY = {"delivery-days", "kit-availability", "standing-orders/<str:code>/dates"}
"""Lists of days: as long as the days that are asked for."""
OF_ONE_THING = {"kitchens/<str:code>/substitutes", "kits/<str:code>/events"}
"""Read in one statement, and short."""


def test_every_list_takes_as_many_statements_for_many_rows_as_for_few() -> None:
    """Up to two more where the few have nothing of a kind to read ahead; one a row would be four more or above."""
    cache.clear()
    with time_machine.travel(NOW, tick=False) as clock:
        all_ = Everything(clock)
        few = {address: asked(all_, address) for address in lists(all_)}
        for number in range(MANY - 1):
            add(all_, number)
        for address, (rows, statements) in few.items():
            more_rows, more_statements = asked(all_, address)
            if address not in BY_DAY | OF_ONE_THING:
                assert more_rows >= max(MANY, rows + 4), (address, rows, more_rows)
            assert more_statements <= statements + 2, (address, rows, statements, more_rows, more_statements)


def lists(all_: Everything) -> list[str]:
    read = [address for address, view in ROUTES if "GET" in view.scopes]
    return [address for address in read if "items" in all_.get(all_.address(address))]


def asked(all_: Everything, address: str) -> tuple[int, int]:
    """How many rows are told, and how many statements that takes."""
    told = all_.get(all_.address(address))
    with CaptureQueriesContext(connection) as seen:
        items = all_.get(all_.address(address) + ("?page_size=200" if "next" in told else ""))["items"]
    return len(items), len(seen)


def add(all_: Everything, number: int) -> None:
    """One more row to every list."""
    customers(all_, number)
    grow(all_, number)
    order(all_, number)
    write(all_, number)


def customers(all_: Everything, number: int) -> None:
    kitchen = {"name": f"Kitchen {number}", "email": f"kitchen{number}@example.org", "address": SALTBY}
    all_.post("/kitchens", kitchen)
    buyer = {"name": f"Buyer {number}", "email": f"buyer{number}@example.org", "address": SALTBY}
    all_.post("/buyers", buyer)
    for noun in ("kitchens", "buyers"):
        all_.post(f"/{noun}/{all_.ids[noun]}/addresses", SALTBY)


def grow(all_: Everything, number: int) -> None:
    strain = all_.post("/strains", {"name": f"Strain {number}", "profile": "pink", "hardy": False})["id"]
    all_.post(f"/strains/{strain}/keeping", {"grade": "a", "best_before_days": 3})
    money = {"amount": "16.50", "currency": "EUR"}
    product = {"strain": strain, "grade": "a", "pack": 250, "price": money, "name": f"Product {number}"}
    all_.post("/products", product)
    prices = [{"product": code, "price": money} for code in Product.objects.values_list("public_id", flat=True)]
    all_.post(f"/kitchens/{all_.ids['kitchens']}/prices", {"prices": prices}, status=200)
    room = all_.post("/rooms", {"name": f"Room {number}", "kind": "fruiting", "set_point_c": 17})["id"]
    donor = all_.post("/donors", {"name": f"Donor {number}"})["id"]
    supplier = all_.post("/suppliers", {"name": f"Supplier {number}"})["id"]
    all_.post("/input-deliveries", {"supplier": supplier, "kind": "straw", "amount": 9_000, "received_on": ON})
    grounds = {"donor": donor, "grams": 30_000, "collected_on": ON, "hours_since_brewing": 8}
    intake = all_.post("/intakes", grounds)["id"]
    spawn = {"supplier": supplier, "strain": strain, "grams": 5_000, "received_on": ON}
    delivery = all_.post("/spawn-deliveries", spawn)["id"]
    mixed = {
        "strain": strain, "mixed_on": ON, "bags": 10, "dry_g_per_bag": 900, "wet_g_per_bag": 2_700, "spawn_pct": 15,
        "room": room, "intakes": [{"id": intake, "amount": 27_000}], "spawn": [{"id": delivery, "amount": 4_000}],
        "kits_wanted": 2, "confirmed": True,
    }  # fmt: skip
    batch = all_.post("/batches", mixed)["id"]
    all_.post(f"/batches/{batch}/observations", {"kind": "run_full", "seen_on": ON})
    all_.post(f"/batches/{batch}/kits", {"bags": 2, "sealed_on": ON})
    opened = {"bags": 8, "room": room, "opened_on": ON, "confirmed": True}
    crop = all_.post(f"/batches/{batch}/crops", opened)["id"]
    grades = [{"grade": "a", "weighed_g": 1_400}]
    all_.post("/harvests", {"crop": crop, "harvested_on": ON, "grades": grades, "confirmed": True})
    all_.post("/holds", {"kind": "intake", "id": intake, "reason": "smells sour"})


def order(all_: Everything, number: int) -> None:
    farm = all_.farm
    lines = [{"product": farm.product.public_id, "amount_g": 500}]
    ask(all_.cleo, "POST", "/orders", {"on": FRIDAY, "lines": lines, "reference": str(number)}, status=201)
    weekly = {"rule": "FREQ=WEEKLY;BYDAY=TH", "starts_on": ON, "lines": lines}
    ask(all_.cleo, "POST", "/standing-orders", weekly, status=201)
    kit = {"lines": [{"product": farm.kit.public_id, "units": 1}], "ships_from": FRIDAY}
    bought = all_.post("/purchases", {"buyer": farm.buyer.public_id, "receivers": [kit]})["id"]
    # So that the next one finds its kit.
    all_.post(f"/purchases/{bought}/cancellation", {}, status=200)
    hook = {"address": f"https://heron.example.org/hooks/{number}", "kinds": ["shortage.filled"]}
    ask(all_.cleo, "POST", "/webhook-endpoints", hook, status=201)


def write(all_: Everything, number: int) -> None:
    """What only nights and other programs make, as if there had been more of them."""
    later = MONDAY + timedelta(days=20 + number)
    again(Round.objects.earliest("pk"), on=later)
    again(PickList.objects.earliest("pk"), on=later, round=None)
    again(Score.objects.filter(grade="").earliest("pk"), on=MONDAY - timedelta(days=2 + number))
    offer = ShortageOffer.objects.earliest("pk")
    promised = offer.promise
    short = again(offer.line, number=10 + number, promise=None)
    short.promise = again(promised, line=short)
    short.save()
    again(offer, line=short, promise=short.promise)
    sure = Line.objects.filter(doubts=None, order__reference=str(number)).get()
    again(Doubt.objects.earliest("pk"), line=sure, promise=sure.promise)
    hooked = WebhookMessage.objects.earliest("pk")
    message = again(hooked, event=again(hooked.event), message_id=f"message-{number}")
    again(WebhookTry.objects.earliest("pk"), message=message)


def again(row: Any, **other: Any) -> Any:
    """The same row once more, with these values."""
    row.pk = None
    if hasattr(row, "public_id"):
        row.public_id = type(row)._meta.get_field("public_id").get_default()
    for name, value in other.items():
        setattr(row, name, value)
    row.save(force_insert=True)
    return row
