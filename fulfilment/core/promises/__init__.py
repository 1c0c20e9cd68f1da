"""How much of a line can be promised, from which harvest days, and how surely.

What it decides.  A farm promises mushrooms that do not exist yet.  This room answers one question: if a kitchen
asks for so much of a strain on a day, how much can it be told to count on?  Grams for fresh goods, pieces for
kits (which are the same thing with a single, practically sure supply); chances are whole percents.

What there is.  A forecast is not a number but a set of *scenarios*, each one complete story of the coming weeks:
``supply[scenario, harvest day]``.  A delivery accepts a *window* of harvest days, old enough to be picked by then
and young enough to keep.  Harvest days ordered by age are also ordered by expiry, so windows are intervals.

When everything fits.  A set of promises can be served in a scenario if and only if, for every run of harvest days
i..j, what is asked by windows lying inside the run is at most what is harvested in it.  Nothing else has to be
checked: this is Hall's condition, for intervals.

The book (:mod:`.book`).  In each scenario the promises are served in *rank* order, first promised, first served.
Each receives the smaller of what it was promised and its smallest slack, where

    slack[i, j] = supply(i..j) - what parts with a window inside i..j have received,

taken over all runs i..j that contain the window.  What counts against the next one is what a part *received*,
never what it was promised: one impossible promise must not close the shop.

The chance of a promise is the share of scenarios in which it receives all of it.  The most that can be promised at
chance q is the (1-q)-quantile over scenarios of that smallest slack: a quantile of a sum.  A sum of quantiles, day
by day, would sell a fraction of it at the same chance.

Worked example.  Two scenarios, three harvest days, supply 4 0 6 and 4 5 0.  Nothing promised yet, a window of days
0..1 holds 4 and 9: 4 is sure, 9 has a chance of 50 %.  Promise 4 for days 0..0.  A second line for days 0..1 now
finds slack 0 and 5: its smallest slack is over the runs 0..1 (0 and 5) and 0..2 (6 and 5), so 0 and 5.  Five can
be promised at 50 %, nothing at more.

Several goods (:mod:`.split`, :mod:`.answers`).  Where a kitchen accepts substitutes, the parts are fixed when they
are promised, and the chance is that *every* part is carried.  So the split is chosen for the largest total at
that joint chance; the quantile of the pooled sum must not be booked (in the normal example of the tests it would
be kept 67 times in 100 instead of 90).

What a customer is told (:func:`words`) is a word, not a percent, and a reason made of the customer's own numbers:
nothing here says who else ordered or how much.

Sources.  The condition: P. Hall, "On representatives of subsets", J. London Math. Soc. 10 (1935) 26-30 (from
memory).  Serving in rank order and the quantile of the sum are worked out here and checked by brute force.
"""

from __future__ import annotations

from fulfilment.core.promises.answers import (
    Answer,
    Choice,
    PartAnswer,
    Question,
    Status,
    Words,
    answer,
    words,
)
from fulfilment.core.promises.asking import Waiting, ask_again, reserve
from fulfilment.core.promises.book import Book, Part, percent
from fulfilment.core.promises.keeping import kept_pct, still_sure
from fulfilment.core.promises.supply import LotOnHand, Supply, stack, window

__all__ = [
    "Answer",
    "Book",
    "Choice",
    "LotOnHand",
    "Part",
    "PartAnswer",
    "Question",
    "Status",
    "Supply",
    "Waiting",
    "Words",
    "answer",
    "ask_again",
    "kept_pct",
    "percent",
    "reserve",
    "stack",
    "still_sure",
    "window",
    "words",
]
