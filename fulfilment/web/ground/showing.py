"""Pages as they are shown: the template, the farm's name above it, the ways that this actor may go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from django.shortcuts import render
from django.urls import reverse

from fulfilment.read.farm import farm_if_any
from fulfilment.read.scope import STAFF
from fulfilment.web.ground.doors import GROWING, OFFICE, PACKING

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse

    from fulfilment.read.scope import Actor


@dataclass(frozen=True, slots=True)
class Way:
    """An entry of the navigation: the name of its address, its word, and who may go there."""

    name: str
    word: str
    scopes: frozenset[str]


WAYS: Final = (
    Way("today", "Today", STAFF),
    Way("rooms", "Rooms", GROWING),
    Way("orders", "Orders", OFFICE | PACKING),
    Way("packing", "Packing", PACKING),
    Way("store", "Store", STAFF),
    Way("coming", "Coming harvest", STAFF),
    Way("kits", "Kits", OFFICE),
    Way("mails", "Mails", OFFICE),
)


def then(request: HttpRequest) -> str:
    """Where somebody who is led through the first steps goes on from a form; empty for everybody else."""
    return reverse("first-steps") if request.GET.get("then") == "first-steps" else ""


def show(
    request: HttpRequest, actor: Actor | None, template: str, *, here: str = "", status: int = 200, **facts: object
) -> HttpResponse:
    """The page at ``here`` (a name of :data:`WAYS`) with its facts."""
    ours = farm_if_any()
    common: dict[str, object] = {
        "farm_name": ours.name if ours is not None else "A new farm",
        "actor": actor,
        "ways": [way for way in WAYS if actor is not None and actor.may(way.scopes)],
        "here": here,
        "office": actor is not None and actor.may(OFFICE),
        "grower": actor is not None and actor.may(GROWING),
        "packer": actor is not None and actor.may(PACKING),
    }
    return render(request, template, common | facts, status=status)
