"""Promises and events in words for staff, who see percents."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import in_words
from fulfilment.core.promises import Answer, words
from fulfilment.core.units import said
from fulfilment.models import Strain
from fulfilment.read.mails import CHANCE_IN_WORDS

if TYPE_CHECKING:
    from fulfilment.core.units import Goods

STATUS: Final[Mapping[str, tuple[str, str]]] = {
    "full": ("all promised", "good"),
    "partial": ("part promised", "watch"),
    "declined": ("nothing promised", "bad"),
}
"""Status of a promise → its word and the shape it is shown with."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one line would be promised, ready to be read out on the telephone."""

    product: str
    is_kit: bool
    wanted: int
    amount: int
    word: str
    mark: str
    chance: int
    chance_words: str
    asked: int
    sentence: str
    first_full_on: date | None
    instead: tuple[tuple[str, int], ...]
    """Substitutes used: their name and how much."""


def told(
    product: str, answer: Answer, *, is_kit: bool, wanted: int, asked: int, ordered: Goods, names: Mapping[int, str]
) -> Told:
    """An answer in words; ``names`` are the strains' by id (:func:`strain_names`)."""
    word, mark = STATUS[answer.status]
    if answer.status == "full" and answer.chance < asked:
        mark = "watch"
    return Told(
        product=product,
        is_kit=is_kit,
        wanted=wanted,
        amount=answer.amount,
        word=word,
        mark=mark,
        chance=answer.chance,
        chance_words=CHANCE_IN_WORDS[words(answer.chance)] if answer.amount else "",
        asked=asked,
        sentence=reason(answer.why[0], answer.why[1], is_kit=is_kit),
        first_full_on=answer.first_full_on,
        instead=tuple(
            (goods_name(part.goods.strain_id, part.goods.grade, names), part.amount)
            for part in answer.parts
            if part.goods != ordered
        ),
    )


def strain_names(ids: Collection[int]) -> dict[int, str]:
    """Strain id → name; no statement where none is asked for."""
    return dict(Strain.objects.filter(pk__in=ids).values_list("pk", "name")) if ids else {}


def goods_name(strain_id: int, grade: str, names: Mapping[int, str]) -> str:
    """``Pink oyster b``."""
    return f"{names.get(strain_id, 'another strain')} {grade}"


def reason(code: str, numbers: Mapping[str, object], *, is_kit: bool) -> str:
    """Why a promise is what it is; empty where it simply holds."""

    def amount(name: str) -> str:
        value = numbers.get(name, 0)
        return said(value if isinstance(value, int) else 0, is_kit=is_kit)

    asked = f"{numbers.get('asked_chance', 0)} %"
    match code:
        case "carried":
            return ""
        case "carried_with_substitutes":
            return f"{amount('substituted')} of it in what this kitchen takes instead."
        case "below_chance":
            return f"Promised on purpose below the {asked} asked; at that chance it would be {amount('largest')}."
        case "too_little":
            return (
                f"At {asked} no more than {amount('amount')} can be counted on. All {amount('wanted')} has a chance of "
                f"{numbers.get('full_chance', 0)} %."
            )
        case "under_minimum":
            return f"{amount('largest')} could be promised, but less than {amount('at_least')} is not taken."
        case "under_pack":
            return f"Not one whole pack of {amount('pack')} can be counted on at {asked}."
        case "spoken_for":
            return "What comes in these days is promised already."
        case "nothing_ripe":
            return f"Nothing sure enough is harvested from {_day(numbers, 'first')} to {_day(numbers, 'last')}."
        case "no_harvest_day":
            return "No harvest day is both early enough for this delivery and late enough to keep."
        case "beyond_horizon":
            return (
                f"It would come from {_day(numbers, 'first')} on, and the forecast reaches to "
                f"{_day(numbers, 'known_until')}. Every night asks again."
            )
        case "lowered":
            return "Lowered, because less was ordered or taken."
    return ""


def event_in_words(kind: str, data: Mapping[str, object]) -> str:
    """What happened to an order, as a sentence without who and when; reasons stand behind a colon."""
    line, why = data.get("line", ""), data.get("because")
    because = f": {why}" if isinstance(why, str) and why else ""
    match kind:
        case "order_placed":
            return f"Order taken{because}"
        case "line_changed":
            return (
                f"Line {line} changed from {data.get('before')} to {data.get('after')}, "
                f"{data.get('promised')} promised{because}"
            )
        case "line_dropped":
            return f"Line {line} dropped{because}"
        case "order_cancelled":
            return f"Order cancelled{because}"
        case "promise_raised":
            return f"Line {line}: more could be promised, {data.get('promised')} now"
        case "promise_doubtful":
            chance, asked = data.get("chance"), data.get("asked")
            return f"Line {line}: the promise became doubtful, {chance} % where {asked} % was asked"
        case "doubt_told":
            return f"Line {line}: the kitchen was told that it is doubtful"
        case "doubt_over":
            return f"Line {line}: as sure again as it was promised"
        case "doubt_answered":
            answer = str(data.get("answer") or "answered").replace("_", " ")
            return f"Line {line}: the kitchen, told that it is doubtful, answered: {answer}"
        case "picked":
            return f"Line {line}: {data.get('amount')} picked from lot {data.get('lot')}"
        case "pick_undone":
            return f"Line {line}: a pick of {data.get('amount')} from lot {data.get('lot')} undone"
        case "shortage_told":
            return "The customer was told that less comes than was promised"
        case "shortage_answered":
            answer = str(data.get("answer") or "answered").replace("_", " ")
            return f"Line {line}: the customer answered the shortage: {answer}"
        case "shortage_filled":
            return f"Line {line}: what was short comes after all"
        case "shortage_opened_again":
            return f"Line {line}: it is short again"
    return kind.replace("_", " ").capitalize() + because


def _day(numbers: Mapping[str, object], name: str) -> str:
    """A day of an answer, or of a promise as it is stored."""
    value = numbers.get(name)
    day = date.fromisoformat(value) if isinstance(value, str) else value
    return in_words(day) if isinstance(day, date) else "then"
