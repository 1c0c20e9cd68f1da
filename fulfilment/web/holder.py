"""A holder's page by signed link: where each kit stands, the next thing to tell with one press, what is wrong.

Opening it changes nothing, since mail scanners open links; what is told is posted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypedDict
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from fulfilment.core.calendar import farm_day
from fulfilment.core.care import Warmth
from fulfilment.read import kit_advice, kit_page, links
from fulfilment.services import caring, kits
from fulfilment.web.ground.doors import anybody
from fulfilment.web.ground.forms import Celsius, Day, PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.ground.words import day_range

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.kit_page import Course, KitSeen

ROOMS: Final = [
    (Warmth.COOL.value, "Cool: below 18 °C"),
    (Warmth.NORMAL.value, "Normal: 18 to 22 °C"),
    (Warmth.WARM.value, "Warm: above 22 °C"),
]


class ReportForm(PageForm):
    """What happened, and on which day; without a day it was today."""

    kind = forms.ChoiceField(label="What happened?", widget=forms.RadioSelect)
    on = Day(label="On which day?", required=False)

    def __init__(self, seen: KitSeen, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["kind"]
        assert isinstance(field, forms.ChoiceField), "it was declared as one"
        known = {choice.kind: choice.words.removesuffix(" today") for choice in seen.choices}
        # What cannot follow any more is not offered, and still answered with the sentence that says why.
        field.choices = [
            *known.items(),
            *((each.value, each.value) for each in kits.REPORTED if each.value not in known),
        ]
        self.offered = list(known.items())
        if self.is_bound is False:
            field.initial = seen.main.kind if seen.main is not None else None


class RoomForm(PageForm):
    """How warm it is where the kit stands."""

    places = {"room_c": "celsius"}
    warmth = forms.ChoiceField(label="How warm is the room?", choices=ROOMS, widget=forms.RadioSelect)
    celsius = Celsius(label="Degrees Celsius, if you have a thermometer", required=False)


class TroubleForm(PageForm):
    """What is wrong, asked by kind: the room's temperature first where nothing happens, the looks of mould."""

    look = forms.ChoiceField(
        label="How does it look?", choices=list(kit_advice.LOOKS.items()), widget=forms.RadioSelect, required=False
    )
    warmth = forms.ChoiceField(label="How warm is the room?", choices=ROOMS, widget=forms.RadioSelect, required=False)
    celsius = Celsius(label="Degrees Celsius, if you have a thermometer", required=False)
    note = forms.CharField(
        label="In your own words", max_length=240, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    another = forms.BooleanField(label="I would like another kit", required=False)

    def __init__(self, trouble: str, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if trouble == "mould":
            self.fields["look"].required = True
        else:
            del self.fields["look"]
        if trouble != "nothing_happens":
            del self.fields["warmth"], self.fields["celsius"]
        if trouble == "other":
            self.fields["note"].required = True

    def said(self) -> str:
        """What staff read of it."""
        look = kit_advice.LOOKS.get(self.cleaned_data.get("look", ""), "")
        wish = "Asks for another kit." if self.cleaned_data["another"] else ""
        return " ".join(part for part in (wish, f"{look}." if look else "", self.cleaned_data["note"]) if part)[:300]


# ---- The page -------------------------------------------------------------------------------------------------------


@anybody
def page(request: HttpRequest, token: str, *, now: datetime) -> HttpResponse:
    whose = links.holder(token, now=now)
    return _shown(request, token, whose, now=now)


def _shown(
    request: HttpRequest, token: str, whose: Any, *, now: datetime, refused: PageForm | None = None, about: str = ""
) -> HttpResponse:
    found = kit_page.page(whose, now=now)
    today = farm_day(now, whose.zone)

    def forms_of(seen: KitSeen) -> tuple[KitSeen, PageForm, PageForm]:
        mine = refused if about == seen.kit.public_id else None
        room = {"warmth": seen.kit.warmth, "celsius": seen.kit.room_c}
        return (
            seen,
            mine if isinstance(mine, ReportForm) else ReportForm(seen, initial={"on": today}),
            mine if isinstance(mine, RoomForm) else RoomForm(initial=room),
        )

    with timezone.override(ZoneInfo(whose.zone)):
        return show(
            request, None, "pages/holder/page.html", status=422 if refused is not None else 200,
            token=token, found=found, running=[forms_of(each) for each in found.running], today=today,
            mails=PageForm(),
        )  # fmt: skip


@require_POST
@anybody
def report(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    """What the holder tells of a kit; the page then says what moved."""
    whose = links.holder(token, now=now)
    seen = kit_page.one(whose, code, now=now)
    form, by = ReportForm(seen, request.POST), f"holder:{whose.public_id}"
    before = kit_page.course(whose, code, now=now)

    def act() -> str:
        on = form.cleaned_data["on"] or farm_day(now, whose.zone)
        kits.record(seen.kit.public_id, kind=form.cleaned_data["kind"], on=on, by=by, now=now)
        return reverse("holder-page", args=[token])

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return _shown(request, token, whose, now=now, refused=form, about=seen.kit.public_id)
    messages.success(request, _moved(whose, seen.kit.public_id, before, now=now))
    return HttpResponseRedirect(f"{address}#kit-{seen.kit.public_id}", status=303)


@require_POST
@anybody
def room(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    whose = links.holder(token, now=now)
    seen = kit_page.one(whose, code, now=now)
    form, by = RoomForm(request.POST), f"holder:{whose.public_id}"
    before = kit_page.course(whose, code, now=now)

    def act() -> str:
        kits.set_room(seen.kit.public_id, **room_told(form), by=by, now=now)
        return reverse("holder-page", args=[token])

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return _shown(request, token, whose, now=now, refused=form, about=seen.kit.public_id)
    messages.success(request, _moved(whose, seen.kit.public_id, before, now=now))
    return HttpResponseRedirect(f"{address}#kit-{seen.kit.public_id}", status=303)


@require_POST
@anybody
def mails(request: HttpRequest, token: str, *, now: datetime) -> HttpResponse:
    """Care mails off or on."""
    whose = links.holder(token, now=now)
    by = f"holder:{whose.public_id}"
    if request.POST.get("do") == "on":
        caring.resubscribe(whose.public_id, by=by, now=now)
        messages.success(request, "Care mails come again, from the next step on.")
    else:
        caring.unsubscribe(whose.public_id, by=by, now=now)
        messages.success(request, "No more care mails. This page still says what comes next.")
    return HttpResponseRedirect(reverse("holder-page", args=[token]), status=303)


class RoomTold(TypedDict):
    warmth: str | None
    celsius: float | None


def room_told(form: PageForm) -> RoomTold:
    """The room's word and degrees; where degrees were read, the word follows them."""
    word, degrees = form.cleaned_data.get("warmth") or None, form.cleaned_data.get("celsius")
    if degrees is None:
        return {"warmth": word, "celsius": None}
    return {"warmth": kit_advice.word_for(float(degrees)).value, "celsius": float(degrees)}


def _moved(whose: Any, code: str, before: Course, *, now: datetime) -> str:
    """Thanks, and what is expected otherwise than before."""
    after = kit_page.course(whose, code, now=now)
    following = kit_page.next_expected(kit_page.one(whose, code, now=now).kit, before)
    said = ["Thank you."]
    if following is not None:
        said.append(f"{following.title}: now expected {day_range(following.days)}.")
    shared = before.mails.keys() & after.mails.keys()
    moved = sum(before.mails[key] != after.mails[key] for key in shared)
    counts = [
        (moved, "moved"),
        (len(after.mails.keys() - before.mails.keys()), "planned"),
        (len(before.mails.keys() - after.mails.keys()), "no longer needed"),
    ]
    changed = [f"{count} {what}" for count, what in counts if count]
    if changed:
        said.append(f"Care mails: {', '.join(changed)}.")
    return " ".join(said)


# ---- Something is wrong ---------------------------------------------------------------------------------------------


@anybody
def trouble(request: HttpRequest, token: str, code: str, *, now: datetime) -> HttpResponse:
    """Which trouble; then what is asked of it; a post makes it a case for staff and gives first advice at once."""
    whose = links.holder(token, now=now)
    seen = kit_page.one(whose, code, now=now)
    what = request.GET.get("what", "")
    if what not in kit_advice.TROUBLES:
        return _trouble_page(request, token, seen, what="", form=None)
    if request.method != "POST":
        start = {"warmth": seen.kit.warmth, "celsius": seen.kit.room_c}
        return _trouble_page(request, token, seen, what=what, form=TroubleForm(what, initial=start))
    form, by = TroubleForm(what, request.POST), f"holder:{whose.public_id}"

    def act() -> str:
        number = seen.kit.public_id
        told = room_told(form)
        if told["warmth"] is not None:
            kits.set_room(number, **told, by=by, now=now)
        today = farm_day(now, whose.zone)
        kits.record(number, kind="trouble", trouble=what, note=form.said(), on=today, by=by, now=now)
        look = form.cleaned_data.get("look", "")
        return f"{reverse('holder-advice', args=[token, number, what])}{f'?look={look}' if look else ''}"

    address = attempt(request, form, act, by=by, now=now)
    if address is None:
        return _trouble_page(request, token, seen, what=what, form=form)
    return HttpResponseRedirect(address, status=303)


def _trouble_page(
    request: HttpRequest, token: str, seen: KitSeen, *, what: str, form: TroubleForm | None
) -> HttpResponse:
    wrong = form is not None and (bool(form.errors) or bool(form.asks))
    return show(
        request, None, "pages/holder/trouble.html", status=422 if wrong else 200, token=token, seen=seen, what=what,
        words=kit_advice.TROUBLES.get(what, ""), form=form, troubles=list(kit_advice.TROUBLES.items()),
    )  # fmt: skip


@anybody
def advice(request: HttpRequest, token: str, code: str, what: str, *, now: datetime) -> HttpResponse:
    """What to do first, and that somebody looks into it."""
    whose = links.holder(token, now=now)
    seen = kit_page.one(whose, code, now=now)
    look = request.GET.get("look", "")
    found = kit_page.page(whose, now=now)
    return show(
        request, None, "pages/holder/advice.html", token=token, seen=seen, words=kit_advice.TROUBLES.get(what, ""),
        advice=kit_advice.advice(seen.kit, what, look=look), contact=found.contact,
        throw_away=look in kit_advice.THROW_AWAY,
    )  # fmt: skip


# ---- No more care mails ---------------------------------------------------------------------------------------------


@csrf_exempt
@anybody
def unsubscribe(request: HttpRequest, token: str, *, now: datetime) -> HttpResponse:
    """A page with one button; posted to, by it or by a mail program's one click (RFC 8058), it ends care mails.

    The address itself shows whose wish it is, so that no cookie is asked for.
    """
    whose = links.unsubscriber(token, now=now)
    done, by = "", f"holder:{whose.public_id}"
    if request.method == "POST":
        if request.POST.get("do") == "resubscribe":
            done, whose = "on", caring.resubscribe(whose.public_id, by=by, now=now)
        else:
            done = "already" if whose.unsubscribed_at is not None else "off"
            whose = caring.unsubscribe(whose.public_id, by=by, now=now)
    return show(
        request, None, "pages/holder/unsubscribe.html", token=token, done=done,
        unsubscribed=whose.unsubscribed_at is not None,
    )  # fmt: skip


PAGES: list[URLPattern] = [
    path("h/<str:token>/", page, name="holder-page"),
    path("h/<str:token>/mails/", mails, name="holder-mails"),
    path("h/<str:token>/<str:code>/report/", report, name="holder-report"),
    path("h/<str:token>/<str:code>/room/", room, name="holder-room"),
    path("h/<str:token>/<str:code>/trouble/", trouble, name="holder-trouble"),
    path("h/<str:token>/<str:code>/advice/<slug:what>/", advice, name="holder-advice"),
    path("u/<str:token>/", unsubscribe, name="unsubscribe"),
    # As the mails have them; a mail program's one click follows no redirect.
    path("h/<str:token>", page),
    path("u/<str:token>", unsubscribe),
]
