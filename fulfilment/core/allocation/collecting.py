"""No garbage collection while a plan is made: it builds hundreds of thousands of small values, none of them a cycle.

The collector would walk all of them over and over, for a quarter of the time.  Afterwards they are put among the old
at once, or the first thing made after a plan would have it walk them all again.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Collection as it was before is back afterwards, also where something failed."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.freeze()
            gc.unfreeze()
            gc.enable()
