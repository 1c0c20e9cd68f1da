"""What the row ``order`` serves: the farm's own web application, on the morning that its farm was made for.

``BENCH_PROMISE=stubbed`` answers every line in full without a book, a lock or a replay, so that what the promise costs
can be told from the rest.  It is done here, to this process, and nowhere in the service.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import time_machine

from farm_orders.wsgi import application
from fulfilment.core.promises import Answer, PartAnswer
from fulfilment.read import farm, terms
from fulfilment.services import promising
from tests import world

if TYPE_CHECKING:
    from fulfilment.core.promises import Question

__all__ = ["application"]


def all_of_it(question: Question, **_: Any) -> Answer:
    ordered = question.choices[0]
    part = PartAnswer(ordered.goods, ordered.first, ordered.last, question.wanted)
    why = ("carried", {"amount": question.wanted, "chance": 99})
    return Answer("full", (part,), question.wanted, 99, question.wanted, None, why, 99)


def unlocked(real: Any) -> Any:
    return lambda books, **_: real(books, lock=False)


def terms_alone(*, strains: Any, kits: bool, kitchens: Any, **_: Any) -> dict[str, Any]:
    return terms.questions(kitchens=kitchens) | farm.keeping_questions(strains=strains, kits=kits)


def nothing(*_: Any, **__: Any) -> dict[Any, Any]:
    return {}


time_machine.travel(world.NOW, tick=True).start()
if os.environ.get("BENCH_PROMISE") == "stubbed":
    named = "fulfilment.services.promising"
    patch.multiple(named, answer=all_of_it, reserve=nothing, _held=unlocked(vars(promising)["_held"])).start()
    patch("fulfilment.services.ordering.taking.questions", terms_alone).start()
    patch("fulfilment.read.supply.books_of", nothing).start()
