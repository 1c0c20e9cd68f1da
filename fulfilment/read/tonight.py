"""What last night found, in the figures of one printed table: the coming week by strain, who is short and why,
papers, mails.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db.models import Count, Q
from numpy.typing import NDArray

from fulfilment.core.allocation import Code
from fulfilment.core.calendar import in_words
from fulfilment.core.forecast import unpack
from fulfilment.core.units import KIT
from fulfilment.models import (
    Batch,
    CareMail,
    Crop,
    Forecast,
    Line,
    Lot,
    Mail,
    Night,
    PickList,
    Round,
    Shipment,
    Strain,
    Supply,
    Way,
)

WEEK: Final = 7


@dataclass(frozen=True, slots=True)
class StrainWeek:
    """One strain's fresh mushrooms over the coming week, in grams; ``coming`` is P10, P50 and P90 of its sum."""

    strain: str
    on_hand: int
    coming: tuple[int, int, int]
    ordered: int
    promised: int
    allocated: int


@dataclass(frozen=True, slots=True)
class KitWeek:
    """All kits to go out in the coming week, in pieces."""

    in_store: int
    ordered: int
    promised: int
    allocated: int


@dataclass(frozen=True, slots=True)
class Short:
    """One line of the coming week that does not get all it ordered, with the reason as staff read it."""

    line: str
    customer: str
    on: date
    product: str
    ordered: int
    gets: int
    is_kit: bool
    why: str


@dataclass(frozen=True, slots=True)
class Papers:
    pick_lists: int
    rounds: int
    stops: int
    parcels: int
    collected: int


@dataclass(frozen=True, slots=True)
class Mails:
    sent: int
    waiting: int
    care_due: int
    """Care mails whose time comes within the week."""
    failed: int


@dataclass(frozen=True, slots=True)
class Tonight:
    first: date
    last: date
    scenarios: int
    bags_alive: int
    strains: tuple[StrainWeek, ...]
    kits: KitWeek
    short: tuple[Short, ...]
    papers: Papers
    mails: Mails
    steps: tuple[tuple[str, float], ...]
    """The night's steps with the seconds each took."""


def tonight(today: date, *, now: datetime) -> Tonight:
    """The figures as they stand; ``today`` is the farm's day."""
    last = today + timedelta(days=WEEK - 1)
    made = Forecast.objects.order_by("-pk").first()
    lines = _lines(today, last)
    return Tonight(
        first=today,
        last=last,
        scenarios=made.scenarios if made is not None else 0,
        bags_alive=_bags_alive(),
        strains=_strains(lines, made, today=today),
        kits=_kits(lines),
        short=tuple(_short(line) for line in lines if _is_short(line)),
        papers=_papers(today, last),
        mails=_mails(now),
        steps=_steps(today),
    )


def coming_short(today: date) -> tuple[Short, ...]:
    """The lines of the coming week that do not get all they ordered."""
    lines = _lines(today, today + timedelta(days=WEEK - 1))
    return tuple(_short(line) for line in lines if _is_short(line))


def why(account: Mapping[str, object], *, is_kit: bool = False) -> str:
    """A line's account as a sentence for staff; empty where it gets all it ordered."""
    reason = _reason(account, is_kit=is_kit)
    if reason and account.get("code") in _SHARING and (back := account.get("kept_back")):
        reason += f" {back} g more are expected and kept back for promises until they are picked."
    if reason and (over := account.get("part_pack")):
        reason += f" Its last pack holds {over} g."
    if reason and isinstance(full_on := account.get("full_on"), str):
        reason += f" All of it can be had on {in_words(date.fromisoformat(full_on))}."
    return reason


_SHARING: Final = frozenset({Code.NOTHING_LEFT, Code.MINIMUM_NOT_REACHED, Code.SHORT_PROMISED_ONLY, Code.SHORT_SHARED})
"""Codes of lines that could have used what is kept back."""


def _reason(account: Mapping[str, object], *, is_kit: bool) -> str:
    unit = "kits" if is_kit else "g"
    there, before = account.get("there", 0), account.get("promised_before", 0)
    rule = str(account.get("rule") or "").replace("_", " ") or "the farm's rule"
    promised = account.get("promised", 0)
    match account.get("code"):
        case Code.NOTHING_THERE:
            return "Nothing that it accepts is in store or expected in time."
        case Code.NOTHING_LEFT:
            open_ = _whole(there) - _whole(account.get("kept_back"))
            return f"Of {open_} {unit} in its window earlier promises and better tiers leave less than one pack."
        case Code.MINIMUM_NOT_REACHED:
            return "Less than the least it takes could be had, so nothing is sent."
        case Code.PROMISE_SHORT if _whole(there) - _whole(before) >= _whole(promised):
            return (
                f"Of what was promised it less comes than the {promised} {unit}; what else it takes, of {there} {unit} "
                "in its window in all, is shared."
            )
        case Code.PROMISE_SHORT:
            return (
                f"Of {there} {unit} in its window earlier promises take {before}: less is left than its {promised} "
                "promised."
            )
        case Code.SHORT_PROMISED_ONLY:
            return f"It gets the {promised} {unit} promised; nothing more was left to share."
        case Code.SHORT_SHARED:
            return f"What was left after promises was shared by {rule}; its share is {account.get('share_pct', 0)} %."
        case Code.HELD_BACK:
            return "What was meant for it is held, past its date or used up."
        case Code.FROZEN:
            return "Its cut-off is past: the amount planned then stands."
        case Code.NOTHING_ACCEPTED:
            return "It names nothing that the farm has."
        case Code.FULL | Code.NOTHING_ORDERED:
            return ""
    return "It was placed after the last plan."


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


