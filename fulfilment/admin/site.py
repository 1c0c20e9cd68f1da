"""The records: who may enter, and what of them is there for whom.

Whoever ``read.people`` knows may enter: staff by their roles, and a kitchen's own user, for whom its own orders and
standing orders exist and nothing else.  :data:`RECORDS` is the one table that says which kinds of rows a role sees and
changes; whose rows are whose is ``read.scope``'s.  Django's own permission rows are not asked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from django.contrib.admin import AdminSite
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.forms import PasswordChangeForm
from django.contrib.auth.models import User
from django.contrib.auth.views import LogoutView, redirect_to_login
from django.contrib.messages import success
from django.http import Http404, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.template.response import SimpleTemplateResponse
from django.urls import NoReverseMatch, reverse
from django.utils import timezone

from fulfilment import models
from fulfilment.core.calendar import farm_day
from fulfilment.core.problems import Forbidden, Problem
from fulfilment.read.farm import farm_if_any
from fulfilment.read.people import actor_of
from fulfilment.read.scope import SIGHTS, STAFF
from fulfilment.services import people
from fulfilment.web.ground.doors import GROWING, OFFICE, PACKING, told
from fulfilment.web.ground.forms import Renderer

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.db.models import Model
    from django.http import HttpRequest
    from django.http.response import HttpResponseBase

    from fulfilment.read.scope import Actor

KITCHEN: Final = frozenset({"kitchen"})
NOBODY: Final[frozenset[str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Leave:
    """Under which heading a kind of row stands, who sees it and who may change it (through the services)."""

    group: str
    see: frozenset[str]
    change: frozenset[str] = NOBODY


def _seen(group: str, model: type[Model], *, change: frozenset[str] = NOBODY) -> Leave:
    """Seen by the staff that sees all of them anywhere."""
    return Leave(group, SIGHTS[model].all & STAFF, change)


ORDERS, CUSTOMERS, GROWS, STORE, PACKS, KITS, SAID, PLANS, FARM, DOORS = (
    "Orders", "Customers", "Growing", "Store", "Packing", "Kits and their care", "Mails and events",
    "Forecasts and plans", "The farm", "Who may enter",
)  # fmt: skip

RECORDS: Final[Mapping[type[Model], Leave]] = {
    models.Order: Leave(ORDERS, OFFICE | PACKING | KITCHEN, OFFICE | KITCHEN),
    models.Purchase: Leave(ORDERS, OFFICE, OFFICE),
    models.StandingOrder: Leave(ORDERS, OFFICE | KITCHEN, OFFICE | KITCHEN),
    models.Line: _seen(ORDERS, models.Line),
    models.Promise: Leave(ORDERS, OFFICE),
    models.Allocation: Leave(ORDERS, OFFICE),
    models.Shipment: _seen(ORDERS, models.Shipment),
    models.Change: Leave(ORDERS, OFFICE),
    models.ShortageOffer: _seen(ORDERS, models.ShortageOffer),
    models.Doubt: _seen(ORDERS, models.Doubt),
    models.Kitchen: _seen(CUSTOMERS, models.Kitchen, change=OFFICE),
    models.Buyer: _seen(CUSTOMERS, models.Buyer, change=OFFICE),
    models.Holder: Leave(CUSTOMERS, OFFICE),
    models.Address: Leave(CUSTOMERS, OFFICE | PACKING, OFFICE),
    models.Donor: _seen(GROWS, models.Donor, change=GROWING),
    models.Supplier: _seen(GROWS, models.Supplier, change=GROWING),
    models.Intake: _seen(GROWS, models.Intake),
    models.SpawnDelivery: _seen(GROWS, models.SpawnDelivery),
    models.InputDelivery: _seen(GROWS, models.InputDelivery),
    models.Batch: _seen(GROWS, models.Batch),
    models.Crop: _seen(GROWS, models.Crop),
    models.Observation: Leave(GROWS, GROWING),
    models.Harvest: _seen(GROWS, models.Harvest),
    models.Reading: Leave(GROWS, GROWING),
    models.Lot: _seen(STORE, models.Lot),
    models.StockEntry: Leave(STORE, STAFF),
    models.Hold: _seen(STORE, models.Hold),
    models.Round: _seen(PACKS, models.Round),
    models.PickList: _seen(PACKS, models.PickList),
    models.Pick: _seen(PACKS, models.Pick),
    models.Parcel: Leave(PACKS, PACKING),
    models.DeliveryNote: _seen(PACKS, models.DeliveryNote),
    models.Refusal: Leave(PACKS, PACKING),
    models.CrateEntry: Leave(PACKS, PACKING),
    models.Kit: _seen(KITS, models.Kit),
    models.KitEvent: Leave(KITS, STAFF),
    models.CareMail: Leave(KITS, OFFICE),
    models.CareStep: Leave(KITS, OFFICE, OFFICE),
    models.Mail: Leave(SAID, OFFICE, OFFICE),
    models.Event: _seen(SAID, models.Event),
    models.Forecast: Leave(PLANS, GROWING),
    models.Plan: Leave(PLANS, GROWING),
    models.Book: Leave(PLANS, OFFICE),
    models.Score: Leave(PLANS, GROWING),
    models.Night: Leave(PLANS, OFFICE),
    models.Job: Leave(PLANS, OFFICE, OFFICE),
    models.Farm: Leave(FARM, OFFICE, OFFICE),
    models.ClosedDay: Leave(FARM, STAFF, OFFICE),
    models.Strain: _seen(FARM, models.Strain, change=OFFICE),
    models.Keeping: Leave(FARM, STAFF, OFFICE),
    models.Product: _seen(FARM, models.Product, change=OFFICE),
    models.Room: _seen(FARM, models.Room, change=GROWING),
    User: Leave(DOORS, OFFICE, OFFICE),
    models.ApiKey: Leave(DOORS, OFFICE, OFFICE),
    models.WebhookEndpoint: Leave(DOORS, OFFICE, OFFICE),
    models.WebhookMessage: Leave(DOORS, OFFICE),
}
"""Every kind of row that has a list here, in the order of the front page."""


@dataclass(frozen=True, slots=True)
class Hand:
    """Who does something in this request, and when: read once."""

    actor: Actor
    now: datetime
    today: date

    @property
    def by(self) -> str:
        return self.actor.name

    @property
    def office(self) -> bool:
        return self.actor.may(OFFICE)

    @property
    def staff(self) -> bool:
        return self.actor.may(STAFF)


def hand_if_any(request: HttpRequest) -> Hand | None:
    """Whose request it is; None for nobody, and for somebody without a role."""
    if not hasattr(request, "records_hand"):
        actor = actor_of(request.user)
        hand = None
        if actor is not None:
            now, ours = datetime.now(UTC), farm_if_any()
            hand = Hand(actor, now, farm_day(now, ours.zone) if ours is not None else now.date())
        setattr(request, "records_hand", hand)  # noqa: B010 - a request is where Django keeps such things
    found: Hand | None = getattr(request, "records_hand", None)
    return found


def hand_of(request: HttpRequest) -> Hand:
    """Whose request it is, behind the door."""
    hand = hand_if_any(request)
    if hand is None:
        raise Forbidden("You have no role on this farm yet: the office gives you one.")
    return hand


class PasswordForm(PasswordChangeForm):
    """One's own password, the old one asked for."""

    default_renderer = Renderer()


