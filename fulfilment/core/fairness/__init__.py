"""Who gets what when there is too little.

A farm chooses a rule: everybody the same share of what they ordered (*pro rata*), everybody the same amount (*equal
shares*), or everybody the same shortfall (*equal losses*); nobody more than ordered, nobody below what is promised.
With one pool of mushrooms that is arithmetic (:func:`divide`).  With several lots and harvests, where each kitchen can
use only some of them, the rule becomes *leximin*: first the worst-off line is made as well off as the network
allows, then the next, and so on (:func:`leximin`).  The answer is exact, in fractions; packs come later.

Worked example: claims of 100, 200 and 300 g on 200 g.  Pro rata 33⅓, 66⅔, 100.  Equal shares 66⅔ each.  Equal
losses: each would lose 133⅓, the first can lose only its 100, so the others lose 150 each: 0, 50, 150.

Sources: Herrero & Villar, Mathematical Social Sciences 42 (2001) 307-328, for the rules; Keshav, An Engineering
Approach to Computer Networking (1997) 215-217, for max-min shares; Jain, Chiu & Hawe, DEC-TR-301 (1984), for the index.
"""

from fulfilment.core.fairness.claims import divide, jain
from fulfilment.core.fairness.flow import Flow, bits
from fulfilment.core.fairness.leximin import Division, leximin, leximin_proved, unfairness
from fulfilment.core.fairness.rules import Curve, Rule, curve, fixed
from fulfilment.core.fairness.turns import turns

__all__ = [
    "Curve",
    "Division",
    "Flow",
    "Rule",
    "bits",
    "curve",
    "divide",
    "fixed",
    "jain",
    "leximin",
    "leximin_proved",
    "turns",
    "unfairness",
]
