"""Signing in and out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from fulfilment.read.farm import farm_if_any
from fulfilment.web.ground.forms import Renderer

if TYPE_CHECKING:
    from django.urls import URLPattern


class SignInForm(AuthenticationForm):
    """Django's own, with the farm's fields."""

    default_renderer = Renderer()
    error_messages = {
        "invalid_login": "Name and password do not belong together. Capital letters count in both.",
        "inactive": "This account has been ended. The office can open it again.",
    }


class SignIn(LoginView):
    template_name = "pages/sign_in.html"
    authentication_form = SignInForm

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        ours = farm_if_any()
        return super().get_context_data(**kwargs) | {"farm_name": ours.name if ours is not None else "A new farm"}


PAGES: list[URLPattern] = [
    path("sign-in/", SignIn.as_view(), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
]