# ---- Parts ----------------------------------------------------------------------------------------------------------


def _lines(first: date, last: date) -> list[Line]:
    return list(
        Line.objects.filter(cancelled_at__isnull=True, shipment__on__gte=first, shipment__on__lte=last)
        .exclude(shipment__state=Shipment.State.CANCELLED)
        .select_related("product__strain", "shipment__kitchen", "shipment__buyer", "order")
        .order_by("shipment__on", "order", "number")
    )


def _bags_alive() -> int:
    """Bags that hang in the dark or the light, lost, sealed and finished ones left out."""
    dark = sum(batch.bags_left for batch in Batch.objects.all())
    return dark + sum(crop.bags_alive for crop in Crop.objects.filter(finished_on__isnull=True))


def _strains(lines: Collection[Line], made: Forecast | None, *, today: date) -> tuple[StrainWeek, ...]:
    coming = _coming(made, today=today)
    store: dict[int, int] = defaultdict(int)
    for strain_id, grams in Lot.objects.filter(kind=Lot.Kind.FRESH, quantity__gt=0, best_before__gte=today).values_list(
        "strain", "quantity"
    ):
        store[strain_id] += grams
    found = []
    for strain in Strain.objects.order_by("pk"):
        own = [line for line in lines if line.product.strain_id == strain.pk and not line.product.is_kit]
        week = coming.get(strain.pk)
        p10, p50, p90 = (0, 0, 0) if week is None else np.percentile(week, [10, 50, 90], method="inverted_cdf").tolist()
        found.append(
            StrainWeek(
                strain=strain.name,
                on_hand=store[strain.pk],
                coming=(int(p10), int(p50), int(p90)),
                ordered=sum(line.ordered for line in own),
                promised=sum(line.promised for line in own),
                allocated=sum(line.allocated + line.picked for line in own),
            )
        )
    return tuple(found)


def _coming(made: Forecast | None, *, today: date) -> dict[int, NDArray[np.int64]]:
    """Strain id → the coming week's grams of all its grades, by scenario."""
    found: dict[int, NDArray[np.int64]] = {}
    if made is None:
        return found
    first = max(0, (today - made.first_on).days)
    for row in Supply.objects.filter(forecast=made).exclude(grade=KIT):
        array = unpack(bytes(row.packed), made.scenarios, made.days)[:, first : first + WEEK]
        week = array.sum(axis=1, dtype=np.int64)
        found[row.strain_id] = found[row.strain_id] + week if row.strain_id in found else week
    return found


def _kits(lines: Collection[Line]) -> KitWeek:
    own = [line for line in lines if line.product.is_kit]
    return KitWeek(
        in_store=sum(Lot.objects.filter(kind=Lot.Kind.KITS, quantity__gt=0).values_list("quantity", flat=True)),
        ordered=sum(line.ordered for line in own),
        promised=sum(line.promised for line in own),
        allocated=sum(line.allocated + line.picked for line in own),
    )


def _is_short(line: Line) -> bool:
    return line.shipment.state in ("placed", "packed") and line.allocated + line.picked < line.ordered


def _short(line: Line) -> Short:
    shipment = line.shipment
    customer = shipment.kitchen or shipment.buyer
    return Short(
        line=str(line),
        customer=customer.name if customer is not None else "",
        on=shipment.on,
        product=line.product.name,
        ordered=line.ordered,
        gets=line.allocated + line.picked,
        is_kit=line.product.is_kit,
        why=why(line.account, is_kit=line.product.is_kit),
    )


def _papers(today: date, last: date) -> Papers:
    span = Q(on__gte=today, on__lte=last)
    rounds = Round.objects.filter(span).aggregate(n=Count("pk", distinct=True), stops=Count("stops"))
    ways = dict(
        Shipment.objects.filter(span, state__in=["placed", "packed"])
        .order_by()
        .values_list("way")
        .annotate(n=Count("pk"))
    )
    return Papers(
        pick_lists=PickList.objects.filter(span).count(),
        rounds=rounds["n"],
        stops=rounds["stops"],
        parcels=ways.get(Way.CARRIER, 0),
        collected=ways.get(Way.COLLECTED, 0),
    )


def _mails(now: datetime) -> Mails:
    by_state = dict(Mail.objects.order_by().values_list("state").annotate(n=Count("pk")))
    return Mails(
        sent=by_state.get(Mail.State.SENT, 0),
        waiting=sum(by_state.get(state, 0) for state in (Mail.State.PLANNED, Mail.State.SENDING, Mail.State.UNKNOWN)),
        care_due=CareMail.objects.filter(state=CareMail.State.PLANNED, due_at__lt=now + timedelta(days=WEEK)).count(),
        failed=by_state.get(Mail.State.FAILED, 0),
    )


def _steps(today: date) -> tuple[tuple[str, float], ...]:
    night = Night.objects.filter(on=today).first()
    if night is None:
        return ()
    return tuple((step.step, float(step.figures.get("seconds", 0.0))) for step in night.steps.order_by("pk"))


def kilos(grams: int) -> str:
    """``12.3``, as the printed table has it."""
    return f"{grams / 1000:.1f}"


def day_in_short(day: date) -> str:
    """``Fri 1 May``."""
    weekday, number, month, _ = in_words(day).split(" ")
    return f"{weekday[:3]} {number} {month[:3]}"
