"""A farm's days by HTTP, from the first donor to the empty crate: every request of the API at least once, and heard."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from fulfilment import work
from fulfilment.models import Kit, Line, Round
from tests.api.asking import ask
from tests.api.everything import FROZEN, TUESDAY, Everything
from tests.api.routes import ROUTES
from tests.world import MONDAY

if TYPE_CHECKING:
    import time_machine

ON = MONDAY.isoformat()
NEXT = TUESDAY + timedelta(days=1)


def live(clock: time_machine.Traveller) -> None:
    """All of it; each answer is what the schema says, since ``ask`` holds it against it."""
    all_ = Everything(clock)
    room = set_up(all_)
    hear(all_)
    customers(all_)
    grow(all_, room)
    keep_store(all_)
    order(all_)
    sell(all_)
    read(all_)
    pack(all_, clock)
    kits(all_)


def set_up(all_: Everything) -> str:
    strain = all_.post("/strains", {"name": "Pink oyster", "profile": "pink", "hardy": False})["id"]
    all_.post(f"/strains/{strain}/keeping", {"grade": "a", "best_before_days": 3})
    money = {"amount": "16.50", "currency": "EUR"}
    made = {"strain": strain, "grade": "a", "pack": 250, "price": money, "name": "Pink oyster, 250 g"}
    product = all_.post("/products", made)["id"]
    change(all_, f"/products/{product}", {"price": {"amount": "17.00", "currency": "EUR"}})
    room: str = all_.post("/rooms", {"name": "Loft", "kind": "incubation", "set_point_c": 23.5})["id"]
    all_.post("/readings", {"room": room, "celsius": 22.5, "at": "2026-05-04T05:00:00Z"})
    readings = [{"room": room, "celsius": 22.5 + n / 10, "at": f"2026-05-04T0{n}:30:00Z"} for n in range(3)]
    all_.post("/reading-lists", {"items": readings})
    return room


def hear(all_: Everything) -> None:
    """Cleo's program is told, and asks for what it missed."""
    hers = f"/webhook-endpoints/{all_.ids['webhook-endpoints']}"
    ask(all_.cleo, "PATCH", hers, {"note": "till"}, match="*", status=200)
    ask(all_.cleo, "POST", f"{hers}/replays", {"since": "2026-05-04T06:00:00Z"}, status=201)
    ask(all_.cleo, "POST", f"{hers}/rotations", {"old_signs_h": 12}, status=201)


def customers(all_: Everything) -> None:
    address = {"street": "3 Staithe", "town": "Saltby", "instructions": "Ring at the yard."}
    made = {"name": "The Lantern", "email": "lantern@example.org", "address": address, "tier": 2}
    kitchen = all_.post("/kitchens", made)["id"]
    change(all_, f"/kitchens/{kitchen}", {"chance_pct": 80})
    all_.post(f"/kitchens/{kitchen}/addresses", {"street": "9 Row", "town": "Saltby"})
    all_.post(f"/kitchens/{kitchen}/substitutes", {"substitutes": []}, status=None)
    agreed = [{"product": all_.farm.product.public_id, "price": {"amount": "12.50", "currency": "EUR"}}]
    all_.post(f"/kitchens/{kitchen}/prices", {"prices": agreed}, status=200)
    buyer = {"name": "Fay", "email": "fay@example.org", "zone": "Europe/London", "address": address}
    bought = all_.post("/buyers", buyer)["id"]
    change(all_, f"/buyers/{bought}", {"phone": "01632 960 417"})
    all_.post(f"/buyers/{bought}/addresses", address | {"name": "Gran"})


