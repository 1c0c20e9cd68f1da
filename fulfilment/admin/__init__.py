"""The records at /admin/: what the farm is set up with, changed through the services, and all that was written."""

from fulfilment.admin import (
    care,
    customers,
    farm,
    growing,
    kits,
    messages,
    orders,
    packing,
    people,
    plans,
    purchases,
    shipments,
    standing,
    store,
    strains,
    webhooks,
)

__all__ = [
    "care",
    "customers",
    "farm",
    "growing",
    "kits",
    "messages",
    "orders",
    "packing",
    "people",
    "plans",
    "purchases",
    "shipments",
    "standing",
    "store",
    "strains",
    "webhooks",
]
