"""A farm in the middle of a week, laid by HTTP, with one thing of every noun: what the walks over all routes need."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from fulfilment import work
from fulfilment.models import Intake, Line, Pick, Round, SpawnDelivery, WebhookMessage
from fulfilment.read.webhooks import Outcome, Result
from fulfilment.services import doubts, freezing, planning, scoring, webhooks
from tests import world
from tests.api.asking import ask, key
from tests.world import MONDAY, NOW, World

if TYPE_CHECKING:
    import time_machine

TUESDAY = MONDAY + timedelta(days=1)
FROZEN = NOW + timedelta(hours=7)


class Everything:
    """``ids`` has, by the first word of an address, the id of a thing that is Cleo's or the farm's."""

    def __init__(self, clock: time_machine.Traveller) -> None:
        self.farm: World = world.build(kits_wanted=4)
        self.score_yesterday()
        world.plan()
        self.office = key("office", "grower", "packing", "shop")
        self.cleo = key("kitchen", kitchen=self.farm.kitchen)
        farm, batch = self.farm, self.farm.crop.batch.public_id
        supplier = self.post("/suppliers", {"name": "Barn and Sons"})["id"]
        straw = {"supplier": supplier, "kind": "straw", "amount": 9_000, "received_on": MONDAY.isoformat()}
        self.input = self.post("/input-deliveries", straw)["id"]
        harvested = {
            "crop": farm.crop.public_id,
            "harvested_on": MONDAY.isoformat(),
            "grades": [{"grade": "a", "weighed_g": 3_000, "trimmed_g": 3_000}],
            "confirmed": True,
        }
        lot = self.post("/harvests", harvested)["lots"][0]["id"]
        self.kits = self.post(f"/batches/{batch}/kits", {"bags": 4, "sealed_on": MONDAY.isoformat()})["id"]
        work.drain(now=NOW)
        fresh = {"on": TUESDAY.isoformat(), "lines": [{"product": farm.product.public_id, "amount_g": 1_000}]}
        order = ask(self.cleo, "POST", "/orders", fresh, status=201)
        gift = {
            "buyer": farm.buyer.public_id,
            "on": TUESDAY.isoformat(),
            "lines": [{"product": farm.kit.public_id, "units": 1}],
        }
        self.kit_order = self.post("/orders", gift)
        kit = {"lines": gift["lines"], "ships_from": "2026-05-06", "ships_until": "2026-05-08"}
        bought = self.post("/purchases", {"buyer": farm.buyer.public_id, "receivers": [kit]})
        self.kit_orders = {self.kit_order["id"], *(order["id"] for order in bought["orders"])}
        agreed = {"product": farm.product.public_id, "price": {"amount": "13.50", "currency": "EUR"}}
        self.post(f"/kitchens/{farm.kitchen.public_id}/prices", {"prices": [agreed]}, status=200)
        standing = {
            "rule": "FREQ=WEEKLY;BYDAY=FR",
            "starts_on": MONDAY.isoformat(),
            "lines": [{"product": farm.product.public_id, "amount_g": 500}],
        }
        self.begun = ask(self.cleo, "POST", "/standing-orders", standing, status=201)
        collected = fresh | {"way": "collected"}
        late = ask(self.cleo, "POST", "/orders", collected, status=201)
        work.drain(now=NOW)
        clock.move_to(FROZEN)
        work.drain(now=FROZEN)
        self.come_short(late["id"])
        self.become_doubtful()
        line = Line.objects.get(order__public_id=order["id"])
        self.line = str(line)
        self.post("/picks", {"line": self.line, "lot": lot, "amount_g": 990})
        self.post("/picks", {"line": f"{self.kit_order['id']}/1", "lot": self.kits, "units": 1})
        shop = self.get("/kits")["items"]
        self.ids: dict[str, str] = {
            "strains": farm.strain.public_id,
            "products": farm.product.public_id,
            "orders": order["id"],
            "standing-orders": self.begun["id"],
            "kitchens": farm.kitchen.public_id,
            "buyers": farm.buyer.public_id,
            "purchases": bought["id"],
            "batches": batch,
            "crops": farm.crop.public_id,
            "lots": lot,
            "holds": self.post("/holds", {"kind": "input_delivery", "id": self.input, "reason": "damp"})["id"],
            "traces": order["id"],
            "pick-lists": self.get("/pick-lists")["items"][0]["id"],
            "picks": Pick.objects.order_by("pk")[0].public_id,
            "rounds": Round.objects.get().public_id,
            "shipments": order["shipments"][0],
            "kits": next(kit["id"] for kit in shop if kit["stage"] == "sealed"),
            "doubts": self.get("/doubts")["items"][0]["id"],
            "shortages": self.get("/shortages")["items"][0]["id"],
            "webhook-endpoints": self.a_webhook(),
        }
        self.intake = Intake.objects.get().public_id
        self.spawn = SpawnDelivery.objects.get().public_id

    def a_webhook(self) -> str:
        """Cleo's program, which was told of something and was away; nothing is posted."""
        asked = {"address": "https://heron.example.org/hooks", "kinds": ["shortage.filled"]}
        made: str = ask(self.cleo, "POST", "/webhook-endpoints", asked, status=201)["id"]
        ask(self.cleo, "POST", f"/webhook-endpoints/{made}/pings", {}, status=201)
        [turn] = webhooks.claim(now=FROZEN)
        away = [Result(post, Outcome.UNREACHABLE, None, timedelta(milliseconds=7)) for post in turn.posts]
        webhooks.settle(turn, away, now=FROZEN)
        # Given up, so that no later drain goes looking for it.
        WebhookMessage.objects.update(state=WebhookMessage.State.FAILED)
        return made

    def score_yesterday(self) -> None:
        """What was forecast for yesterday the day before is scored."""
        before = timedelta(days=2)
        planning.publish(today=MONDAY - before, now=NOW - before)
        scoring.score_past(today=MONDAY)

    def come_short(self, order: str) -> None:
        """Nothing is left for this order, and its kitchen is told."""
        line = Line.objects.get(order__public_id=order)
        line.allocations.all().delete()
        Line.objects.filter(pk=line.pk).update(allocated=0)
        freezing.tell_shortages(TUESDAY, now=FROZEN)

    def become_doubtful(self) -> None:
        """Friday's usual is less sure than it was, and its kitchen is told."""
        usual = Line.objects.filter(order__standing_order__public_id=self.begun["id"]).order_by("shipment__on")[0]
        Line.objects.filter(pk=usual.pk).update(chance_pct=60)
        doubts.follow_plan(now=FROZEN)

    def address(self, pattern: str, code: str = "") -> str:
        """``orders/<str:code>`` with the order's id, or with ``code``."""
        filled = pattern.replace("<str:code>", code or self.ids.get(pattern.partition("/")[0], ""))
        return "/" + filled.replace("<int:number>", "1")

    def get(self, address: str) -> Any:
        return ask(self.office, "GET", address, status=200)

    def post(self, address: str, body: object, status: int | None = 201) -> Any:
        return ask(self.office, "POST", address, body, status=status)
