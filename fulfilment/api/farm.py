"""The farm itself and what is expected: its terms, the forecast, events, replans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import pages
from fulfilment.api.actions import Asking, Nothing, action
from fulfilment.api.fields import Day, Id, Instant, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.problems import Missing
from fulfilment.models import ClosedDay, Event, Forecast, Kitchen
from fulfilment.read.farm import calendar, farm, today, weekdays
from fulfilment.read.scope import EVERYBODY, STAFF, visible
from fulfilment.services import jobs

if TYPE_CHECKING:
    from rest_framework.request import Request


class FarmShape(Shape):
    """What holds for every order.  Weekdays are Monday 0 … Sunday 6; the cut-off falls ``cut_off_days`` before."""

    name = Text()
    zone = Text()
    currency = Text()
    delivery_weekdays = serializers.ListField(child=serializers.IntegerField())
    closed_on = serializers.ListField(child=Day(), help_text="Days to come without deliveries, besides holidays.")
    cut_off_days = serializers.IntegerField()
    cut_off_time = Text(help_text="Farm-local, as 12:00.")
    horizon_days = serializers.IntegerField(help_text="How far ahead anything is promised.")
    allergen_wording = Text()
    phone = Text(help_text="Where customers call after the cut-off; may be empty.")


class ForecastRow(Shape):
    """Grams of one strain and grade by day, from ``first_on`` on."""

    strain = Id()
    grade = Text()
    p10 = serializers.ListField(child=serializers.IntegerField())
    p50 = serializers.ListField(child=serializers.IntegerField())
    p90 = serializers.ListField(child=serializers.IntegerField())
    mean = serializers.ListField(child=serializers.FloatField())


class ForecastShape(Shape):
    made_at = Instant()
    first_on = Day()
    days = serializers.IntegerField()
    scenarios = serializers.IntegerField()
    supplies = ForecastRow(many=True)


class EventShape(Shape):
    kind = Text()
    subject = Text()
    at = Instant()
    by = Text()
    data = serializers.DictField()  # type: ignore[assignment]  # a declared field is no attribute of the class


class DeliveryDay(Shape):
    """A day that can still be ordered for, and until when."""

    on = Day()
    cut_off_at = Instant()


class Asked(Shape):
    asked = serializers.BooleanField()


DAYS = inline_serializer("DeliveryDays", {"items": DeliveryDay(many=True)})
EVENTS = inline_serializer("Events", {"items": EventShape(many=True), "next": serializers.URLField(allow_null=True)})


class OneFarm(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="farm_read", responses=FarmShape)
    def get(self, request: Request) -> Response:
        """The farm's terms."""
        pages.known(request)
        here = farm()
        closed = ClosedDay.objects.filter(on__gte=today(datetime.now(UTC))).order_by("on")
        return Response(
            {
                "name": here.name,
                "zone": here.zone,
                "currency": here.currency,
                "delivery_weekdays": here.delivery_weekdays,
                "closed_on": list(closed.values_list("on", flat=True)),
                "cut_off_days": here.cut_off_days,
                "cut_off_time": f"{here.cut_off_time:%H:%M}",
                "horizon_days": here.horizon_days,
                "allergen_wording": here.allergen_wording,
                "phone": here.phone,
            }
        )


class DeliveryDays(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="delivery_days_list", responses=DAYS)
    def get(self, request: Request) -> Response:
        """The next ten days that can be ordered for, a kitchen's own for a kitchen's key."""
        pages.known(request)
        own_kitchen = actor_of(request).kitchen_id
        kitchen = Kitchen.objects.get(pk=own_kitchen) if own_kitchen is not None else None
        now, own = datetime.now(UTC), calendar(farm())
        days = own.next_delivery_days(own.farm_day(now) - timedelta(days=1), 20, weekdays=weekdays(kitchen))
        still = [day for day in days if now < own.cut_off_at(day)][:10]
        return Response({"items": [{"on": day, "cut_off_at": own.cut_off_at(day)} for day in still]})


class CurrentForecast(Endpoint):
    scopes = {"GET": STAFF}

    @extend_schema(operation_id="forecasts_current", responses=ForecastShape)
    def get(self, request: Request) -> Response:
        """What is expected of each strain and grade, by day, as the newest forecast has it."""
        pages.known(request)
        made = Forecast.objects.order_by("-pk").first()
        if made is None:
            raise Missing("There is no forecast yet: the first night makes one.")
        return Response(
            {
                "made_at": made.made_at,
                "first_on": made.first_on,
                "days": made.days,
                "scenarios": made.scenarios,
                "supplies": [
                    {
                        "strain": row.strain.public_id,
                        "grade": row.grade,
                        "p10": row.p10,
                        "p50": row.p50,
                        "p90": row.p90,
                        "mean": row.mean,
                    }
                    for row in made.supplies.select_related("strain").order_by("strain_id", "grade")
                ],
            }
        )


class Events(Endpoint):
    scopes = {"GET": EVERYBODY}

    @extend_schema(operation_id="events_list", parameters=pages.PARAMETERS, responses=EVENTS)
    def get(self, request: Request) -> Response:
        """What happened, newest first; a kitchen sees what concerns itself, the shop what concerns buyers."""
        pages.known(request, "subject")
        actor = actor_of(request)
        events = visible(Event, actor)
        subject = request.query_params.get("subject")
        return pages.page(
            request,
            events if subject is None else events.filter(subject=subject),
            show=lambda found: _show_events(found, staff=actor.may(STAFF)),
        )


@action("replans_ask", scopes=frozenset({"office", "grower"}), shape=Nothing, answer=Asked, status=202)
def replan(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Ask for a new forecast and plan; a worker makes it within moments."""
    jobs.add("replan", due_at=who.now)
    return {"asked": True}


def _show_events(found: Sequence[Event], *, staff: bool) -> list[dict[str, Any]]:
    """Staff's reasons are staff's own words to each other; customers are not shown them."""
    return [
        {
            "kind": each.kind,
            "subject": each.subject,
            "at": each.at,
            "by": each.by,
            "data": {name: value for name, value in each.data.items() if staff or name != "because"},
        }
        for each in found
    ]
