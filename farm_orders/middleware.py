"""What every answer carries, and what is said while the database is away."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import structlog
from django.db import InterfaceError, OperationalError
from django.http import HttpResponse, JsonResponse
from django.urls import Resolver404, resolve
from django.views import defaults
from django_structlog.middlewares import RequestMiddleware
from prometheus_client import Histogram

if TYPE_CHECKING:
    from collections.abc import Callable

    from django.http import HttpRequest
    from django.http.response import HttpResponseBase

    Answer = Callable[[HttpRequest], HttpResponseBase]

log = structlog.get_logger(__name__)

SECONDS = Histogram("farm_request_seconds", "Requests by route and status.", ["method", "route", "status"])
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
RETRY_AFTER_S = "5"
API = "/api/"
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-src 'self'",
        "frame-ancestors 'none'",
    )
)


def headers(get_response: Answer) -> Answer:
    """No inline script or style, nothing from elsewhere, no device of the reader's but the scanner's camera."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("Permissions-Policy", "camera=(self), geolocation=(), microphone=(), payment=()")
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        return response

    return answer


class Unavailable:
    """A database that is away, or too busy to answer in time, is 503 with Retry-After and never 500."""

    def __init__(self, get_response: Answer) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return try_again(request) if isinstance(error, OperationalError | InterfaceError) else None


def server_error(request: HttpRequest) -> HttpResponseBase:
    """The last answer there is: also for what a middleware met, which no ``process_exception`` is told of."""
    if isinstance(sys.exc_info()[1], OperationalError | InterfaceError):
        return try_again(request)
    if request.path.startswith(API):
        return problem(
            500,
            code="error",
            title="Something broke on the farm's side; nothing was changed.",
            detail="Something broke here and was written down; the same request may be sent again.",
        )
    return defaults.server_error(request)


def problem(status: int, *, code: str, title: str, detail: str) -> HttpResponse:
    """What the API says where the REST framework is not reached (RFC 9457)."""
    body = {"type": f"{API}problems#{code}", "title": title, "status": status, "code": code, "detail": detail}
    return JsonResponse(body, status=status, content_type="application/problem+json")


class Logged(RequestMiddleware):
    """One line a request.  It names the route and not the address, in which a signed link would be somebody's key."""

    @staticmethod
    def format_request(request: HttpRequest) -> str:
        return f"{request.method} {route(request)}"


def method(request: HttpRequest) -> str:
    """One of the usual verbs; what a stranger invents does not become a time series of its own."""
    return request.method if request.method in METHODS else "OTHER"


def route(request: HttpRequest) -> str:
    """The pattern that matches, as the URL conf has it; ``none`` where nothing does."""
    match = request.resolver_match
    if match is None:
        try:
            match = resolve(request.path_info)
        except Resolver404:
            return "none"
    return match.route


def measured(get_response: Answer) -> Answer:
    """Counts and times every request by the route's pattern, since addresses are as many as there are ids."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        started = time.perf_counter()
        response = get_response(request)
        took = time.perf_counter() - started
        SECONDS.labels(method(request), route(request), str(response.status_code)).observe(took)
        return response

    return answer


def try_again(request: HttpRequest) -> HttpResponse:
    log.warning("database_unavailable", route=route(request))
    response: HttpResponse
    if request.path.startswith(API):
        response = problem(
            503,
            code="unavailable",
            title="The database does not answer at the moment; nothing was changed.",
            detail="The database does not answer at the moment; the same request may be sent again.",
        )
    else:
        sentence = "The farm's records cannot be read at the moment. Nothing was changed; please try again."
        response = HttpResponse(sentence, status=503, content_type="text/plain; charset=utf-8")
    response.headers["Retry-After"] = RETRY_AFTER_S
    return response
