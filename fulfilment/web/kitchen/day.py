"""One delivery day: other amounts, none of it, back to the usual; until the cut-off, which the page says."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, register_converter, reverse
from django.urls.converters import StringConverter
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Problem
from fulfilment.read import kitchen_page, kitchens, links
from fulfilment.services import ordering, standing
from fulfilment.web.ground.doors import anybody, today_of
from fulfilment.web.ground.forms import PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.ground.words import long_day
from fulfilment.web.kitchen.asking import AmountsForm

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.kitchen_page import DaySeen, OrderSeen


class DayConverter(StringConverter):
    """A day in an address: ``2026-05-04``, of a year that a farm can have to do with."""

    regex = r"2[01]\d{2}-\d{2}-\d{2}"

    def to_python(self, value: str) -> Any:
        return date.fromisoformat(value)

    def to_url(self, value: Any) -> str:
        return value.isoformat() if isinstance(value, date) else str(value)


register_converter(DayConverter, "delivery_day")


class UsualDayForm(PageForm):
    """A date of a standing order: skipped, or back to the usual."""

    do = forms.ChoiceField(choices=[("skip", "skip"), ("as_usual", "as usual")], widget=forms.HiddenInput)


@anybody
def page(request: HttpRequest, token: str, on: date, *, now: datetime) -> HttpResponse:
    whose = links.kitchen(token, now=now)
    return _shown(request, token, whose, on, now=now)


def _shown(
    request: HttpRequest, token: str, whose: Any, on: date, *, now: datetime, refused: PageForm | None = None,
    about: str = "",
) -> HttpResponse:  # fmt: skip
    day = kitchen_page.day(whose, on, now=now)
    orders = [
        (
            order,
            refused if about == order.code and isinstance(refused, AmountsForm) else _amounts_form(order),
            refused if about == order.code and not isinstance(refused, AmountsForm) else PageForm(),
        )
        for order in day.orders
    ]
    left_out = [(each, refused if about == each.standing else PageForm()) for each in day.left_out]
    return show(
        request, None, "pages/kitchen/day.html", status=422 if refused is not None else 200,
        kitchen=whose.name, token=token, day=day, orders=orders, left_out=left_out,
        contact=kitchens.contact(),
    )  # fmt: skip


def _amounts_form(order: OrderSeen, data: Any = None) -> AmountsForm:
    wanted = [(line.product, line.name, line.is_kit, line.pack, line.ordered) for line in order.lines]
    return AmountsForm(wanted, data)


@require_POST
@anybody
def change(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    """Other amounts for an order; nothing left of it cancels it (a standing order's date is skipped)."""
    whose = links.kitchen(token, now=now)
    day, order = _order(whose, code, now=now)
    if order is None:
        return _gone(request, token, day)
    form, by = _amounts_form(order, request.POST), f"kitchen:{whose.public_id}"

    def act() -> str:
        amounts = form.amounts()
        if not any(amounts.values()):
            _cancel(order, day.on, by=by, now=now)
        elif order.standing:
            # What was taken off before stays off: left out, it would count as usual.
            usual = kitchen_page.usual(whose, order.standing, today=day.on).lines
            asked = {line.product: amounts.get(line.product, 0) for line in usual}
            standing.change(order.standing, on=day.on, amounts=asked, by=by, now=now)
        else:
            _change_lines(order, amounts, by=by, now=now)
        return _address(token, day.on)

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return _shown(request, token, whose, day.on, now=now, refused=form, about=order.code)
    messages.success(request, "Saved. Below is what you can count on now.")
    return HttpResponseRedirect(address, status=303)


def _change_lines(order: OrderSeen, amounts: Mapping[str, int], *, by: str, now: datetime) -> None:
    for line in order.lines:
        to = amounts[line.product]
        try:
            if to == 0:
                ordering.drop_line(order.code, number=line.number, by=by, now=now)
            elif to != line.ordered:
                ordering.change_line(order.code, number=line.number, to=to, by=by, now=now)
        except Problem as problem:
            problem.where = line.product
            raise


@require_POST
@anybody
def cancel(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    """None of an order; a standing order's date is skipped, its other dates stay."""
    whose = links.kitchen(token, now=now)
    day, order = _order(whose, code, now=now)
    if order is None:
        return _gone(request, token, day)
    form, by = PageForm(request.POST), f"kitchen:{whose.public_id}"

    def act() -> str:
        _cancel(order, day.on, by=by, now=now)
        return _address(token, day.on)

    said = f"{long_day(day.on)} is skipped." if order.standing else f"Order {order.code} is cancelled."
    return _done(request, token, whose, day.on, form, act, about=order.code, by=by, said=said, now=now)


@require_POST
@anybody
def of_usual(request: HttpRequest, token: str, on: date, code: str, *, now: datetime) -> HttpResponse:
    """A date of a standing order is skipped, or comes as usual after all."""
    whose = links.kitchen(token, now=now)
    usual = kitchen_page.usual(whose, code, today=today_of(now))
    form, by = UsualDayForm(request.POST), f"kitchen:{whose.public_id}"

    def act() -> str:
        do: Callable[..., object] = standing.skip if form.cleaned_data["do"] == "skip" else standing.as_usual
        do(usual.code, on=on, by=by, now=now)
        return _address(token, on)

    said = f"{long_day(on)} is skipped." if request.POST.get("do") == "skip" else "Back to your usual."
    order = kitchen_page.day(whose, on, now=now).order(usual.code)
    about = order.code if order is not None else usual.code
    return _done(request, token, whose, on, form, act, about=about, by=by, said=said, now=now)


def _order(whose: Any, code: str, *, now: datetime) -> tuple[DaySeen, OrderSeen | None]:
    """The day of the kitchen's order, and the order where it still stands."""
    on = kitchen_page.order_day(whose, code)
    day = kitchen_page.day(whose, on, now=now)
    return day, kitchen_page.order_of(day, code)


def _gone(request: HttpRequest, token: str, day: DaySeen) -> HttpResponse:
    """Pressed twice, or cancelled meanwhile."""
    messages.info(request, "This order is cancelled.")
    return HttpResponseRedirect(_address(token, day.on), status=303)


def _cancel(order: OrderSeen, on: date, *, by: str, now: datetime) -> None:
    if order.standing:
        standing.skip(order.standing, on=on, by=by, now=now)
    else:
        ordering.cancel(order.code, by=by, now=now)


def _done(
    request: HttpRequest, token: str, whose: Any, on: date, form: PageForm, act: Callable[[], str], *, about: str,
    by: str, said: str, now: datetime,
) -> HttpResponse:  # fmt: skip
    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return _shown(request, token, whose, on, now=now, refused=form, about=about)
    messages.success(request, said)
    return HttpResponseRedirect(address, status=303)


def _address(token: str, on: date) -> str:
    return reverse("kitchen-day", args=[token, on])


PAGES: list[URLPattern] = [
    path("k/<str:token>/orders/<str:code>/amounts/", change, name="kitchen-change"),
    path("k/<str:token>/orders/<str:code>/cancellation/", cancel, name="kitchen-cancel"),
    path("k/<str:token>/<delivery_day:on>/usual/<str:code>/", of_usual, name="kitchen-usual-day"),
    path("k/<str:token>/<delivery_day:on>/", page, name="kitchen-day"),
]
