"""What the farm's own logs have taught about a strain.

Stage times are lognormal.  Location mu and spread sigma are not known but weighed on a grid over (mu, log sigma):
the profile's belief, worth its weight in crops, times the density of each stage that ended, times the chance of
lasting so long of each that still runs.  Leaving the running ones out would make the strain look fast, since the
slow crops are the ones not over yet.  Without running stages the grid is the textbook's normal-inverse-gamma
posterior, and a new crop's log time a Student t.

Yields are learned the same way: log of (picked / dry grams / share of that flush) is normal with the mean
efficiency and the spread between crops on a grid.  A crop's flushes share its luck, so each counts by its share
and a whole crop counts once. Shares of the flushes are what was picked per dry gram in each, drawn towards the
profile's by ``flush_weight`` crops, so that a third flush nobody has logged yet is no proof that there is none.
What a crop's flushes do not share is learned from crops of which more than one is over.
Losses: a beta belief plus bags lost and bags kept.  How a farm keeps its log is learned too: how many flushes come to
be picked whose pins nobody wrote down, how many ripe mushrooms are left for the next day, how many days a batch that
is grown through waits to be opened.  How a flush comes over its picking days is learned too: the mean
shares by day, which may reach a few days further than the profile's, since some mushrooms are left for tomorrow on
every farm, and how alike crops are in them.

By module: :mod:`posteriors` the grid, :mod:`times`, :mod:`yields`, :mod:`picking` and :mod:`counts` what is learned of
each, :mod:`knowledge` the whole, :mod:`keeping` how it is kept.

Worked example: belief 7 days, cv 0.2, worth 4; four crops pinned after 9, 9, 9 and 9 days: the middle moves to
the geometric middle of 6.9 and 9, 7.9 days, and the spread grows with the disagreement.
"""

from fulfilment.core.growth.learning.keeping import pack, unpack
from fulfilment.core.growth.learning.knowledge import Knowledge, learn
from fulfilment.core.growth.learning.posteriors import Posterior
from fulfilment.core.growth.learning.times import stage_posterior

__all__ = ["Knowledge", "Posterior", "learn", "pack", "stage_posterior", "unpack"]
