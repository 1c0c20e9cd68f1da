"""What is in store: the oldest date first, where it is meant to go, and what happens to it besides being picked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.read.rooms import store
from fulfilment.services import growing, stock
from fulfilment.web.ground.doors import staff, today_of
from fulfilment.web.ground.forms import Grams, PageForm, Reason, attempt
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.rooms.store import InStore
    from fulfilment.read.scope import Actor

KINDS: Final = (
    ("wasted", "Thrown away"),
    ("sample", "Sample"),
    ("own_use", "Own use"),
    ("given_away", "Given away"),
    ("sold_at_gate", "Sold at the gate"),
)


class LotForm(PageForm):
    def __init__(self, *args: Any, lot: InStore, **kwargs: Any) -> None:
        super().__init__(*args, auto_id=f"{type(self).__name__}_%s", **kwargs)
        self.lot = lot

    def act(self, *, by: str, now: datetime, today: date) -> str:
        """Do it: what to say."""
        raise NotImplementedError


class TakeForm(LotForm):
    kind = forms.ChoiceField(label="What becomes of it", choices=KINDS, widget=forms.RadioSelect)
    quantity = Grams(label="Weight")
    kits = forms.CharField(
        label="Numbers of the kits", max_length=1000, required=False, help_text="Empty: those with the lowest numbers."
    )
    reason = Reason(required=False, help_text="Needed for what is past its date.")

    def __init__(self, *args: Any, lot: InStore, **kwargs: Any) -> None:
        super().__init__(*args, lot=lot, **kwargs)
        if lot.is_kit:
            self.fields["quantity"] = forms.IntegerField(label="Kits", min_value=1)
            self.order_fields(["kind", "quantity", "kits", "reason"])
        else:
            del self.fields["kits"]

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        numbers = asked.get("kits", "").replace(",", " ").split()
        if asked["kind"] == "wasted":
            stock.waste(
                self.lot.code, quantity=asked["quantity"], kits=numbers, reason=asked["reason"], by=by, now=now,
                today=today,
            )  # fmt: skip
        else:
            stock.take(
                self.lot.code, kind=asked["kind"], quantity=asked["quantity"], kits=numbers, reason=asked["reason"],
                confirmed=self.yes, by=by, now=now, today=today,
            )  # fmt: skip
        return f"{dict(KINDS)[asked['kind']]}: written down."


class DryForm(LotForm):
    places = {"lost_g": "counted_g"}
    counted_g = Grams(label="Weighs now", at_least=0)

    def act(self, *, by: str, now: datetime, today: date) -> str:
        stock.dry_out(self.lot.code, counted_g=self.cleaned_data["counted_g"], by=by, now=now)
        return "Dried out: written down."


class CorrectForm(LotForm):
    to_quantity = Grams(label="It really holds", at_least=0)
    reason = Reason(help_text="How do you know? Counted again, weighed wrongly …")

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        stock.correct(self.lot.code, to_quantity=asked["to_quantity"], reason=asked["reason"], by=by, now=now)
        return "The book is corrected."


class HarvestForm(LotForm):
    weighed_g = Grams(label="Weighed", at_least=0, help_text="0 if nothing of it was harvested.")
    trimmed_g = Grams(label="After trimming", at_least=0, required=False, help_text="Empty: as much is trimmed off.")
    reason = Reason(help_text="How do you know? A slip of the pen, another crop …")

    def act(self, *, by: str, now: datetime, today: date) -> str:
        asked = self.cleaned_data
        growing.correct_harvest(
            self.lot.code, weighed_g=asked["weighed_g"], trimmed_g=asked["trimmed_g"], reason=asked["reason"],
            confirmed=self.yes, by=by, now=now,
        )  # fmt: skip
        return "The harvest is put right, and so is the lot."


FORMS: Final[Mapping[str, type[LotForm]]] = {
    "take": TakeForm,
    "dry": DryForm,
    "correct": CorrectForm,
    "harvest": HarvestForm,
}


@staff()
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    today = today_of(now)
    lots = store.on_hand(actor, today=today)
    fresh = [lot for lot in lots if not lot.is_kit]
    kits = [lot for lot in lots if lot.is_kit]
    return show(
        request, actor, "pages/rooms/store.html", here="store", fresh=fresh, kits=kits,
        fresh_g=sum(lot.quantity for lot in fresh), kit_count=sum(lot.quantity for lot in kits),
    )  # fmt: skip


@staff()
def one(request: HttpRequest, actor: Actor, *, code: str, now: datetime, what: str = "") -> HttpResponse:
    """One lot with its ledger; ``what`` names the form that was sent."""
    today = today_of(now)
    story = store.lot_story(code, actor, today=today)
    names = ("take",) if story.lot.is_kit else tuple(FORMS)
    shown: dict[str, LotForm] = {
        name: FORMS[name](request.POST if name == what else None, lot=story.lot) for name in names
    }
    status = 200
    if request.method == "POST" and what in shown:
        form, said = shown[what], ""

        def act() -> str:
            nonlocal said
            said = form.act(by=actor.name, now=now, today=today)
            return reverse("lot", args=[story.lot.code])

        done = attempt(request, form, act, by=actor.name, now=now)
        if done is not None:
            messages.success(request, said or "This was saved already.")
            return HttpResponseRedirect(done, status=303)
        status = 422
    return show(
        request,
        actor,
        "pages/rooms/lot.html",
        here="store",
        status=status,
        lot=story.lot,
        story=story,
        what=what,
        **shown,
    )


PAGES: list[URLPattern] = [
    path("store/", page, name="store"),
    path("store/<str:code>/", one, name="lot"),
    *(path(f"store/<str:code>/{what}/", one, {"what": what}, name=f"lot-{what}") for what in FORMS),
]
