"""Telling other programs: the endpoints people set up, and the queue of what is posted to them."""

from fulfilment.services.webhooks.endpoints import add, change, ping, replay, rotate
from fulfilment.services.webhooks.queue import KEPT, claim, forget, settle

__all__ = [
    "KEPT",
    "add",
    "change",
    "claim",
    "forget",
    "ping",
    "replay",
    "rotate",
    "settle",
]
