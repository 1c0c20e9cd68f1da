"""What there is to pack: the lists of today, those still open and the next ones, and what is on its way."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Final

from django.db.models import Exists, OuterRef, Q, Sum

from fulfilment.models import Kitchen, Line, Pick, PickList, PickRow, Shipment, Way
from fulfilment.read.farm import calendar, farm
from fulfilment.read.packing.standing import COMING, DONE, SHORT, standings

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.db.models import QuerySet

    from fulfilment.models import Order

OPEN: Final = (Shipment.State.PLACED, Shipment.State.PACKED)
MOST_OUT: Final = 200
"""So many deliveries on their way are shown, the oldest first."""


@dataclass(frozen=True, slots=True)
class ListFacts:
    """One pick list.  ``state`` is a word: to pick, begun, packed, short, left, handed over, empty."""

    public_id: str
    on: date
    way: str
    name: str
    stops: int
    rows: int
    done: int
    short: int
    coming: int
    state: str
    closed_at: datetime | None

    @property
    def over(self) -> bool:
        return self.state in ("left", "handed over", "empty")


@dataclass(frozen=True, slots=True)
class ShipmentFacts:
    """A shipment on its way, or ready to be handed over; ``note`` is its delivery note's number."""

    shipment: str
    name: str
    town: str
    on: date
    way: str
    state: str
    round_name: str
    sent_at: datetime | None
    note: int | None
    carrier: str


@dataclass(frozen=True, slots=True)
class CratesFacts:
    """A kitchen that has crates of the farm's."""

    kitchen: str
    name: str
    crates: int


@dataclass(frozen=True, slots=True)
class Overview:
    today: tuple[ListFacts, ...]
    open: tuple[ListFacts, ...]
    """Of days before today, not all gone yet."""
    coming: tuple[ListFacts, ...]
    days_without: tuple[date, ...]
    """Days past their cut-off with something promised and on no list."""
    parcels: tuple[ShipmentFacts, ...]
    collections: tuple[ShipmentFacts, ...]
    out: tuple[ShipmentFacts, ...]
    with_carrier: tuple[ShipmentFacts, ...]
    crates: tuple[CratesFacts, ...]
    next_lists: tuple[date, datetime] | None = None
    """Where no list waits: the next day of delivery, and when its lists are made."""


def overview(*, today: date, now: datetime) -> Overview:
    """The whole page in a fixed number of statements."""
    lists = _lists(today)
    ready, out = _ready(today), _out()
    return Overview(
        today=tuple(each for each in lists if each.on == today),
        open=tuple(each for each in lists if each.on < today),
        coming=tuple(each for each in lists if each.on > today),
        days_without=_days_without(today=today, now=now),
        parcels=tuple(each for each in ready if each.way == Way.CARRIER),
        collections=tuple(each for each in ready if each.way == Way.COLLECTED),
        out=tuple(each for each in out if each.way == Way.ROUND),
        with_carrier=tuple(each for each in out if each.way == Way.CARRIER),
        crates=crates_out(),
        next_lists=None if lists else _next_lists(now),
    )


def _next_lists(now: datetime) -> tuple[date, datetime] | None:
    days = calendar(farm())
    day = days.next_open_day(now)
    return (day, days.cut_off_at(day)) if day is not None else None


def crates_out() -> tuple[CratesFacts, ...]:
    """Kitchens with crates of the farm's, by name."""
    found = Kitchen.objects.exclude(crates_out=0).order_by("name", "pk")
    return tuple(CratesFacts(each.public_id, each.name, each.crates_out) for each in found)


def kitchens() -> tuple[tuple[str, str], ...]:
    """Every kitchen as (id, name), by name."""
    return tuple(Kitchen.objects.order_by("name", "pk").values_list("public_id", "name"))


