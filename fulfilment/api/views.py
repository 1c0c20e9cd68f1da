"""What every endpoint shares: who may ask, how bodies are read and problems told."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any, ClassVar

from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.views import APIView

from fulfilment.api import problems, seen
from fulfilment.api.bodies import Json, MergePatch
from fulfilment.api.keys import BearerKeys, Scoped
from fulfilment.api.rendering import Answers
from fulfilment.api.throttles import PerKey
from fulfilment.core.problems import Missing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from rest_framework.authentication import BaseAuthentication
    from rest_framework.permissions import BasePermission
    from rest_framework.renderers import BaseRenderer
    from rest_framework.request import Request
    from rest_framework.response import Response
    from rest_framework.throttling import BaseThrottle


class JsonOnly(BaseContentNegotiation):
    """There is one form of answer, so ``Accept`` chooses nothing (RFC 9110 lets a server say so)."""

    def select_parser(self, request: Request, parsers: Iterable[Any]) -> Any:
        packed = request.headers.get("Content-Encoding", "identity").strip().lower()
        if packed not in ("", "identity"):
            # Unpacked it could be of any size (RFC 9110, section 8.4.1: 415 where a coding is not taken).
            raise UnsupportedMediaType(packed[:40], f"This body is packed ({packed[:40]!r}): send it as it is.")
        kind = (request.content_type or "").partition(";")[0].strip().lower()
        takes = [parser for parser in parsers if _takes(parser, request)]
        found = next((parser for parser in takes if parser.media_type == kind), None)
        if found is None:
            kinds = " or ".join(parser.media_type for parser in takes)
            raise UnsupportedMediaType(kind[:40], f"A body of the kind {kind[:40]!r} is not read here: send {kinds}.")
        return found

    def select_renderer(
        self, request: Request, renderers: Iterable[BaseRenderer], format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        renderer = next(iter(renderers))
        return renderer, renderer.media_type or ""


def _takes(parser: Any, request: Request) -> bool:
    """A merge patch is for a change only."""
    return bool(parser.media_type != MergePatch.media_type or request.method == "PATCH")


class Endpoint(APIView):
    """One address.  ``scopes`` names, for each method it has, whom it takes."""

    scopes: ClassVar[Mapping[str, frozenset[str]]] = {}
    authentication_classes: Sequence[type[BaseAuthentication]] = (BearerKeys,)
    permission_classes: Sequence[type[BasePermission]] = (Scoped,)
    throttle_classes: Sequence[type[BaseThrottle]] = (PerKey,)
    parser_classes = (Json, MergePatch)
    renderer_classes = (Answers,)
    content_negotiation_class = JsonOnly

    def get_exception_handler(self) -> Callable[[Exception, Mapping[str, Any]], Response | None]:
        return problems.answer

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        # PostgreSQL takes no NUL, not even to look for; nothing is called so.
        if any("\0" in str(value) for value in kwargs.values()):
            raise Missing("There is nothing at this address.")

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        """What is read carries a tag of every byte of it, and is not sent again to who has it (RFC 9110, 304)."""
        ready = super().finalize_response(request, response, *args, **kwargs)
        if request.method in ("GET", "HEAD") and ready.status_code == HTTPStatus.OK:
            return seen.unless_seen(request, ready)
        return ready


class Nowhere(Endpoint):
    """Whatever else is asked for below the API's address."""

    schema = None
    permission_classes = ()
    authentication_classes = ()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        raise Missing("There is nothing at this address.")
