"""Who may open a page, and what anybody gets who asked for what cannot be.

A page is a function ``(request, actor, now=…, **path) -> response``.  :func:`staff` finds the actor, reads the clock
once, shows instants by the farm's own zone, and turns a :class:`Problem` into a page with its sentence.  A page behind
a signed link stands behind :func:`anybody`, and finds its person by ``read.links``.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import wraps
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from django.contrib.auth.views import redirect_to_login
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache

from fulfilment.core.calendar import farm_day
from fulfilment.core.problems import Conflict, Forbidden, Missing, Problem, Stale, Unconfirmed
from fulfilment.read.farm import farm_if_any
from fulfilment.read.people import actor_of
from fulfilment.read.scope import STAFF

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from django.http import HttpRequest

    Page = Callable[..., HttpResponse]

STATUS: Final[Mapping[type[Problem], int]] = {Missing: 404, Forbidden: 403, Conflict: 409, Unconfirmed: 409, Stale: 412}

OFFICE: Final = frozenset({"office"})
GROWING: Final = frozenset({"office", "grower"})
PACKING: Final = frozenset({"office", "packing"})


def staff(scopes: frozenset[str] = STAFF) -> Callable[[Page], Callable[..., HttpResponse]]:
    """A page for those who work here with one of these scopes; others sign in, or read that it is not theirs."""

    def door(page: Page) -> Callable[..., HttpResponse]:
        @never_cache
        @wraps(page)
        def opened(request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
            actor = actor_of(request.user)
            if actor is None:
                if request.user.is_authenticated:
                    return told(request, Forbidden("You have no role on this farm yet: the office gives you one."))
                return redirect_to_login(request.get_full_path())
            if not actor.may(STAFF):
                return redirect("admin:index")
            if not actor.may(scopes):
                needed = " or ".join(sorted(scopes))
                return told(request, Forbidden(f"This page needs the role {needed}: the office can give it to you."))
            return _shown(request, lambda now: page(request, actor, *args, now=now, **path))

        return opened

    return door


def anybody(page: Page) -> Callable[..., HttpResponse]:
    """A page whose address is its key."""

    @never_cache
    @wraps(page)
    def opened(request: HttpRequest, *args: Any, **path: Any) -> HttpResponse:
        response = _shown(request, lambda now: page(request, *args, now=now, **path))
        # The address opens the page: it goes to no other site and into no index.  Not "no-referrer": with that a
        # browser hides where its own form comes from, and the form would be refused as a stranger's.
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["X-Robots-Tag"] = "noindex, nofollow"
        return response

    return opened


def told(request: HttpRequest, problem: Problem) -> HttpResponse:
    """A page that says what is wrong; for what no form can show beside its field."""
    status = next((status for kind, status in STATUS.items() if isinstance(problem, kind)), 400)
    title = {404: "Not here", 403: "Not yours", 409: "Not now", 412: "Changed meanwhile"}.get(status, "Not like this")
    facts = {"problem": problem, "title": title, "reason": HTTPStatus(status).phrase}
    return render(request, "pages/problem.html", facts, status=status)


def not_from_here(request: HttpRequest, reason: str = "") -> HttpResponse:
    """What a form gets that did not come from its own page: its mark is missing, or older than the sign-in."""
    sentence = (
        "This form was not sent from its own page, or somebody signed in or out after the page was opened. Nothing was "
        "saved: load the page again and send it once more."
    )
    return told(request, Forbidden(sentence, code="not_from_here"))


def today_of(now: datetime) -> date:
    """The farm's day at this instant; the day in UTC where there is no farm yet."""
    ours = farm_if_any()
    return farm_day(now, ours.zone) if ours is not None else now.date()


def _shown(request: HttpRequest, answer: Callable[[datetime], HttpResponse]) -> HttpResponse:
    now = datetime.now(UTC)
    ours = farm_if_any()
    with timezone.override(ZoneInfo(ours.zone) if ours is not None else UTC):
        try:
            return answer(now)
        except Problem as problem:
            return told(request, problem)
