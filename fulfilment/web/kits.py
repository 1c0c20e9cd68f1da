"""Kits for the office: open cases first, who is at which step; one kit with all that was told and is planned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.calendar import farm_day
from fulfilment.core.problems import Conflict
from fulfilment.read import kit_advice, kit_list, kit_page
from fulfilment.services import customers, holds, kits
from fulfilment.web.ground.doors import OFFICE, staff, today_of
from fulfilment.web.ground.forms import Day, PageForm, Reason, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.holder import RoomForm, room_told

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date, datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.kit_list import KitFile
    from fulfilment.read.scope import Actor


WAYS: Final = ("event", "replace", "room", "hold", "links")
"""What can be done to a kit from its page."""


class EventForm(PageForm):
    """What a holder says by phone or mail, written for them."""

    kind = forms.ChoiceField(label="What happened")
    trouble = forms.ChoiceField(
        label="Which trouble", required=False, choices=[("", "none"), *kit_advice.TROUBLES.items()]
    )
    on = Day(label="Day")
    note = forms.CharField(label="In their words", max_length=300, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["kind"]
        assert isinstance(field, forms.ChoiceField), "it was declared as one"
        field.choices = [(kind.value, kit_page.DONE_WORDS[kind.value]) for kind in kits.REPORTED]


class ReplaceForm(PageForm):
    """Another kit goes instead: as a new order; here the care of this one ends."""

    reason = Reason(label="Why")
    on = Day(label="Day")


class HoldForm(PageForm):
    """A stop on this one kit."""

    reason = Reason(label="Why")


@staff(OFFICE)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    step, search = request.GET.get("step", ""), request.GET.get("q", "").strip()
    found = kit_list.listed(step=step, search=search, now=now, today=today_of(now))
    return show(
        request, actor, "pages/kits/list.html", here="kits", found=found, step=step, search=search,
        most=kit_list.MOST,
    )  # fmt: skip


@staff(OFFICE)
def one(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    return _shown(request, actor, kit_list.file(code, now=now), now=now)


def _shown(
    request: HttpRequest, actor: Actor, found: KitFile, *, now: datetime, refused: PageForm | None = None
) -> HttpResponse:
    kit = found.seen.kit
    today = _today(found, now)
    filled: dict[type[PageForm], PageForm] = {
        EventForm: EventForm(initial={"on": today, "kind": found.seen.main.kind if found.seen.main else None}),
        RoomForm: RoomForm(initial={"warmth": kit.warmth, "celsius": kit.room_c}),
        ReplaceForm: ReplaceForm(initial={"on": today}),
        HoldForm: HoldForm(),
    }
    if refused is not None:
        filled[type(refused)] = refused
    return show(
        request, actor, "pages/kits/kit.html", here="kits", status=422 if refused is not None else 200, found=found,
        today=today, event=filled[EventForm],
        room=filled[RoomForm], replacing=filled[ReplaceForm], hold=filled[HoldForm], ending=PageForm(),
        **{f"{way}_at": reverse(f"kit-{way}", args=[kit.public_id]) for way in WAYS},
    )  # fmt: skip


def _today(found: KitFile, now: datetime) -> date:
    """By the holder's clock, as what they tell is."""
    return farm_day(now, found.holder_zone) if found.holder_zone else today_of(now)


def _do(
    request: HttpRequest, actor: Actor, code: str, form: PageForm, action: Callable[[str], object], said: str, *,
    now: datetime,
) -> HttpResponse:  # fmt: skip
    found = kit_list.file(code, now=now)
    number = found.seen.kit.public_id

    def act() -> str:
        action(number)
        return reverse("kit", args=[number])

    address = attempt(request, form, act, by=actor.name, now=now)
    if address is None:
        return _shown(request, actor, found, now=now, refused=form)
    messages.success(request, said)
    return HttpResponseRedirect(address, status=303)


@require_POST
@staff(OFFICE)
def record(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    form = EventForm(request.POST)

    def act(kit: str) -> None:
        typed = form.cleaned_data
        kits.record(
            kit, kind=typed["kind"], trouble=typed["trouble"], on=typed["on"], note=typed["note"], by=actor.name,
            now=now,
        )  # fmt: skip

    return _do(request, actor, code, form, act, "Written for the holder; the mails to come follow it.", now=now)


@require_POST
@staff(OFFICE)
def room(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    form = RoomForm(request.POST)

    def act(kit: str) -> None:
        kits.set_room(kit, **room_told(form), by=actor.name, now=now)

    return _do(request, actor, code, form, act, "The room is noted; the days to come follow it.", now=now)


@require_POST
@staff(OFFICE)
def replace(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    form = ReplaceForm(request.POST)

    def act(kit: str) -> None:
        kits.replace(kit, reason=form.cleaned_data["reason"], on=form.cleaned_data["on"], by=actor.name, now=now)

    said = "Replaced: the care of this kit ends here. Now place the order for the kit that goes instead."
    return _do(request, actor, code, form, act, said, now=now)


@require_POST
@staff(OFFICE)
def hold(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    form = HoldForm(request.POST)

    def act(kit: str) -> None:
        holds.hold("kit", kit, reason=form.cleaned_data["reason"], by=actor.name, now=now)

    return _do(request, actor, code, form, act, "On hold: this kit is neither picked nor sent.", now=now)


@require_POST
@staff(OFFICE)
def end_links(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    """Where a mail went astray: all links that this kit's holder was sent."""
    holder = kit_list.file(code, now=now).holder_id
    if not holder:
        raise Conflict("Nobody holds this kit, so there are no links to end.")

    def act(_: str) -> None:
        customers.revoke_holder_links(holder, by=actor.name, now=now)

    said = "All links sent to this holder so far are ended. The next mail has new ones."
    return _do(request, actor, code, PageForm(request.POST), act, said, now=now)


PAGES: list[URLPattern] = [
    path("kits/", page, name="kits"),
    path("kits/<str:code>/", one, name="kit"),
    path("kits/<str:code>/events/", record, name="kit-event"),
    path("kits/<str:code>/room/", room, name="kit-room"),
    path("kits/<str:code>/replacement/", replace, name="kit-replace"),
    path("kits/<str:code>/hold/", hold, name="kit-hold"),
    path("kits/<str:code>/links/", end_links, name="kit-links"),
]