def _lists(today: date) -> list[ListFacts]:
    waiting = PickRow.objects.filter(pick_list=OuterRef("pk"), line__shipment__state__in=OPEN)
    lists = list(
        PickList.objects.filter(Q(on__gte=today) | Q(Exists(waiting), round__closed_at__isnull=True)).select_related(
            "round"
        )
    )
    rows = list(
        PickRow.objects.filter(pick_list__in=lists, line__cancelled_at__isnull=True)
        .exclude(line__shipment__state=Shipment.State.CANCELLED)
        .order_by("position", "pk")
        .values_list(
            "pick_list", "line", "lot__public_id", "amount", "line__shipment", "line__shipment__state",
            "line__shipment__kitchen__tolerance_pct", "line__product__grade",
        )
    )  # fmt: skip
    picked: dict[int, dict[str, int]] = defaultdict(dict)
    for line, lot, total in (
        Pick.objects.filter(line__in={row[1] for row in rows})
        .values_list("line", "lot__public_id")
        .order_by()
        .annotate(total=Sum("amount"))
    ):
        picked[line][lot] = total
    by_list: dict[int, dict[int, list[tuple[str, int]]]] = defaultdict(lambda: defaultdict(list))
    tolerance: dict[int, int] = {}
    states: dict[int, dict[int, str]] = defaultdict(dict)
    for pick_list, line, lot, amount, shipment, state, pct, grade in rows:
        by_list[pick_list][line].append((lot or "", amount))
        tolerance[line] = 0 if grade == "kit" else pct or 0
        states[pick_list][shipment] = state
    return [
        _list_facts(
            each,
            [
                standing.state
                for line, own in by_list[each.pk].items()
                for standing in standings(own, picked[line], tolerance_pct=tolerance[line])
            ],
            states[each.pk],
        )
        for each in sorted(lists, key=_order)
    ]


def _order(each: PickList) -> tuple[date, bool, str]:
    return each.on, each.round is None, each.round.name if each.round else each.way


def _list_facts(of: PickList, states: list[str], shipments: dict[int, str]) -> ListFacts:
    done = sum(state in DONE for state in states)
    short = states.count(SHORT)
    gone = bool(shipments) and not any(state in OPEN for state in shipments.values())
    closed = of.round is not None and of.round.closed_at is not None
    if closed:
        state = "left"
    elif gone:
        state = "handed over"
    elif not states:
        state = "empty"
    elif done == len(states):
        state = "short" if short else "packed"
    else:
        state = "begun" if done else "to pick"
    return ListFacts(
        public_id=of.public_id,
        on=of.on,
        way=of.way,
        name=list_name(of),
        stops=len(shipments),
        rows=len(states),
        done=done,
        short=short,
        coming=states.count(COMING),
        state=state,
        closed_at=of.round.closed_at if of.round else None,
    )


def list_name(of: PickList) -> str:
    """``Town``, ``Parcels``, ``Collected``: what people call a list."""
    if of.round is not None:
        return of.round.name
    return "Parcels" if of.way == Way.CARRIER else "Collected here"


def _days_without(*, today: date, now: datetime) -> tuple[date, ...]:
    listed = PickRow.objects.filter(line__shipment=OuterRef("pk"))
    promised = Line.objects.filter(shipment=OuterRef("pk"), cancelled_at__isnull=True, promised__gt=0)
    days = (
        Shipment.objects.filter(~Exists(listed), Exists(promised), on__gte=today, cut_off_at__lte=now, state="placed")
        .order_by("on")
        .values_list("on", flat=True)
        .distinct()
    )
    return tuple(days)


def _ready(today: date) -> list[ShipmentFacts]:
    """Parcels and collections of today and before, as far as anything is picked for them."""
    picked = Line.objects.filter(shipment=OuterRef("pk"), cancelled_at__isnull=True, picked__gt=0)
    found = Shipment.objects.filter(Exists(picked), on__lte=today, state__in=OPEN, way__in=[Way.CARRIER, Way.COLLECTED])
    return [_shipment(each) for each in _with_facts(found)]


def _out() -> list[ShipmentFacts]:
    found = Shipment.objects.filter(state=Shipment.State.SENT)
    return [_shipment(each) for each in _with_facts(found)[:MOST_OUT]]


def _with_facts(found: QuerySet[Shipment]) -> QuerySet[Shipment]:
    return found.select_related("address", "stop__round", "delivery_note", "parcel").order_by(
        "on", "stop__position", "pk"
    )


def _shipment(each: Shipment) -> ShipmentFacts:
    stop = getattr(each, "stop", None)
    note = getattr(each, "delivery_note", None)
    parcel = getattr(each, "parcel", None)
    return ShipmentFacts(
        shipment=each.public_id,
        name=each.address.name,
        town=each.address.town,
        on=each.on,
        way=each.way,
        state=each.state,
        round_name=stop.round.name if stop is not None else "",
        sent_at=each.sent_at,
        note=note.number if note is not None else None,
        carrier=parcel.carrier if parcel is not None else "",
    )


def told(instructions: str, orders: Iterable[Order]) -> str:
    """What the packer should know: of the address, and of these orders."""
    return " · ".join(dict.fromkeys(filter(None, [instructions, *(order.note for order in orders)])))
