"""Growing: where bags come from, mixing and opening them, what is seen on them, what is taken off them."""

from fulfilment.services.growing.batches import (
    lock_with_book,
    mix_batch,
    open_crop,
    recount_bags,
    refuse_held,
    trim_quota,
    want_kits,
)
from fulfilment.services.growing.corrections import correct_harvest
from fulfilment.services.growing.harvests import Weighed, log_harvest
from fulfilment.services.growing.observations import finish, log_observation, log_reading
from fulfilment.services.growing.sources import (
    add_donor,
    add_supplier,
    change_donor,
    change_supplier,
    log_input,
    log_intake,
    log_spawn,
)

__all__ = [
    "Weighed",
    "add_donor",
    "add_supplier",
    "change_donor",
    "change_supplier",
    "correct_harvest",
    "finish",
    "lock_with_book",
    "log_harvest",
    "log_input",
    "log_intake",
    "log_observation",
    "log_reading",
    "log_spawn",
    "mix_batch",
    "open_crop",
    "recount_bags",
    "refuse_held",
    "trim_quota",
    "want_kits",
]
