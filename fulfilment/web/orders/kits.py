"""A buyer's kits: for somebody the farm knows, or for somebody new, taken down with the order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Problem
from fulfilment.read.orders import taking
from fulfilment.services import customers, ordering
from fulfilment.web.ground.doors import OFFICE, staff
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

NEW: Final = "new"
EMPTY: Final = "This must not be empty."
PERSON: Final = ("name", "email", "phone", "street", "postcode", "town", "country", "zone")


def _line(label: str, at_most: int, *, needs: str = "", **kwargs: Any) -> forms.CharField:
    """A line of text; ``needs`` is what is said where it is left empty, nothing where it may be."""
    widget = forms.TextInput(attrs={"autocomplete": "off"})
    says = {"required": needs}
    return forms.CharField(
        label=label, max_length=at_most, required=bool(needs), widget=widget, error_messages=says, **kwargs
    )


class KitOrderForm(GridForm):
    """Kits for one buyer; without a code the buyer is new and their name and address come with it."""

    places: ClassVar[Mapping[str, str]] = {"address.country": "country"}

    buyer = forms.CharField(max_length=20, required=False, widget=forms.HiddenInput)
    name = _line("Name", 120, needs=EMPTY)
    email = _line("Mail address", 254, needs=EMPTY, help_text="The care mails go there.")
    phone = _line("Telephone", 40)
    street = _line("Street and number", 160, needs="An address needs a street.")
    postcode = _line("Postcode", 16)
    town = _line("Town", 80, needs="An address needs a town.")
    country = _line("Country, two letters", 2)
    zone = _line("Time zone", 60, needs=EMPTY, help_text="Care mails come by its clock, such as Europe/Berlin.")
    on = Day(label="Day it is sent")
    way = forms.ChoiceField(
        label="Way", choices=[("carrier", "By carrier"), ("collected", "They collect it")], initial="carrier"
    )
    gift = forms.BooleanField(label="It is a gift: no price in the parcel", required=False)
    greeting = forms.CharField(
        label="Greeting for the parcel", required=False, max_length=300, widget=forms.Textarea(attrs={"rows": 2})
    )
    reference = _line("Their own number", 60)
    because = Reason(
        label="Reason, for an order after the cut-off",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, start: Start, *args: Any, **kwargs: Any) -> None:
        first = start.first_day
        initial = {
            "buyer": start.code, "on": first.on if first is not None else None, "zone": start.zone,
            "country": start.country,
        }  # fmt: skip
        super().__init__(start.products, *args, initial=initial, **kwargs)
        self.start = start
        self.fields["on"].widget.attrs["list"] = "open-days"
        if start.code:
            for name in PERSON:
                del self.fields[name]

    @property
    def person(self) -> list[forms.BoundField]:
        """The fields of a new buyer."""
        return [self[name] for name in PERSON if name in self.fields]

    @property
    def rest(self) -> list[forms.BoundField]:
        return [self[name] for name in ("on", "way", "gift", "greeting", "reference", "because")]

    def told(self, *, now: datetime, draft: bool = False) -> tuple[Told, ...] | None:
        """The promise as it would be; a ``draft`` may still lack its buyer's name and address."""
        self.is_valid()
        if any(name not in PERSON for name in self.errors) or (self.errors and not draft):
            return None
        try:
            return offers(
                self.asked, buyer=self.start.code, on=self.cleaned_data["on"], because=self.cleaned_data["because"],
                now=now,
            )  # fmt: skip
        except Problem as problem:
            self.refuse(problem)
            return None


@staff(OFFICE)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Whose kits they are, then the order; a POST checks it or saves it."""
    if request.method == "POST":
        return _posted(request, actor, now=now)
    text = request.GET.get("buyer", "").strip()
    if text == NEW:
        return _begin(request, actor, "", now=now)
    found = taking.matching_buyers(text)
    if len(found) == 1:
        return _begin(request, actor, found[0].code, now=now)
    says = f"There is no buyer with “{text[:40]}” in their name or mail address." if text and not found else ""
    return show(
        request, actor, "pages/orders/whose_kits.html", here="orders", status=422 if says else 200, text=text,
        found=found, says=says,
    )  # fmt: skip


@require_POST
@staff(OFFICE)
def check(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The promise for what is typed so far, as a piece of the page; nothing is kept."""
    form = _bound(request, now=now)
    told = form.told(now=now, draft=True)
    wrong = [message for name, errors in form.errors.items() if name not in PERSON for message in errors]
    return render(request, "pages/orders/promise.html", {"told": told, "says": wrong[0] if wrong else "", "form": form})


def _posted(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    form = _bound(request, now=now)
    if "save" not in request.POST:
        told = form.told(now=now)
        return _form(request, actor, form, told=told or (), checked=told is not None, status=200 if told else 422)

    def place() -> str:
        asked = form.cleaned_data
        made = ordering.place(
            form.asked, buyer=form.start.code or _added(form, actor, now=now), on=asked["on"], way=asked["way"],
            reference=asked["reference"], gift=asked["gift"], greeting=asked["greeting"], because=asked["because"],
            by=actor.name, now=now,
        )  # fmt: skip
        return reverse("order", args=[made.public_id])

    address = attempt(request, form, place, by=actor.name, now=now)
    if address is None:
        return _form(request, actor, form, status=422)
    messages.success(request, "The kit order is in: this is what was promised.")
    return HttpResponseRedirect(address, status=303)


def _begin(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    form = KitOrderForm(taking.start_for_buyer(code, now=now))
    form.focus("" if code else "name")
    return _form(request, actor, form)


def _added(form: KitOrderForm, actor: Actor, *, now: datetime) -> str:
    """The new buyer; kept only together with the order."""
    given = form.cleaned_data
    place: customers.Place = {
        "street": given["street"], "postcode": given["postcode"], "town": given["town"],
        "country": given["country"] or "XX",
    }  # fmt: skip
    return customers.add_buyer(
        given["name"], email=given["email"], phone=given["phone"], zone=given["zone"], address=place, by=actor.name,
        now=now,
    ).public_id  # fmt: skip


def _bound(request: HttpRequest, *, now: datetime) -> KitOrderForm:
    return KitOrderForm(taking.start_for_buyer(request.POST.get("buyer", ""), now=now), request.POST)


def _form(
    request: HttpRequest,
    actor: Actor,
    form: KitOrderForm,
    *,
    told: tuple[Told, ...] = (),
    checked: bool = False,
    status: int = 200,
) -> HttpResponse:
    return show(
        request, actor, "pages/orders/new_kits.html", here="orders", status=status, form=form, start=form.start,
        told=told, checked=checked,
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("orders/new/kits/", page, name="order-new-kits"),
    path("orders/new/kits/check/", check, name="order-kits-check"),
]
