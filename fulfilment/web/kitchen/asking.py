"""What a chef types, and where a service's problem with it stands."""

from __future__ import annotations

import re
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.utils.html import format_html

from fulfilment.core.problems import Problem
from fulfilment.core.units import said
from fulfilment.read.ways import NAMES
from fulfilment.web.ground.forms import Day, Grams, PageForm

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from fulfilment.read.kitchens import ProductSeen
    from fulfilment.read.ways import Told, Way

_LINE: Final = re.compile(r"lines\.(\d+)(?:\.|$)")


class Amount(Grams):
    """So much of one product: ``2 kg`` or ``1500`` grams of what is fresh, a number of kits; nothing is none of it."""

    def __init__(self, *, is_kit: bool, **kwargs: Any) -> None:
        self.is_kit = is_kit
        super().__init__(at_least=0, required=False, **kwargs)
        if is_kit:
            self.widget.attrs["inputmode"] = "numeric"

    def to_python(self, value: Any) -> int:
        if not self.is_kit:
            return super().to_python(value) or 0
        text = str(value or "").strip().lower().removesuffix("kits").removesuffix("kit").strip()
        if not text:
            return 0
        if not (text.isascii() and text.isdigit() and len(text) <= 6):
            raise ValidationError(f"{text[:20]!r} is no number of kits: write 3.")
        return int(text)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int):
            return str(value) if self.is_kit else said(value, is_kit=False)
        return value


class AmountsForm(PageForm):
    """An amount for each of some products; each field is called by its product's id."""

    def __init__(self, wanted: Iterable[tuple[str, str, bool, int, int]], *args: Any, **kwargs: Any) -> None:
        """``wanted`` holds product id, name, whether it is a kit, grams of a pack, and the amount as it stands."""
        super().__init__(*args, **kwargs)
        self.products: list[str] = []
        for product, name, is_kit, pack, amount in wanted:
            self.products.append(product)
            packs = "kits" if is_kit else f"in packs of {said(pack, is_kit=False)}"
            self.fields[product] = Amount(is_kit=is_kit, label=name, initial=amount or "", help_text=packs)

    def amounts(self) -> Mapping[str, int]:
        """Product id → grams or kits."""
        return {product: self.cleaned_data[product] for product in self.products}


def product_fields(
    products: Sequence[ProductSeen], amounts: Mapping[str, int]
) -> list[tuple[str, str, bool, int, int]]:
    """All that can be ordered, as :class:`AmountsForm` wants it."""
    return [(each.code, each.name, each.is_kit, each.pack, amounts.get(each.code, 0)) for each in products]


@contextmanager
def at_product(products: Sequence[str]) -> Iterator[None]:
    """A problem with one line of an order stands beside the product that the line names."""
    try:
        yield
    except Problem as problem:
        found = _LINE.match(problem.where)
        if found is not None and int(found[1]) < len(products):
            problem.where = products[int(found[1])]
        elif problem.where == "amount" and len(products) == 1:
            problem.where = products[0]
        raise


class PauseForm(PageForm):
    """No deliveries from a day to a day."""

    places = {"first_on": "first", "last_on": "last", "on": "last"}
    first = Day(label="From")
    last = Day(label="To, that day included")


class ResumeForm(PageForm):
    """A delivery after all, inside a pause."""

    on = Day(label="Deliver after all on")


class AnswerForm(PageForm):
    """One of the ways that were shown; each carries the day, the product and the amount that it showed."""

    places = {"on": "choice", "product": "choice", "amount": "choice"}
    choice = forms.ChoiceField(label="What shall we do?", widget=forms.RadioSelect)

    def __init__(self, told: Told, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["choice"]
        assert isinstance(field, forms.ChoiceField), "it was declared as one"
        says = "<span><strong>{}.</strong> {}</span>"
        field.choices = [(self.value(way), format_html(says, NAMES[way.choice], way.says)) for way in told.ways]
        field.error_messages["invalid_choice"] = "That cannot be had any more: look again and choose."

    @staticmethod
    def value(way: Way) -> str:
        """What the form sends for a way."""
        return f"{way.choice}/{way.on.isoformat()}/{way.product}/{way.amount}"
