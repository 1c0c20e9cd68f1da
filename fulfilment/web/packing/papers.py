"""Papers to print from the browser: a pick list, a delivery note."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from django.urls import path

from fulfilment.read.packing import notes
from fulfilment.read.packing import picking as reading
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


@staff(PACKING)
def pick_list(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The list for a clipboard: a block for each stop, boxes to tick, room for weights and initials."""
    of = reading.picking(code, today=today_of(now))
    lots = {row.lot for _, line in of.lines() for row in line.rows if row.lot}
    return show(
        request, actor, "pages/packing/paper.html", here="packing", of=of, printed_at=now,
        allergens=notes.allergens(lots), any_kits=any(line.is_kit for _, line in of.lines()),
        any_fresh=any(not line.is_kit for _, line in of.lines()),
    )  # fmt: skip


@staff(PACKING)
def delivery_note(request: HttpRequest, actor: Actor, *, now: datetime, number: int) -> HttpResponse:
    """What goes with the goods: lots, dates, weights, cautions; no prices."""
    return show(request, actor, "pages/packing/note.html", here="packing", note=notes.note(number))


PAGES: list[URLPattern] = [
    path("packing/notes/<int:number>/", delivery_note, name="delivery-note"),
    path("packing/<str:code>/paper/", pick_list, name="pick-list-paper"),
]
