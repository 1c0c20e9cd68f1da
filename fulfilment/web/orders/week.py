"""The week's orders by delivery day."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.urls import path

from fulfilment.core.problems import Invalid
from fulfilment.read.farm import farm
from fulfilment.read.orders import week as weeks
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.showing import show

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.read.scope import Actor


@staff(PACKING)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """The week that ``?week=2026-11-23`` lies in, or the present one."""
    farm()
    today = today_of(now)
    found = weeks.week(_asked(request.GET.get("week", ""), today=today), now=now)
    return show(
        request, actor, "pages/orders/week.html", here="orders", week=found, today=today,
        before=found.first - timedelta(days=7), after=found.last + timedelta(days=1),
        this_week=found.first <= today <= found.last,
    )  # fmt: skip


def _asked(text: str, *, today: date) -> date:
    if not text:
        return today
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Invalid("This is no date: write it as 2026-05-04.", code="no_date", where="week") from None
    if not 2000 <= day.year <= 2199:
        raise Invalid(f"There are no orders in the year {day.year}.", code="out_of_range", where="week")
    return day


PAGES: list[URLPattern] = [path("orders/", page, name="orders")]
