"""Packing: from the plan's allocations to what really left the house.

``lists`` lays the pick lists, ``picks`` records what was taken, ``settling`` says when a shipment is packed, ``doors``
sends it, hands it over and records what came back.
"""

from __future__ import annotations

from fulfilment.services.packing.doors import close_round, collect, deliver, hand_parcel, take_crates
from fulfilment.services.packing.lists import make_pick_lists, order_stops
from fulfilment.services.packing.picks import pick, undo_pick

__all__ = [
    "close_round",
    "collect",
    "deliver",
    "hand_parcel",
    "make_pick_lists",
    "order_stops",
    "pick",
    "take_crates",
    "undo_pick",
]
