"""The grid of amounts that every form of an order has, and the promise shown before it is saved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError

from fulfilment.core.problems import Problem
from fulfilment.core.units import Goods
from fulfilment.read.orders.telling import strain_names, told
from fulfilment.services import ordering
from fulfilment.services.ordering import Asked
from fulfilment.web.ground.forms import PageForm

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from fulfilment.read.orders.taking import ProductSeen
    from fulfilment.read.orders.telling import Told

BEFORE = "amount-"


class Amount(forms.Field):
    """Whole grams, or whole kits; whether it can be ordered is the service's to say.  Nothing and 0 are none."""

    def __init__(self, *, pack: int, is_kit: bool, **kwargs: Any) -> None:
        self.unit = "pieces" if is_kit else "grams"
        attrs = {"step": str(pack), "min": "0", "inputmode": "numeric", "autocomplete": "off"}
        super().__init__(required=False, widget=forms.NumberInput(attrs=attrs), **kwargs)

    def to_python(self, value: Any) -> int:
        text = "" if value is None else str(value).strip()
        if not text:
            return 0
        if not (text.removeprefix("-").isdecimal() and text.isascii()) or len(text) > 15:
            raise ValidationError(f"This must be a whole number of {self.unit}.")
        return int(text)


class GridForm(PageForm):
    """A form with one amount for each product; subclasses add who, when and why."""

    def __init__(
        self,
        products: Sequence[ProductSeen],
        *args: Any,
        usual: Mapping[str, int] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.products = tuple(products)
        self.usual = dict(usual or {})
        for each in self.products:
            self.fields[BEFORE + each.code] = Amount(
                pack=each.pack, is_kit=each.is_kit, label=each.name, initial=self.usual.get(each.code) or None
            )

    def focus(self, name: str = "") -> None:
        """The cursor begins in this field, or in the first amount."""
        first = name or next((BEFORE + each.code for each in self.products), "")
        if first in self.fields:
            self.fields[first].widget.attrs["autofocus"] = True

    @property
    def rows(self) -> list[tuple[ProductSeen, forms.BoundField, int]]:
        """Each product with its field and what was ordered of it last."""
        return [(each, self[BEFORE + each.code], self.usual.get(each.code, 0)) for each in self.products]

    @property
    def amounts(self) -> dict[str, int]:
        """Product id → amount, of a valid form."""
        return {each.code: self.cleaned_data[BEFORE + each.code] for each in self.products}

    @property
    def asked(self) -> list[Asked]:
        """The lines, of a valid form: what is left empty or 0 is no line."""
        return [Asked(code, amount) for code, amount in self.amounts.items() if amount]

    def refuse(self, problem: Problem) -> None:
        """A line's problem stands beside its own amount."""
        head, _, rest = problem.where.partition(".")
        place = rest.partition(".")[0]
        if head == "lines" and place.isdecimal() and int(place) < len(self.asked):
            self.add_error(BEFORE + self.asked[int(place)].product, problem.sentence)
            return
        if head == "lines":
            self.add_error(None, problem.sentence)
            return
        super().refuse(problem)


def offers(
    lines: Sequence[Asked],
    *,
    kitchen: str = "",
    buyer: str = "",
    on: date,
    below_chance: bool = False,
    because: str = "",
    now: datetime,
) -> tuple[Told, ...]:
    """What each line would be promised, in words; nothing is kept.  Raises what keeps the order from being placed."""
    found = ordering.check(
        lines, kitchen=kitchen, buyer=buyer, on=on, below_chance=below_chance, because=because, now=now
    )
    names = strain_names(
        {part.goods.strain_id for offer in found for part in offer.answer.parts if not part.goods.is_kit}
    )
    return tuple(
        told(
            offer.product.name,
            offer.answer,
            is_kit=offer.product.is_kit,
            wanted=offer.wanted,
            asked=offer.asked_pct,
            ordered=Goods(offer.product.strain_id, offer.product.grade),
            names=names,
        )
        for offer in found
    )
