"""Mails: which wait, which went and which failed; each one as it goes out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Problem
from fulfilment.out import emails
from fulfilment.read import outbox
from fulfilment.services import mails
from fulfilment.web.ground.doors import OFFICE, staff
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor

A_PAGE: Final = 50


@staff(OFFICE)
def listed(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The newest first; what failed stands above all."""
    state, kind, before = (request.GET.get(name, "") for name in ("state", "kind", "before"))
    found = outbox.listed(
        state=state,
        kind=kind,
        limit=A_PAGE + 1,
        before=int(before) if before.isascii() and before.isdecimal() and len(before) < 15 else None,
    )
    failed = outbox.listed(state="failed") if not (state or before) else []
    return show(
        request, actor, "pages/mails/list.html", here="mails", mails=found[:A_PAGE], failed=failed, state=state,
        kind=kind, states=outbox.STATES, kinds=outbox.kinds(),
        older=found[A_PAGE - 1].number if len(found) > A_PAGE else None,
    )  # fmt: skip


@staff(OFFICE)
def one(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    """One mail: to whom, when, and its words as they leave."""
    row = outbox.found(code)
    try:
        preview = emails.preview(code, now=now)
    except Problem as problem:
        return show(request, actor, "pages/mails/one.html", here="mails", mail=row, problem=problem)
    return show(request, actor, "pages/mails/one.html", here="mails", mail=row, preview=preview)


@staff(OFFICE)
def letter(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    """Its HTML as a page of its own: no script runs in it, and of styles only those it brings."""
    response = HttpResponse(emails.preview(code, now=now).html)
    response.headers["Content-Security-Policy"] = (
        "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'self'; sandbox allow-popups"
    )
    response.headers["X-Frame-Options"] = "SAMEORIGIN"
    return response


@require_POST
@staff(OFFICE)
def again(request: HttpRequest, actor: Actor, code: str, *, now: datetime) -> HttpResponse:
    """A failed mail is tried once more."""
    mails.retry(code, by=actor.name, now=now)
    messages.success(request, "It is sent again in a moment.")
    return redirect(reverse("mail", args=[code]))


PAGES: list[URLPattern] = [
    path("mails/", listed, name="mails"),
    path("mails/<code>/", one, name="mail"),
    path("mails/<code>/letter/", letter, name="mail-letter"),
    path("mails/<code>/again/", again, name="mail-again"),
]