class Records(AdminSite):
    """The farm's records, entered through the farm's own sign-in."""

    index_template = "admin/farm/index.html"
    enable_nav_sidebar = False
    site_url = None
    empty_value_display = "–"

    def has_permission(self, request: HttpRequest) -> bool:
        return hand_if_any(request) is not None

    def admin_view(self, view: Callable[..., Any], cacheable: bool = False) -> Any:
        """Behind the door, by the farm's own clock and kept in no cache; what cannot be is told as on every page."""
        behind = super().admin_view(view)

        def opened(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.is_authenticated:
                return redirect_to_login(request.get_full_path(), reverse("sign-in"))
            ours = farm_if_any()
            with timezone.override(ZoneInfo(ours.zone) if ours is not None else UTC):
                try:
                    hand_of(request)
                    response: HttpResponseBase = behind(request, *args, **kwargs)
                    if isinstance(response, SimpleTemplateResponse):
                        response.render()
                except Problem as problem:
                    return told(request, problem)
            return response

        return opened

    def get_urls(self) -> list[Any]:
        """Without the way from a content type's number to a row: nothing here needs it."""
        return [each for each in super().get_urls() if getattr(each, "name", "") != "view_on_site"]

    def each_context(self, request: HttpRequest) -> dict[str, Any]:
        ours, hand = farm_if_any(), hand_if_any(request)
        name = ours.name if ours is not None else "A new farm"
        return {
            "site_header": name, "site_title": name, "farm_name": name, "has_permission": hand is not None,
            "hand": hand, "is_popup": False, "is_nav_sidebar_enabled": False, "available_apps": [],
        }  # fmt: skip

    def get_app_list(self, request: HttpRequest, app_label: str | None = None) -> list[Any]:
        """The kinds of rows that are there for whoever asks, under their headings."""
        groups: dict[str, list[dict[str, object]]] = {}
        hand = hand_of(request)
        for model, leave in RECORDS.items():
            registered = self._registry.get(model)
            if registered is None or not hand.actor.may(leave.see):
                continue
            opts = registered.opts
            base = f"admin:{opts.app_label}_{opts.model_name}"
            adds = registered.has_add_permission(request)
            groups.setdefault(leave.group, []).append(
                {
                    "name": getattr(registered, "named", "") or opts.verbose_name_plural,
                    "url": reverse(f"{base}_changelist"),
                    "add_url": reverse(f"{base}_add") if adds else "",
                    "word": opts.verbose_name,
                }
            )
        return [{"name": name, "models": found} for name, found in groups.items()]

    def index(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        facts = {**self.each_context(request), "title": "Records", "groups": self.get_app_list(request)}
        return render(request, "admin/farm/index.html", facts)

    def app_index(self, request: HttpRequest, app_label: str, extra_context: dict[str, Any] | None = None) -> Any:
        return HttpResponseRedirect(reverse("admin:index"))

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        return redirect_to_login(request.GET.get("next", "") or reverse("admin:index"), reverse("sign-in"))

    def logout(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        return LogoutView.as_view()(request)

    def password_change(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        """One's own password: anybody's who may enter."""
        hand, user = hand_of(request), request.user
        assert isinstance(user, User)
        form = PasswordForm(user, request.POST if request.method == "POST" else None, label_suffix="")
        if request.method == "POST" and form.is_valid():
            try:
                changed = people.set_password(
                    user.username, password=form.cleaned_data["new_password1"], by=hand.by, now=hand.now
                )
            except Problem as problem:
                form.add_error("new_password1", problem.sentence)
            else:
                update_session_auth_hash(request, changed)
                success(request, "Your password is changed.")
                return HttpResponseRedirect(reverse("admin:index"), status=303)
        facts = {**self.each_context(request), "title": "Your password", "form": form, "button": "Change it"}
        return render(request, "admin/farm/form.html", facts, status=422 if form.errors else 200)

    def password_change_done(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        return HttpResponseRedirect(reverse("admin:index"))

    def autocomplete_view(self, request: HttpRequest) -> HttpResponse:
        """No form here asks by it, so there is nothing to be read that way."""
        raise Http404

    def address(self, row: Model, what: str = "change") -> str:
        """Where a row's page is; empty for a kind of row that has none here."""
        registered = self._registry.get(type(row))
        if registered is None:
            return ""
        opts = registered.opts
        key = getattr(registered, "key_of", lambda each: str(each.pk))(row)
        try:
            return reverse(f"admin:{opts.app_label}_{opts.model_name}_{what}", args=[key])
        except NoReverseMatch:
            return ""


site: Final = Records(name="admin")
