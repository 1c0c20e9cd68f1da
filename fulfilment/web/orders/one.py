"""One order: what was asked, said, planned and done; a line changed or dropped, the order cancelled."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.read.orders.one import order_page
from fulfilment.services import ordering
from fulfilment.web.ground.doors import OFFICE, PACKING, staff
from fulfilment.web.ground.forms import PageForm, Reason, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.orders.grid import Amount

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.orders.one import LinePage, OrderPage
    from fulfilment.read.scope import Actor


class LeaveForm(PageForm):
    """What takes something back: after the cut-off it needs a reason (whoever reads the event sees it)."""

    because = Reason(label="Reason", required=False, widget=forms.TextInput(attrs={"autocomplete": "off"}))

    def __init__(self, *args: Any, past_cut_off: bool, what: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if past_cut_off:
            self.fields["because"].required = True
            self.fields["because"].error_messages["required"] = f"Say why: {what} needs a reason."
            self.fields["because"].help_text = "The cut-off is past: what is planned changes."


class AmountForm(LeaveForm):
    """Another amount for one line."""

    below_chance = forms.BooleanField(label="Promise it all, whatever its chance", required=False)

    def __init__(self, *args: Any, line: LinePage, past_cut_off: bool, **kwargs: Any) -> None:
        super().__init__(*args, past_cut_off=past_cut_off, what="a change after the cut-off", **kwargs)
        seen = line.seen
        self.fields["amount"] = Amount(
            pack=line.pack, is_kit=seen.is_kit, label="Kits" if seen.is_kit else f"Grams, in packs of {line.pack} g",
            initial=seen.ordered,
        )  # fmt: skip
        self.fields["amount"].required = True
        self.order_fields(["amount", "below_chance", "because"])


def _forms(
    order: OrderPage, shown: Mapping[str, PageForm]
) -> tuple[list[tuple[LinePage, AmountForm | PageForm, PageForm]], PageForm]:
    """Each line with its two forms, and the form that cancels; ``shown`` are those that were filled in."""
    late = order.seen.past_cut_off
    lines = [
        (
            line,
            shown.get(f"amount-{line.seen.number}")
            or AmountForm(line=line, past_cut_off=late, auto_id=f"id-{line.seen.number}-%s"),
            shown.get(f"drop-{line.seen.number}")
            or LeaveForm(
                past_cut_off=late, what="a change after the cut-off", auto_id=f"id-drop-{line.seen.number}-%s"
            ),
        )
        for line in order.lines
    ]
    cancel = shown.get("cancel") or LeaveForm(
        past_cut_off=late, what="cancelling after the cut-off", auto_id="id-cancel-%s"
    )
    return lines, cancel


def _show(
    request: HttpRequest, actor: Actor, order: OrderPage, *, status: int = 200, **shown: PageForm
) -> HttpResponse:
    found = {name.replace("_", "-"): form for name, form in shown.items()}
    lines, cancel = _forms(order, found)
    return show(
        request, actor, "pages/orders/order.html", here="orders", status=status, order=order, lines=lines,
        cancel=cancel, may_change=actor.may(OFFICE) and order.can_change,
    )  # fmt: skip


@staff(PACKING)
def page(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The order as it stands."""
    return _show(request, actor, order_page(code, now=now))


@require_POST
@staff(OFFICE)
def change(request: HttpRequest, actor: Actor, *, now: datetime, code: str, number: int) -> HttpResponse:
    """Another amount: less keeps its place, more is asked behind everybody else."""
    order = order_page(code, now=now)
    line = order.line(number)
    form = AmountForm(
        request.POST, line=line, past_cut_off=order.seen.past_cut_off, auto_id=f"id-{number}-%s"
    )  # fmt: skip

    def action() -> str:
        asked = form.cleaned_data
        ordering.change_line(
            order.seen.code, number=number, to=asked["amount"], because=asked["because"],
            below_chance=asked["below_chance"], by=actor.name, now=now,
        )  # fmt: skip
        return reverse("order", args=[order.seen.code])

    return _done(
        request, actor, order, form, action, name=f"amount_{number}", said=f"{line.seen.product} is changed.", now=now
    )


@require_POST
@staff(OFFICE)
def drop(request: HttpRequest, actor: Actor, *, now: datetime, code: str, number: int) -> HttpResponse:
    """One line less; the last one takes its order with it."""
    order = order_page(code, now=now)
    line = order.line(number)
    form = LeaveForm(
        request.POST, past_cut_off=order.seen.past_cut_off, what="a change after the cut-off",
        auto_id=f"id-drop-{number}-%s",
    )  # fmt: skip

    def action() -> str:
        ordering.drop_line(order.seen.code, number=number, because=form.cleaned_data["because"], by=actor.name, now=now)
        return reverse("order", args=[order.seen.code])

    return _done(
        request, actor, order, form, action, name=f"drop_{number}", said=f"{line.seen.product} is dropped.", now=now
    )


@require_POST
@staff(OFFICE)
def cancel(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """All of it; what was promised is free at once."""
    order = order_page(code, now=now)
    form = LeaveForm(
        request.POST, past_cut_off=order.seen.past_cut_off, what="cancelling after the cut-off",
        auto_id="id-cancel-%s",
    )  # fmt: skip

    def action() -> str:
        ordering.cancel(order.seen.code, because=form.cleaned_data["because"], by=actor.name, now=now)
        return reverse("order", args=[order.seen.code])

    return _done(request, actor, order, form, action, name="cancel", said="The order is cancelled.", now=now)


def _done(
    request: HttpRequest,
    actor: Actor,
    order: OrderPage,
    form: PageForm,
    action: Callable[[], str],
    *,
    name: str,
    said: str,
    now: datetime,
) -> HttpResponse:
    address = attempt(request, form, action, by=actor.name, now=now)
    if address is None:
        return _show(request, actor, order_page(order.seen.code, now=now), status=422, **{name: form})
    messages.success(request, said)
    return HttpResponseRedirect(address, status=303)


PAGES: list[URLPattern] = [
    path("orders/<str:code>/", page, name="order"),
    path("orders/<str:code>/lines/<int:number>/amount/", change, name="order-line-amount"),
    path("orders/<str:code>/lines/<int:number>/drop/", drop, name="order-line-drop"),
    path("orders/<str:code>/cancel/", cancel, name="order-cancel"),
]