def grow(all_: Everything, room: str) -> None:
    strain, crop = all_.farm.strain.public_id, all_.farm.crop.public_id
    donor = all_.post("/donors", {"name": "Mill Lane Espresso"})["id"]
    supplier = all_.post("/suppliers", {"name": "Fen Spawn"})["id"]
    straw = {"supplier": supplier, "kind": "straw", "amount": 9_000, "received_on": ON}
    all_.post("/input-deliveries", straw)
    grounds = {"donor": donor, "grams": 30_000, "collected_on": ON, "hours_since_brewing": 8}
    intake = all_.post("/intakes", grounds)["id"]
    spawn = {"supplier": supplier, "strain": strain, "grams": 5_000, "received_on": ON}
    delivery = all_.post("/spawn-deliveries", spawn)["id"]
    mixed = {
        "strain": strain, "mixed_on": ON, "bags": 10, "dry_g_per_bag": 900, "wet_g_per_bag": 2_700, "spawn_pct": 15,
        "room": room, "intakes": [{"id": intake, "amount": 27_000}], "spawn": [{"id": delivery, "amount": 4_000}],
        "confirmed": True,
    }  # fmt: skip
    batch = all_.post("/batches", mixed)["id"]
    all_.post(f"/batches/{batch}/observations", {"kind": "run_full", "seen_on": ON})
    opened = {"bags": 10, "room": all_.farm.room.public_id, "opened_on": ON, "confirmed": True}
    young = all_.post(f"/batches/{batch}/crops", opened)["id"]
    lost = {"kind": "bags_lost", "seen_on": ON, "bags": 2, "cause": "mould"}
    all_.post(f"/crops/{young}/observations", lost)
    items = [{"crop": crop, "harvested_on": ON, "grades": [{"grade": "a", "weighed_g": grams}]} for grams in (640, 715)]
    all_.post("/harvest-lists", {"items": items})
    all_.post("/replans", {}, status=202)


def keep_store(all_: Everything) -> None:
    harvested = {
        "crop": all_.farm.crop.public_id, "harvested_on": ON, "grades": [{"grade": "a", "weighed_g": 1_400}],
    }  # fmt: skip
    lot = all_.post("/harvests", harvested)["lots"][0]["id"]
    corrected = {"weighed_g": 1_300, "trimmed_g": 1_250, "reason": "read from the wrong line of the sheet"}
    all_.post(f"/lots/{lot}/harvest-corrections", corrected)
    all_.post(f"/lots/{lot}/dry-outs", {"counted_g": 1_200})
    all_.post(f"/lots/{lot}/wastes", {"quantity": 100, "reason": "bruised"})
    all_.post(f"/lots/{lot}/takings", {"quantity": 50, "kind": "sample", "confirmed": True})
    all_.post(f"/lots/{lot}/corrections", {"to_quantity": 1_060, "reason": "weighed again"})
    hold = all_.post("/holds", {"kind": "lot", "id": lot, "reason": "smells sour"})["id"]
    all_.post(f"/holds/{hold}/release", {}, status=200)
    all_.post(f"/holds/{all_.ids['holds']}/destruction", {}, status=200)


def order(all_: Everything) -> None:
    lines = [{"product": all_.farm.product.public_id, "amount_g": 1_500}]
    friday = {"on": (MONDAY + timedelta(days=4)).isoformat(), "lines": lines}
    ask(all_.cleo, "POST", "/promise-checks", friday, status=200)
    placed = ask(all_.cleo, "POST", "/orders", friday | {"reference": "menu 12"}, status=201)["id"]
    ask(all_.cleo, "POST", f"/orders/{placed}/lines/1/amount", {"amount_g": 1_000}, status=200)
    added = {"lines": [{"product": all_.farm.kit.public_id, "units": 1}]}
    ask(all_.cleo, "POST", f"/orders/{placed}/lines", added, status=201)
    ask(all_.cleo, "POST", f"/orders/{placed}/lines/2/cancellation", {}, status=200)
    ask(all_.cleo, "PATCH", f"/orders/{placed}", {"note": "Ring twice.", "lines": lines}, match="*", status=200)
    ask(all_.cleo, "POST", f"/orders/{placed}/cancellation", {}, status=200)
    rule = {"rule": "FREQ=WEEKLY;BYDAY=TU,FR", "starts_on": NEXT.isoformat(), "lines": lines}
    looked = {"rule": rule["rule"], "starts_on": rule["starts_on"], "on_closed": "earlier"}
    ask(all_.cleo, "POST", "/standing-order-previews", looked, status=200)
    standing = ask(all_.cleo, "POST", "/standing-orders", rule, status=201)["id"]
    more = {"lines": [lines[0] | {"amount_g": 2_000}], "from_on": "2026-05-15", "on_closed": "earlier"}
    ask(all_.cleo, "PATCH", f"/standing-orders/{standing}", more, match="*", status=200)
    skipped = {"kind": "skip", "on": (MONDAY + timedelta(days=8)).isoformat()}
    ask(all_.cleo, "POST", f"/standing-orders/{standing}/changes", skipped, status=201)
    last = {"last_on": (MONDAY + timedelta(days=30)).isoformat()}
    ask(all_.cleo, "POST", f"/standing-orders/{standing}/end", last, status=200)
    ask(all_.cleo, "GET", "/doubts", status=200)
    ask(all_.cleo, "POST", f"/doubts/{all_.ids['doubts']}/answer", {"choice": "keep"}, status=200)
    ask(all_.cleo, "GET", "/shortages", status=200)
    ask(all_.cleo, "POST", f"/shortages/{all_.ids['shortages']}/answer", {"choice": "drop"}, status=200)


