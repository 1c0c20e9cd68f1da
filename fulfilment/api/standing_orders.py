"""``/standing-orders``: begun, read with the dates to come, changed for a date, paused, ended."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.utils import extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.response import Response

from fulfilment.api import etags, pages
from fulfilment.api.actions import Asking, Made, action, made
from fulfilment.api.fields import Changed, Day, Id, Instant, Shape, Text, read
from fulfilment.api.keys import actor_of
from fulfilment.api.once import PARAMETER, once
from fulfilment.api.orders import MOST_ADDRESSES, LineAsked, address_of, customer_of, lines_of, office_only
from fulfilment.api.views import Endpoint
from fulfilment.core.calendar import FarmCalendar, check_rule, describe
from fulfilment.core.problems import Invalid
from fulfilment.models import Kitchen, StandingOrder
from fulfilment.read import dates
from fulfilment.read.dates import Fate
from fulfilment.read.farm import calendar, farm, today
from fulfilment.read.scope import visible
from fulfilment.services import ordering, rows, standing

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request

    from fulfilment.read.scope import Actor

WHO = frozenset({"office", "kitchen"})
DATES_SHOWN = timedelta(days=60)
DATES_PREVIEWED: Final = timedelta(weeks=8)
LONGEST_PREVIEW: Final = timedelta(days=366)
ON_CLOSED: Final = ("left_out", "earlier", "later")
WAYS: Final = ("round", "carrier", "collected")


class StandingAsked(Shape):
    """``rule`` is an RFC 5545 recurrence in days, such as ``FREQ=WEEKLY;BYDAY=TU,FR``.  ``on_closed`` says what becomes
    of a date without deliveries: it is left out, or goes to the nearest delivery day earlier or later within a week.
    """

    kitchen = Id(required=False)
    rule = Text(max_length=500)
    starts_on = Day()
    ends_on = Day(required=False, allow_null=True)
    on_closed = serializers.ChoiceField(choices=ON_CLOSED, required=False, default="left_out")
    way = serializers.ChoiceField(choices=WAYS, required=False, default="round")
    address = serializers.IntegerField(required=False, min_value=1, max_value=MOST_ADDRESSES)
    lines = LineAsked(many=True, allow_empty=False)


class PreviewAsked(Shape):
    """A rule to be looked at; ``until`` is a year from its start at most, eight weeks unless said."""

    kitchen = Id(required=False)
    rule = Text(max_length=500)
    starts_on = Day()
    ends_on = Day(required=False, allow_null=True)
    on_closed = serializers.ChoiceField(choices=ON_CLOSED, required=False, default="left_out")
    until = Day(required=False)


class StandingChanged(Changed):
    """What is left out stays as it is.  ``lines`` is the whole list, from ``from_on`` on (or from the first date that
    can still be changed); orders made already follow.  ``ends_on`` null: it goes on.
    """

    lines = LineAsked(many=True, allow_empty=False, required=False)
    from_on = Day(required=False, allow_null=True)
    ends_on = Day(required=False, allow_null=True)
    on_closed = serializers.ChoiceField(choices=ON_CLOSED, required=False)
    way = serializers.ChoiceField(choices=WAYS, required=False)
    address = serializers.IntegerField(required=False, min_value=1, max_value=MOST_ADDRESSES)
    because = Text(required=False, default="", allow_null=True, allow_blank=True, max_length=200)


class ChangeAsked(Shape):
    """``skip``, ``amounts`` and ``as_usual`` are of one date (``on``), ``pause`` is ``on`` to ``last_on``, ``resume``
    is from ``on``; ``take_back`` names the ``change`` that is to be as if nobody had made it.
    """

    kind = serializers.ChoiceField(choices=["skip", "amounts", "pause", "resume", "as_usual", "take_back"])
    on = Day(required=False)
    last_on = Day(required=False)
    amounts = serializers.DictField(child=serializers.IntegerField(min_value=0), required=False, default=dict)
    change = Id(required=False)
    because = Text(required=False, default="", allow_blank=True, max_length=200)


class EndAsked(Shape):
    last_on = Day()


class StandingLineShape(Shape):
    """A product on the dates from ``from_on`` (null: from the start) to ``until_on`` (null: to the end)."""

    product = Id()
    name = Text()
    amount = serializers.IntegerField()
    at_least = serializers.IntegerField()
    from_on = Day(allow_null=True)
    until_on = Day(allow_null=True)


class ChangeShape(Shape):
    """A change that holds and is not past."""

    id = Id()
    kind = serializers.ChoiceField(choices=["skip", "amounts", "pause", "as_usual"])
    on = Day()
    last_on = Day()
    amounts = serializers.DictField(child=serializers.IntegerField())


class StandingShape(Shape):
    """``dates`` are the rule's in the coming sixty days, whatever was changed (``/dates`` says what each comes to);
    ``orders`` those made already.
    """

    id = Id()
    kitchen = Id()
    rule = Text()
    words = Text()
    starts_on = Day()
    ends_on = Day(allow_null=True)
    on_closed = serializers.ChoiceField(choices=ON_CLOSED)
    way = Text()
    lines = StandingLineShape(many=True)
    changes = ChangeShape(many=True)
    dates = serializers.ListField(child=Day())
    orders = serializers.ListField(child=Id())


class DateLine(Shape):
    product = Id()
    amount = serializers.IntegerField()


class DateShape(Shape):
    """A date of the rule: ``what`` it comes to, the day on which that is delivered (another one where the date is
    closed; null where nothing comes), until when it can be changed, and a sentence where it is not as usual.
    """

    on = Day()
    what = serializers.ChoiceField(choices=["usual", "other_amounts", "skipped", "paused", "no_delivery"])
    delivered_on = Day(allow_null=True)
    cut_off_at = Instant(allow_null=True)
    says = Text()


class MadeDate(DateShape):
    """The same with its lines, the change that holds for it, and its order where there is one already."""

    lines = DateLine(many=True)
    change = Id(allow_null=True)
    order = Id(allow_null=True)


STANDING = inline_serializer(
    "StandingOrders", {"items": StandingShape(many=True), "next": serializers.URLField(allow_null=True)}
)
DATES = inline_serializer("StandingOrderDates", {"items": MadeDate(many=True)})
PREVIEW = inline_serializer("StandingOrderPreview", {"rule": Text(), "words": Text(), "dates": DateShape(many=True)})
UNTIL = pages.day_named("until", "The last date, eight weeks ahead unless said, and at most a year.")


class StandingOrders(Endpoint):
    scopes = {"GET": WHO, "POST": WHO}

    @extend_schema(operation_id="standing_orders_list", parameters=pages.PARAMETERS, responses=STANDING)
    def get(self, request: Request) -> Response:
        """Standing orders, newest first."""
        pages.known(request)
        return pages.page(request, _standing(actor_of(request)), show=show)

    @extend_schema(
        operation_id="standing_orders_begin",
        parameters=[PARAMETER],
        request=StandingAsked,
        responses={201: StandingShape},
    )
    @once
    def post(self, request: Request, *, now: datetime) -> Response:
        """Begin a standing order; its dates in the coming weeks become orders at once."""
        asked = read(StandingAsked, request.data)
        actor = actor_of(request)
        kitchen, _ = customer_of(asked, actor)
        begun = standing.begin(
            kitchen, lines=lines_of(asked), rule=asked["rule"], starts_on=asked["starts_on"],
            ends_on=asked.get("ends_on"), on_closed=asked["on_closed"], way=asked["way"],
            address=address_of(asked, kitchen=kitchen, buyer=""), by=actor.name, now=now,
        )  # fmt: skip
        return Response(show([rows.find_in(_standing(actor), begun.public_id)])[0], status=201)


class StandingOrderPreviews(Endpoint):
    scopes = {"POST": WHO}

    @extend_schema(operation_id="standing_orders_preview", request=PreviewAsked, responses=PREVIEW)
    def post(self, request: Request) -> Response:
        """The dates that a rule would give, and what becomes of those without deliveries; nothing is kept."""
        asked = read(PreviewAsked, request.data)
        kitchen, _ = customer_of(asked, actor_of(request))
        now, first = datetime.now(UTC), asked["starts_on"]
        ordering.check_ahead(first, today=today(now), where="starts_on")
        normal = check_rule(asked["rule"], starts_on=first, where="rule")
        looked = StandingOrder(
            kitchen=rows.find(Kitchen, kitchen), rule=normal, starts_on=first, ends_on=asked.get("ends_on"),
            on_closed=asked["on_closed"],
        )  # fmt: skip
        own = calendar(farm())
        last = _until(asked.get("until"), first=first, where="until")
        found = dates.fates_of(looked, (), own, first=first, last=last)
        return Response(
            {"rule": normal, "words": describe(normal), "dates": [_date(fate, own.cut_off_at) for fate in found]}
        )


class OneStandingOrder(Endpoint):
    scopes = {"GET": WHO, "PATCH": WHO}

    @extend_schema(operation_id="standing_orders_read", responses=StandingShape)
    def get(self, request: Request, code: str) -> Response:
        """One standing order with its dates to come."""
        pages.known(request)
        found = rows.find_in(_standing(actor_of(request)), code)
        return Response(show([found])[0], headers={"ETag": etags.tag(found)})

    @extend_schema(
        operation_id="standing_orders_amend", parameters=[etags.PARAMETER], request=StandingChanged, responses=Made
    )
    def patch(self, request: Request, code: str) -> Response:
        """Other lines from a day on, another end, another way, address or rule for closed dates."""
        asked = read(StandingChanged, request.data)
        if asked["because"]:
            office_only(actor_of(request))
        return etags.change(request, StandingOrder, code, lambda own, who: _amend(own, asked, who))


class Dates(Endpoint):
    scopes = {"GET": WHO}

    @extend_schema(operation_id="standing_orders_dates", parameters=[UNTIL], responses=DATES)
    def get(self, request: Request, code: str) -> Response:
        """The coming dates and what each comes to: as usual, other amounts, skipped, paused, moved or left out."""
        pages.known(request, UNTIL.name)
        found = rows.find_in(_standing(actor_of(request)), code)
        first = today(datetime.now(UTC))
        last = _until(pages.day(request, UNTIL.name), first=first, where=UNTIL.name)
        own = calendar(farm())
        orders = {order.standing_on: order.public_id for order in found.orders.all() if order.cancelled_at is None}
        return Response(
            {
                "items": [
                    _made_date(found, fate, orders, own) for fate in dates.fates(found, own, first=first, last=last)
                ]
            }
        )


@action("standing_orders_change", scopes=WHO, shape=ChangeAsked)
def change(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """Skip a date, order other amounts on it, pause, resume, or take a change back."""
    if asked["because"]:
        office_only(who.actor)
    order, signed = who.own(StandingOrder), who.signed | {"because": asked["because"]}
    if asked["kind"] == "take_back":
        return made(standing.take_back(order, _needed(asked, "change"), **signed))
    on = _needed(asked, "on")
    match asked["kind"]:
        case "skip":
            return made(standing.skip(order, on=on, **signed))
        case "pause":
            return made(standing.pause(order, first=on, last=asked.get("last_on", on), **signed))
        case "resume":
            return made(standing.resume(order, on=on, **signed))
        case "amounts":
            return made(standing.change(order, on=on, amounts=asked["amounts"], **signed))
        case _:
            return made(standing.as_usual(order, on=on, **signed))


@action("standing_orders_end", scopes=WHO, shape=EndAsked, answer=Made, status=200)
def end(asked: Mapping[str, Any], who: Asking) -> Mapping[str, Any]:
    """The last date it delivers; orders made for later dates are cancelled."""
    return made(standing.end(who.own(StandingOrder), last_on=asked["last_on"], **who.signed))


def _needed(asked: Mapping[str, Any], name: str) -> Any:
    if asked.get(name) is None:
        raise Invalid(f"A change of the kind {asked['kind']} needs the field {name}.", code="missing", where=name)
    return asked[name]


def _amend(own: str, asked: Mapping[str, Any], who: Asking) -> StandingOrder:
    signed = who.signed
    terms = {name: asked[name] for name in ("on_closed", "way") if name in asked}
    if "address" in asked:
        kitchen = rows.find(StandingOrder, own).kitchen.public_id
        terms["address"] = address_of(asked, kitchen=kitchen, buyer="")
    if terms:
        standing.change_terms(own, **terms, **signed)
    if "ends_on" in asked:
        standing.end(own, last_on=asked["ends_on"], because=asked["because"], **signed)
    if "lines" in asked:
        standing.set_lines(own, lines_of(asked), from_on=asked.get("from_on"), because=asked["because"], **signed)
    elif asked.get("from_on") is not None:
        raise Invalid("Say which lines hold from that day.", code="missing", where="lines")
    return rows.find(StandingOrder, own)


def _until(asked: date | None, *, first: date, where: str) -> date:
    last = asked if asked is not None else first + DATES_PREVIEWED
    if last < first:
        raise Invalid("This span ends before it begins.", code="ends_before_start", where=where)
    return min(last, first + LONGEST_PREVIEW)


def _date(fate: Fate, cut_off_at: Callable[[date], datetime]) -> dict[str, Any]:
    return {
        "on": fate.on,
        "what": fate.what,
        "delivered_on": fate.delivered_on,
        "cut_off_at": cut_off_at(fate.delivered_on) if fate.delivered_on is not None else None,
        "says": fate.why,
    }


def _made_date(
    found: StandingOrder, fate: Fate, orders: Mapping[date | None, str], own: FarmCalendar
) -> dict[str, Any]:
    other = fate.change.amounts if fate.change is not None and fate.what == "other_amounts" else {}
    lines = [
        {"product": line.product.public_id, "amount": other.get(line.product.public_id, line.amount)}
        for line in dates.usual(found.lines.all(), fate.on)
        if line.product.active
    ]
    return {
        **_date(fate, own.cut_off_at),
        "lines": [line for line in lines if line["amount"]] if fate.delivered_on is not None else [],
        "change": fate.change.public_id if fate.change is not None else None,
        "order": orders.get(fate.on),
    }


def _standing(actor: Actor) -> QuerySet[StandingOrder]:
    return dates.with_dates(visible(StandingOrder, actor)).prefetch_related("orders")


def show(found: Sequence[StandingOrder]) -> list[dict[str, Any]]:
    """Standing orders whose lines, changes and orders are already read."""
    if not found:
        return []
    first = today(datetime.now(UTC))
    last = first + timedelta(days=max(DATES_SHOWN.days, farm().roll_days))
    return [
        {
            "id": each.public_id,
            "kitchen": each.kitchen.public_id,
            "rule": each.rule,
            "words": describe(each.rule),
            "starts_on": each.starts_on,
            "ends_on": each.ends_on,
            "on_closed": each.on_closed,
            "way": each.way,
            "lines": [
                {
                    "product": line.product.public_id,
                    "name": line.product.name,
                    "amount": line.amount,
                    "at_least": line.at_least,
                    "from_on": line.first_on,
                    "until_on": line.last_on,
                }
                for line in each.lines.all()
                if line.last_on is None or line.last_on >= first
            ],
            "changes": [
                {
                    "id": change.public_id,
                    "kind": change.kind,
                    "on": change.first_on,
                    "last_on": change.last_on,
                    "amounts": change.amounts,
                }
                for change in dates.not_taken_back(each.changes.all())
                if change.last_on >= first
            ],
            "dates": dates.coming(each, first=first, last=last),
            "orders": [
                order.public_id for order in sorted(each.orders.all(), key=lambda order: order.on) if order.on >= first
            ],
        }
        for each in found
    ]
