"""Signing in and out.

Too many wrong passwords for one name from one address lock the door for a while (``services.signing_in``).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.core.exceptions import ValidationError
from django.shortcuts import render
from django.urls import path

from fulfilment.core.problems import Problem
from fulfilment.read.farm import farm_if_any
from fulfilment.services import signing_in
from fulfilment.web.ground.forms import Renderer

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

TOO_MANY = 429


def address_of(request: HttpRequest) -> str:
    """The address that reached us, or the one that the farm's own proxy names; never one that the asker may choose."""
    forwarded = request.headers.get("X-Forwarded-For", "") if settings.BEHIND_PROXY else ""
    return forwarded.rpartition(",")[2].strip() or request.META.get("REMOTE_ADDR", "")


class SignInForm(AuthenticationForm):
    """Django's own, with the farm's fields."""

    default_renderer = Renderer()
    error_messages = {
        "invalid_login": "Name and password do not belong together. Capital letters count in both.",
        "inactive": "This account has been ended. The office can open it again.",
    }
    locked: Problem | None = None

    def clean(self) -> dict[str, Any]:
        name, password = self.cleaned_data.get("username"), self.cleaned_data.get("password")
        if name and password and self.request is not None:
            address = address_of(self.request)
            try:
                signing_in.count_try(name, address=address, now=datetime.now(UTC))
            except Problem as problem:
                self.locked = problem
                raise ValidationError(problem.sentence) from problem
            cleaned = super().clean()
            signing_in.succeeded(name, address=address)
            return cleaned
        return super().clean()


class SignIn(LoginView):
    template_name = "pages/sign_in.html"
    authentication_form = SignInForm

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        locked = form.locked if isinstance(form, SignInForm) else None
        if locked is None:
            return super().form_invalid(form)
        shown = self.get_context_data(form=form) | {"problem": locked}
        response = render(self.request, "pages/locked.html", shown, status=TOO_MANY)
        response.headers["Retry-After"] = str(locked.data["seconds"])
        return response

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        ours = farm_if_any()
        return super().get_context_data(**kwargs) | {"farm_name": ours.name if ours is not None else "A new farm"}


PAGES: list[URLPattern] = [
    path("sign-in/", SignIn.as_view(), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
]
