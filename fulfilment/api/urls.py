"""The API's addresses."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path, re_path

from fulfilment.api import (
    batches,
    buyers,
    crops,
    customers,
    doubts,
    farm,
    kits,
    orders,
    own_key,
    packing,
    pick_lists,
    plans,
    products,
    purchases,
    rooms,
    shortages,
    sources,
    standing_orders,
    store,
    traces,
    webhooks,
)
from fulfilment.api.harvests import HarvestLists, Harvests
from fulfilment.api.lots import Lots, OneLot
from fulfilment.api.reference import problems, reference
from fulfilment.api.schema import Schema
from fulfilment.api.scores import Scores
from fulfilment.api.views import Endpoint, Nowhere


def both(reads: type[Endpoint], does: type[Endpoint]) -> type[Endpoint]:
    """One address that is read by one endpoint and written by another."""
    scopes = {**reads.scopes, **does.scopes}
    return type(f"{reads.__name__}And{does.__name__}", (does, reads), {"scopes": scopes})


V1: list[URLPattern | URLResolver] = [
    # What is sold and what is expected
    path("farm", farm.OneFarm.as_view()),
    path("strains", both(products.Strains, products.register_strain).as_view()),
    path("strains/<str:code>", products.OneStrain.as_view()),
    path("strains/<str:code>/keeping", products.keep.as_view()),
    path("products", both(products.Products, products.add_product).as_view()),
    path("products/<str:code>", products.OneProduct.as_view()),
    path("delivery-days", farm.DeliveryDays.as_view()),
    path("forecasts/current", farm.CurrentForecast.as_view()),
    path("plans/latest", plans.LatestPlan.as_view()),
    path("plans/latest/lines", plans.PlanLines.as_view()),
    path("scores", Scores.as_view()),
    path("replans", farm.replan.as_view()),
    path("events", farm.Events.as_view()),
    path("keys/current", own_key.OwnKey.as_view()),
    # Orders
    path("promise-checks", orders.PromiseChecks.as_view()),
    path("orders", orders.Orders.as_view()),
    path("orders/<str:code>", orders.OneOrder.as_view()),
    path("orders/<str:code>/cancellation", orders.Cancellation.as_view()),
    path("orders/<str:code>/lines", orders.Lines.as_view()),
    path("orders/<str:code>/lines/<int:number>/cancellation", orders.LineCancellation.as_view()),
    path("orders/<str:code>/lines/<int:number>/amount", orders.LineAmount.as_view()),
    path("doubts", doubts.Doubts.as_view()),
    path("doubts/<str:code>/answer", doubts.answer.as_view()),
    path("shortages", shortages.Shortages.as_view()),
    path("shortages/<str:code>/answer", shortages.answer.as_view()),
    path("standing-orders", standing_orders.StandingOrders.as_view()),
    path("standing-order-previews", standing_orders.StandingOrderPreviews.as_view()),
    path("standing-orders/<str:code>", standing_orders.OneStandingOrder.as_view()),
    path("standing-orders/<str:code>/dates", standing_orders.Dates.as_view()),
    path("standing-orders/<str:code>/changes", standing_orders.change.as_view()),
    path("standing-orders/<str:code>/end", standing_orders.end.as_view()),
    # Customers
    path("kitchens", both(customers.Kitchens, customers.add_kitchen).as_view()),
    path("kitchens/<str:code>", customers.OneKitchen.as_view()),
    path("kitchens/<str:code>/addresses", both(customers.KitchenAddresses, customers.add_kitchen_address).as_view()),
    path("kitchens/<str:code>/substitutes", both(customers.Substitutes, customers.set_substitutes).as_view()),
    path("kitchens/<str:code>/prices", both(customers.AgreedPrices, customers.set_prices).as_view()),
    path("kitchens/<str:code>/crates", customers.take_crates.as_view()),
    path("buyers", both(buyers.Buyers, buyers.add_buyer).as_view()),
    path("buyers/<str:code>", buyers.OneBuyer.as_view()),
    path("buyers/<str:code>/addresses", both(buyers.BuyerAddresses, buyers.add_buyer_address).as_view()),
    # The shop
    path("kit-availability", purchases.KitAvailability.as_view()),
    path("purchases", both(purchases.Purchases, purchases.buy).as_view()),
    path("purchases/<str:code>", purchases.OnePurchase.as_view()),
    path("purchases/<str:code>/payment", purchases.tell_payment.as_view()),
    path("purchases/<str:code>/cancellation", purchases.cancel.as_view()),
    # Growing
    path("donors", both(sources.Donors, sources.add_donor).as_view()),
    path("suppliers", both(sources.Suppliers, sources.add_supplier).as_view()),
    path("intakes", both(sources.Intakes, sources.log_intake).as_view()),
    path("spawn-deliveries", both(sources.SpawnDeliveries, sources.log_spawn).as_view()),
    path("input-deliveries", both(sources.InputDeliveries, sources.log_input).as_view()),
    path("rooms", both(rooms.Rooms, rooms.add_room).as_view()),
    path("readings", rooms.log_reading.as_view()),
    path("reading-lists", rooms.log_readings.as_view()),
    path("batches", both(batches.Batches, batches.mix_batch).as_view()),
    path("batches/<str:code>", batches.OneBatch.as_view()),
    path("batches/<str:code>/crops", batches.open_crop.as_view()),
    path("batches/<str:code>/observations", batches.observe_batch.as_view()),
    path("batches/<str:code>/kits", batches.seal.as_view()),
    path("crops", crops.Crops.as_view()),
    path("crops/<str:code>", crops.OneCrop.as_view()),
    path("crops/<str:code>/observations", crops.observe_crop.as_view()),
    path("harvests", Harvests.as_view()),
    path("harvest-lists", HarvestLists.as_view()),
    # Store
    path("lots", Lots.as_view()),
    path("lots/<str:code>", OneLot.as_view()),
    path("lots/<str:code>/wastes", store.waste.as_view()),
    path("lots/<str:code>/takings", store.take.as_view()),
    path("lots/<str:code>/dry-outs", store.dry_out.as_view()),
    path("lots/<str:code>/corrections", store.correct.as_view()),
    path("lots/<str:code>/harvest-corrections", store.correct_harvest.as_view()),
    path("holds", both(store.Holds, store.place).as_view()),
    path("holds/<str:code>", store.OneHold.as_view()),
    path("holds/<str:code>/release", store.release.as_view()),
    path("holds/<str:code>/destruction", store.destroy.as_view()),
    path("traces/<str:code>", traces.Traces.as_view()),
    path("traces/<str:code>/<int:number>", traces.LineTraces.as_view()),
    # Packing and the door
    path("pick-lists", pick_lists.PickLists.as_view()),
    path("pick-lists/<str:code>", pick_lists.OnePickList.as_view()),
    path("picks", packing.pick.as_view()),
    path("picks/<str:code>/undoing", packing.undo.as_view()),
    path("rounds", packing.Rounds.as_view()),
    path("rounds/<str:code>/closure", packing.close.as_view()),
    path("shipments/<str:code>", packing.OneShipment.as_view()),
    path("shipments/<str:code>/parcel", packing.hand_parcel.as_view()),
    path("shipments/<str:code>/delivery", packing.deliver.as_view()),
    path("shipments/<str:code>/collection", packing.collect.as_view()),
    # Kits
    path("kits", kits.Kits.as_view()),
    path("kits/<str:code>", kits.OneKit.as_view()),
    path("kits/<str:code>/events", both(kits.KitEvents, kits.report).as_view()),
    path("kits/<str:code>/room", kits.set_room.as_view()),
    path("kits/<str:code>/replacement", kits.replace.as_view()),
    # Other programs
    path("webhook-endpoints", webhooks.WebhookEndpoints.as_view()),
    path("webhook-endpoints/<str:code>", webhooks.OneWebhookEndpoint.as_view()),
    path("webhook-endpoints/<str:code>/rotations", webhooks.WebhookRotations.as_view()),
    path("webhook-endpoints/<str:code>/pings", webhooks.ping.as_view()),
    path("webhook-endpoints/<str:code>/replays", webhooks.replay.as_view()),
    path("webhook-endpoints/<str:code>/messages", webhooks.WebhookMessages.as_view()),
    path("webhook-endpoints/<str:code>/tries", webhooks.WebhookTries.as_view()),
    path("kit-joinings", kits.KitJoinings.as_view()),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("v1/", include(V1)),
    path("schema", Schema.as_view(), name="schema"),
    path("problems", problems, name="problems"),
    path("", reference, name="reference"),
    re_path(r"^.*", Nowhere.as_view()),
]
