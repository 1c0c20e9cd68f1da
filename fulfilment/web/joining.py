"""Whoever has the box joins by the code on it, and is told from then on what the kit needs.

Codes can be guessed by trying: after some wrong ones an address waits.  Who is known to the farm already is shown no
page of theirs, since an address alone does not show that it is they: their own link comes with the next mail.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.core.cache import cache
from django.http import HttpResponseRedirect
from django.urls import path, reverse

from fulfilment.core.problems import Conflict
from fulfilment.read import links
from fulfilment.read.farm import farm
from fulfilment.services import kits
from fulfilment.web.ground.doors import anybody
from fulfilment.web.ground.forms import PageForm, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.holder import ROOMS

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

WRONG_TRIES: Final = 10
WAIT_SECONDS: Final = 600
NEW: Final = 1
"""The version of the links of somebody who has just come."""
REGIONS: Final = ("Africa", "America", "Antarctica", "Asia", "Atlantic", "Australia", "Europe", "Indian", "Pacific")


def zones() -> list[tuple[str, list[tuple[str, str]]]]:
    """The IANA names by region, as a select shows them; UTC by itself."""
    by_region: dict[str, list[tuple[str, str]]] = {region: [] for region in REGIONS}
    for name in sorted(available_timezones()):
        region, _, place = name.partition("/")
        if place and region in by_region:
            by_region[region].append((name, place.replace("_", " ").replace("/", ", ")))
    return [*by_region.items(), ("Other", [("Etc/UTC", "UTC")])]


class JoinForm(PageForm):
    """The code on box and leaflet, and where the mails go."""

    code = forms.CharField(
        label="Code on the box",
        max_length=20,
        help_text="Nine letters and digits, such as K7Q2-M4XJ. Capitals and the dash do not matter.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}),
    )
    email = forms.CharField(
        label="Your mail address",
        max_length=254,
        help_text="Only for mails about this kit. Neither the giver nor anybody else is shown it.",
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
    name = forms.CharField(
        label="Your name", max_length=120, required=False, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    zone = forms.ChoiceField(label="Time zone", help_text="Mails come by day, by your clock.")
    warmth = forms.ChoiceField(
        label="How warm is the room where it will stand?", choices=ROOMS, widget=forms.RadioSelect, initial="normal"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["zone"]
        assert isinstance(field, forms.ChoiceField), "it was declared as one"
        field.choices = zones()


@anybody
def page(request: HttpRequest, *, now: datetime) -> HttpResponse:
    if request.method != "POST":
        start = {"code": request.GET.get("code", "")[:20], "zone": farm().zone}
        return show(request, None, "pages/joining/join.html", form=JoinForm(initial=start))
    form = JoinForm(request.POST)
    tries = f"joining:{_address(request)}:{now.timestamp() // WAIT_SECONDS:.0f}"
    if cache.get(tries, 0) >= WRONG_TRIES:
        wait = Conflict("Too many wrong codes came from your network. Please wait ten minutes, then try again.")
        form.is_valid()
        form.refuse(wait)
        response = show(request, None, "pages/joining/join.html", status=429, form=form)
        response.headers["Retry-After"] = str(WAIT_SECONDS)
        return response

    def act() -> str:
        typed = form.cleaned_data
        kit = kits.join(
            typed["code"], email=typed["email"], name=typed["name"], zone=typed["zone"], warmth=typed["warmth"], now=now
        )
        # The id of who is new here; who was known stays unsaid.
        return kit.holder.public_id if kit.holder is not None and kit.holder.made_at == now else ""

    holder = attempt(request, form, act, by="joining", now=now)
    if holder is not None:
        address = reverse("joined")
        if holder:
            token = links.sign("holder", subject=holder, version=NEW, now=now)
            address = reverse("holder-page", args=[token])
        return HttpResponseRedirect(address, status=303)
    if "code" in form.errors:
        cache.add(tries, 0, 2 * WAIT_SECONDS)
        cache.incr(tries)
    return show(request, None, "pages/joining/join.html", status=422, form=form)


@anybody
def joined(request: HttpRequest, *, now: datetime) -> HttpResponse:
    """For who is known already: what happens now, and nothing of theirs."""
    return show(request, None, "pages/joining/joined.html", contact=farm().mail_from)


def _address(request: HttpRequest) -> str:
    """The network address that reached us, or that the farm's own proxy names; not one that the asker may choose."""
    if settings.REST_FRAMEWORK["NUM_PROXIES"]:
        return str(request.META.get("HTTP_X_FORWARDED_FOR", "")).rpartition(",")[2].strip()
    return str(request.META.get("REMOTE_ADDR", ""))


PAGES: list[URLPattern] = [path("join/", page, name="join"), path("join/known/", joined, name="joined")]
