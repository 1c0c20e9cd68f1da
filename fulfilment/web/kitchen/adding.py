"""An order more: amounts and a day, what we could promise, and only then the button that sends it.

The question is a GET and keeps nothing; what was asked stays in the address, so that it can be asked otherwise.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.core.problems import Problem
from fulfilment.core.promises import words
from fulfilment.read import kitchen_page, kitchens, links
from fulfilment.read.mails import CHANCE_IN_WORDS
from fulfilment.services import ordering
from fulfilment.services.ordering import Asked
from fulfilment.web.ground.doors import anybody, today_of
from fulfilment.web.ground.forms import Day, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.ground.words import amount as amount_in_words
from fulfilment.web.ground.words import long_day
from fulfilment.web.kitchen.asking import AmountsForm, at_product, product_fields

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern


@dataclass(frozen=True, slots=True)
class Told:
    """What one product would be promised, in a chef's words."""

    name: str
    wanted: str
    chance: str
    says: str


class OrderForm(AmountsForm):
    """A day, an amount of each product, the kitchen's own number."""

    on = Day(label="For which day")
    reference = forms.CharField(label="Your own order number", max_length=60, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["on", *self.products, "reference"])

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors and not any(cleaned[product] for product in self.products):
            raise forms.ValidationError("Write an amount beside at least one product.")
        return cleaned

    def lines(self) -> list[Asked]:
        return [Asked(product, amount) for product, amount in self.amounts().items() if amount]


@anybody
def page(request: HttpRequest, token: str, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    products = kitchens.products()
    fields = product_fields(products, _usual(whose, request.GET.get("usual", ""), now=now))
    if request.method == "POST":
        form = OrderForm(fields, request.POST)
        by = f"kitchen:{whose.public_id}"

        def act() -> str:
            lines = form.lines()
            with at_product([line.product for line in lines]):
                placed = ordering.place(
                    lines, kitchen=whose.public_id, on=form.cleaned_data["on"],
                    reference=form.cleaned_data["reference"], by=by, now=now,
                )  # fmt: skip
            return reverse("kitchen-day", args=[token, placed.on])

        address = attempt(request, form, act, by=by, now=now)
        if address is None:
            return _shown(request, token, whose, form, (), now=now, status=422)
        messages.success(request, f"Your order for {long_day(form.cleaned_data['on'])} is in.")
        return HttpResponseRedirect(address, status=303)
    if "ask" not in request.GET:
        first = {"on": request.GET.get("on") or kitchen_page.first_open(whose, now=now)}
        return _shown(request, token, whose, OrderForm(fields, initial=first), (), now=now)
    asked = request.GET.copy()
    asked["once"] = secrets.token_urlsafe(12)
    form = OrderForm(fields, asked)
    told = _ask(form, whose.public_id, now=now) if form.is_valid() else ()
    return _shown(request, token, whose, form, told, now=now, status=422 if form.errors else 200)


def _shown(
    request: HttpRequest, token: str, whose: Any, form: OrderForm, told: Sequence[Told], *, now: datetime,
    status: int = 200,
) -> HttpResponse:  # fmt: skip
    on: date | None = form.cleaned_data.get("on") if form.is_bound else None
    return show(
        request, None, "pages/kitchen/add.html", status=status, kitchen=whose.name, token=token, form=form, told=told,
        on=on, asked=[(name, form.data.get(name, "")) for name in ("once", "on", *form.products, "reference")],
        fields=[form[product] for product in form.products],
        contact=kitchens.contact(),
    )  # fmt: skip


def _ask(form: OrderForm, kitchen: str, *, now: datetime) -> tuple[Told, ...]:
    lines = form.lines()
    try:
        with at_product([line.product for line in lines]):
            offers = ordering.check(lines, kitchen=kitchen, on=form.cleaned_data["on"], now=now)
    except Problem as problem:
        form.refuse(problem)
        return ()
    return tuple(_told(offer) for offer in offers)


def _told(offer: ordering.Offer) -> Told:
    is_kit, answer = offer.product.is_kit, offer.answer
    wanted = amount_in_words(offer.wanted, is_kit)
    full = answer.first_full_on
    later = (
        f" The first day for all of it is {long_day(full)}."
        if full is not None and answer.amount < offer.wanted
        else ""
    )
    if not answer.amount:
        says = f"We could promise none of it for that day. If you send it, we ask again every night.{later}"
    elif answer.amount < offer.wanted:
        says = f"We could promise {amount_in_words(answer.amount, is_kit)} of it.{later}"
    else:
        says = "All of it."
    chance = CHANCE_IN_WORDS[words(answer.chance)] if answer.amount else "do not plan on it"
    return Told(offer.product.name, wanted, chance, says)


def _usual(whose: Any, code: str, *, now: datetime) -> dict[str, int]:
    """The amounts of a standing order as a start, where one is named."""
    if not code:
        return {}
    return {line.product: line.amount for line in kitchen_page.usual(whose, code, today=today_of(now)).lines}


PAGES: list[URLPattern] = [path("k/<str:token>/order/", page, name="kitchen-add")]
