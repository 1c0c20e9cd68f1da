"""An order taken by phone, by keyboard alone: letters of the kitchen and Enter, amounts and Enter, Enter.

The kitchen's last order is the start and its promise is already shown.  Enter in the form checks and puts the cursor on
the save button, so nobody saves what was not read out; with scripts the promise also follows what is typed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Problem
from fulfilment.read.orders import taking
from fulfilment.services import ordering
from fulfilment.web.ground.doors import OFFICE, staff, today_of
from fulfilment.web.ground.forms import Day, Reason, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.orders.grid import GridForm, offers

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.orders.taking import Start
    from fulfilment.read.orders.telling import Told
    from fulfilment.read.scope import Actor

WAYS: Final = (("round", "By round"), ("collected", "They collect it"), ("carrier", "By carrier"))


class OrderForm(GridForm):
    """One kitchen's order for one day."""

    kitchen = forms.CharField(max_length=20, widget=forms.HiddenInput)
    on = Day(label="Delivery day")
    reference = forms.CharField(
        label="Their own number", required=False, max_length=60, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    way = forms.ChoiceField(label="Way", choices=WAYS, initial="round", required=False)
    below_chance = forms.BooleanField(
        label="Promise it all, whatever its chance",
        required=False,
        help_text="On purpose, below the chance this kitchen asks for; the promise says so.",
    )
    because = Reason(
        label="Reason, for an order after the cut-off",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, start: Start, *args: Any, usual: Mapping[str, int], **kwargs: Any) -> None:
        first = start.first_day
        initial = {"kitchen": start.code, "on": first.on if first is not None else None}
        super().__init__(start.products, *args, usual=usual, initial=initial, **kwargs)
        self.start = start
        self.fields["on"].widget.attrs["list"] = "open-days"

    @property
    def more_open(self) -> bool:
        """Whether what is seldom needed has to be seen: also where a day is refused, since a reason may open it."""
        return self.is_bound and (
            bool(self["on"].errors)
            or any(self[name].errors or self[name].data for name in ("below_chance", "because", "reference"))
        )

    def told(self, *, now: datetime) -> tuple[Told, ...] | None:
        """The promise as it would be; None with the problem on the form."""
        if not self.is_valid():
            return None
        asked = self.cleaned_data
        try:
            return offers(
                self.asked, kitchen=self.start.code, on=asked["on"], below_chance=asked["below_chance"],
                because=asked["because"], now=now,
            )  # fmt: skip
        except Problem as problem:
            self.refuse(problem)
            return None


@staff(OFFICE)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Whose order it is, then the order itself; a POST checks it or saves it."""
    if request.method == "POST":
        return _posted(request, actor, now=now)
    text = request.GET.get("customer", "").strip()
    if not text:
        return _whose(request, actor)
    found = taking.matching_kitchens(text)
    if len(found) != 1:
        return _whose(request, actor, text=text, found=found)
    start = taking.start_for_kitchen(found[0].code, today=today_of(now), now=now)
    usual = {} if "empty" in request.GET else start.usual
    form = OrderForm(start, usual=usual)
    form.focus()
    # What the first form would be promised, without anything typed.
    begun: tuple[Told, ...] = ()
    says = ""
    if usual and start.first_day is not None:
        lines = [ordering.Asked(each.code, usual[each.code]) for each in start.products if usual.get(each.code)]
        try:
            begun = offers(lines, kitchen=start.code, on=start.first_day.on, now=now)
        except Problem as problem:
            says = problem.sentence
    return _form(request, actor, form, told=begun, says=says)


@require_POST
@staff(OFFICE)
def check(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The promise for what is typed so far, as a piece of the page; nothing is kept."""
    form = _bound(request, now=now)
    told = form.told(now=now)
    wrong = [message for errors in form.errors.values() for message in errors]
    return render(request, "pages/orders/promise.html", {"told": told, "says": wrong[0] if wrong else "", "form": form})


def _posted(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    form = _bound(request, now=now)
    if "save" not in request.POST:
        told = form.told(now=now)
        return _form(request, actor, form, told=told or (), checked=told is not None, status=200 if told else 422)

    def place() -> str:
        asked = form.cleaned_data
        made = ordering.place(
            form.asked, kitchen=form.start.code, on=asked["on"], reference=asked["reference"], way=asked["way"],
            below_chance=asked["below_chance"], because=asked["because"], by=actor.name, now=now,
        )  # fmt: skip
        return reverse("order", args=[made.public_id])

    address = attempt(request, form, place, by=actor.name, now=now)
    if address is None:
        return _form(request, actor, form, status=422)
    messages.success(request, f"The order of {form.start.name} is in: this is what was promised.")
    return HttpResponseRedirect(address, status=303)


def _bound(request: HttpRequest, *, now: datetime) -> OrderForm:
    start = taking.start_for_kitchen(request.POST.get("kitchen", ""), today=today_of(now), now=now)
    return OrderForm(start, request.POST, usual=start.usual)


def _whose(request: HttpRequest, actor: Actor, *, text: str = "", found: tuple[taking.Found, ...] = ()) -> HttpResponse:
    says = ""
    if text and not found:
        says = f"There is no kitchen with “{text[:40]}” in its name."
    return show(
        request, actor, "pages/orders/whose.html", here="orders", status=422 if says else 200, text=text, found=found,
        says=says, kitchens=taking.kitchens(),
    )  # fmt: skip


def _form(
    request: HttpRequest,
    actor: Actor,
    form: OrderForm,
    *,
    told: tuple[Told, ...] = (),
    says: str = "",
    checked: bool = False,
    status: int = 200,
) -> HttpResponse:
    """``checked``: the promise was asked for, so the cursor goes to the save button."""
    return show(
        request, actor, "pages/orders/new.html", here="orders", status=status, form=form, start=form.start, told=told,
        says=says, checked=checked,
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("orders/new/", page, name="order-new"),
    path("orders/new/check/", check, name="order-check"),
]
