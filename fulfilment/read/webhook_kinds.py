"""What other programs can be told of: the one table from an event to a kind, who may ask for it, and what it says.

A message is thin: its kind, when it happened, and the ids of what it is about.  Whoever gets it reads the rest from the
API with a key of its own, so that a message that goes astray tells nothing and is never out of date.

The names are stable: a kind may be added and its data may get another field, but none is renamed or taken away.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fulfilment.read.scope import EVERYBODY

if TYPE_CHECKING:
    from fulfilment.models import Event

OFFICE: Final = frozenset({"office"})
GROWING: Final = OFFICE | {"grower"}
STORE: Final = GROWING | {"packing"}
PACKING: Final = OFFICE | {"packing"}
KITCHENS: Final = OFFICE | {"kitchen"}
ORDERS: Final = PACKING | {"kitchen", "shop"}
KITS: Final = STORE | {"shop"}

PING: Final = "webhook.ping"
"""Sent when somebody asks for it and to nobody else, so it is not asked for as a kind."""


@dataclass(frozen=True, slots=True)
class Kind:
    """``data`` maps a field of the event's own data to the name it has in the message; the rest stays here.

    A kitchen and the shop get what ``read.scope`` calls theirs; what is ``known`` is everybody's.
    """

    name: str
    events: tuple[str, ...]
    scopes: frozenset[str]
    says: str
    subject: str
    data: Mapping[str, str]
    known: bool = False


def _kind(
    name: str, *events: str, to: frozenset[str], says: str, known: bool = False, subject: str = "", **data: str
) -> Kind:
    return Kind(name, events, to, says, subject or name.partition(".")[0], data, known)


_ALL: Final = (
    _kind("order.placed", "order_placed", to=ORDERS, on="on",
          says="An order was placed and its promise made; read it for what each line can count on."),
    _kind("order.changed", "line_changed", "line_dropped", to=ORDERS, line="line",
          says="A line has another amount or was dropped."),
    _kind("order.cancelled", "order_cancelled", to=ORDERS, says="All that was not yet sent of an order is cancelled."),
    _kind("promise.raised", "promise_raised", to=ORDERS, subject="order", line="line",
          says="A line can count on more than it was promised before."),
    _kind("promise.doubtful", "promise_doubtful", to=ORDERS, subject="order", line="line", chance="chance_pct",
          says="What a line was promised has become less sure than was asked; nothing is decided yet."),
    _kind("promise.recovered", "promise_recovered", to=ORDERS, subject="order", line="line", chance="chance_pct",
          says="A promise that had become doubtful is as sure again as was asked."),
    _kind("doubt.told", "doubt_told", to=KITCHENS, subject="order", doubt="doubt", line="line",
          says="A kitchen is told that a line is less sure; it reads its choices under /doubts and answers there."),
    _kind("doubt.answered", "doubt_answered", to=KITCHENS, subject="order", doubt="doubt", line="line",
          answer="answer", says="A doubt was answered."),
    _kind("doubt.over", "doubt_over", to=KITCHENS, subject="order", doubt="doubt", line="line",
          says="A line that a kitchen was told of is as sure again as it was promised."),
    _kind("shortage.offered", "shortage_told", to=ORDERS, subject="order",
          says="Less comes than was promised; a kitchen reads its choices under /shortages and answers there."),
    _kind("shortage.answered", "shortage_answered", to=KITCHENS, subject="order", offer="shortage", line="line",
          answer="answer", says="A shortage was answered."),
    _kind("shortage.filled", "shortage_filled", to=KITCHENS, subject="order", offer="shortage", line="line",
          says="What was missing comes after all."),
    _kind("shortage.reopened", "shortage_opened_again", to=KITCHENS, subject="order", offer="shortage", line="line",
          says="What was to come after all does not: the choices stand again."),
    _kind("standing_order.begun", "standing_order_begun", to=KITCHENS, says="A standing order begins."),
    _kind("standing_order.changed", "standing_order_changed", to=KITCHENS, first_on="first_on", last_on="last_on",
          says="Dates are skipped, paused or have other amounts."),
    _kind("standing_order.ended", "standing_order_ended", to=KITCHENS, last_on="last_on",
          says="A standing order ends."),
    _kind("standing_order.date_left_out", "date_left_out", to=KITCHENS, on="on",
          says="A date of the rule falls on a day without deliveries."),
    _kind("shipment.frozen", "shipment_frozen", to=ORDERS, on="on",
          says="The cut-off has passed: only the farm changes amounts now."),
    _kind("shipment.packed", "shipment_packed", to=ORDERS, on="on", says="All that is due of a shipment is picked."),
    _kind("shipment.sent", "sent", to=ORDERS, says="A shipment has left the farm; read it for what is in it."),
    _kind("shipment.delivered", "delivered", to=ORDERS,
          says="A shipment was handed over; what was refused at the door is in it."),
    _kind("parcel.handed", "parcel_handed", to=ORDERS, subject="shipment",
          says="A parcel was given to its carrier; read the shipment for the tracking number."),
    _kind("kits.sealed", "kits_sealed", to=STORE, subject="lot", batch="batch", bags="units",
          says="Kits were sealed and are in store."),
    _kind("kit.reported", "kit_event", to=KITS, kind="reported", on="on", cycle="flush",
          says="A holder (or the farm for them) said how a kit is doing."),
    _kind("kit.joined", "kit_joined", to=KITS, says="Somebody entered the code of a kit and holds it now."),
    _kind("kit.replaced", "kit_replaced", to=KITS, says="A kit is replaced: its care ends."),
    _kind("batch.mixed", "batch_mixed", to=GROWING, strain="strain", bags="bags", says="Bags were mixed and filled."),
    _kind("crop.opened", "crop_opened", to=GROWING, batch="batch", bags="bags", says="Bags were opened for fruiting."),
    _kind("observation.logged", "observed", to=GROWING, subject="of", kind="seen", on="on",
          says="Something was seen or done on a batch or a crop."),
    _kind("harvest.logged", "harvest_logged", to=STORE, subject="crop", on="on", flush="flush", lots="lots",
          says="A harvest was weighed and is in store."),
    _kind("harvest.corrected", "harvest_corrected", to=STORE, subject="crop", lot="lot",
          says="A harvest that was written down wrong is put right."),
    _kind("hold.placed", "held", to=STORE, kind="of_kind", on="of",
          says="Nothing under this is promised, opened, picked or sent until somebody ends the hold."),
    _kind("hold.released", "released", to=STORE, kind="of_kind", says="A hold was ended: it was all right."),
    _kind("hold.destroyed", "destroyed", to=STORE, kind="of_kind", says="What was held is destroyed."),
    _kind("line.picked", "picked", "pick_undone", to=PACKING, subject="order", line="line", lot="lot", pick="pick",
          says="Something was taken from store for a line, or put back."),
    _kind("round.closed", "round_closed", to=PACKING, sent="shipments", says="A round is on its way."),
    _kind("plan.made", "planned", to=STORE, says="There is another plan: lines may come from other lots."),
    _kind("night.done", "night_done", to=OFFICE, subject="on", says="The night’s work is done."),
    _kind("product.added", "product_added", to=EVERYBODY, known=True, strain="strain",
          says="There is another product."),
    _kind("product.changed", "product_changed", to=EVERYBODY, known=True,
          says="A product has another price, or is sold no more or again."),
    _kind("delivery_day.closed", "day_closed", to=EVERYBODY, known=True, subject="on",
          says="A day has no deliveries."),
    _kind("delivery_day.opened", "day_opened", to=EVERYBODY, known=True, subject="on",
          says="A day that was closed has deliveries again."),
    _kind(PING, "webhook_pinged", to=frozenset(), subject="endpoint",
          says="Somebody asked whether messages arrive; comes to that endpoint alone, whatever its kinds."),
)  # fmt: skip

KINDS: Final[Mapping[str, Kind]] = {kind.name: kind for kind in _ALL}
OF_EVENT: Final[Mapping[str, Kind]] = {event: kind for kind in _ALL for event in kind.events}


def offered(scope: str) -> list[str]:
    """The kinds that an endpoint of this scope may ask for."""
    return [kind.name for kind in _ALL if scope in kind.scopes]


def body(event: Event) -> dict[str, object]:
    """The message of an event, the same whenever it is made; its kind must be one of these."""
    kind = OF_EVENT[event.kind]
    data: dict[str, object] = {kind.subject: event.subject}
    for field, name in kind.data.items():
        if field in event.data:
            value = event.data[field]
            data[name] = sorted(value) if isinstance(value, dict) else value
    return {"type": kind.name, "timestamp": event.at.isoformat().replace("+00:00", "Z"), "data": data}