def sell(all_: Everything) -> None:
    """A web shop's hour: two receivers, one of them a gift."""
    lines = [{"product": all_.farm.kit.public_id, "units": 1}]
    window = {"lines": lines, "ships_from": NEXT.isoformat(), "ships_until": "2026-05-08"}
    gran = {"name": "Gran", "street": "4 Hill", "town": "Upton", "country": "GB"}
    gift = window | {"recipient": gran, "gift": True, "greeting": "Watch it grow!", "start_on": "2026-05-16"}
    asked = {"buyer": all_.farm.buyer.public_id, "reference": "W-1047", "receivers": [window, gift]}
    bought = all_.post("/purchases", asked)["id"]
    all_.post(f"/purchases/{bought}/payment", {"payment": "paid"}, status=200)
    all_.post(f"/purchases/{bought}/cancellation", {"note": "all of it paid back"}, status=200)


def read(all_: Everything) -> None:
    """Every address that can be read."""
    for address, view in ROUTES:
        if "GET" in view.scopes:
            all_.get(all_.address(address))


def pack(all_: Everything, clock: time_machine.Traveller) -> None:
    lot = all_.ids["lots"]
    picked = all_.post("/picks", {"line": all_.line, "lot": lot, "gross_g": 830, "tare_g": 420, "confirmed": True})
    all_.post(f"/picks/{picked['id']}/undoing", {"reason": "the wrong crate"})
    late = {
        "kitchen": all_.farm.kitchen.public_id, "on": TUESDAY.isoformat(), "way": "collected", "because": "by phone",
        "lines": [{"product": all_.farm.product.public_id, "amount_g": 500}],
    }  # fmt: skip
    fetched = all_.post("/orders", late)
    line = f"{fetched['id']}/{fetched['lines'][0]['number']}"
    all_.post("/picks", {"line": line, "lot": lot, "amount_g": 500, "confirmed": True})
    tomorrow = FROZEN + timedelta(hours=16)
    clock.move_to(tomorrow)
    work.drain(now=tomorrow)
    all_.post(f"/shipments/{fetched['shipments'][0]}/collection", {"confirmed": True}, status=200)
    shipment = all_.ids["shipments"]
    all_.post(f"/rounds/{Round.objects.get().public_id}/closure", {"crates": {shipment: 2}}, status=200)
    refused = [{"line": all_.line, "amount": 90, "reason": "bruised"}]
    all_.post(f"/shipments/{shipment}/delivery", {"refused": refused, "crates_back": 1}, status=200)
    all_.post(f"/kitchens/{all_.farm.kitchen.public_id}/crates", {"back": 1, "confirmed": True}, status=None)


def kits(all_: Everything) -> None:
    parcel = {"carrier": "Overland Post", "tracking": "OP 71 204"}
    all_.post(f"/shipments/{all_.kit_order['shipments'][0]}/parcel", parcel, status=200)
    kit = Kit.objects.get(line=Line.objects.get(order__public_id=all_.kit_order["id"]))
    joined = {"code": kit.joining_code, "email": "eve@example.org", "zone": "Europe/London", "warmth": "cool"}
    ask("", "POST", "/kit-joinings", joined, status=201)
    all_.post(f"/kits/{kit.public_id}/events", {"kind": "started", "on": TUESDAY.isoformat()})
    all_.post(f"/kits/{kit.public_id}/room", {"warmth": "normal"})
    all_.post(f"/kits/{kit.public_id}/replacement", {"reason": "arrived crushed"})


def change(all_: Everything, address: str, body: dict[str, object]) -> None:
    ask(all_.office, "PATCH", address, body, match="*", status=200)
