"""A forecast is computed outside any transaction and published in one commit with its kit quotas and its re-asking."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import partial

import numpy as np
from django.db import transaction
from django.db.models import F
from numpy.typing import NDArray

from fulfilment.core.forecast import Forecast, by_profile, by_weekday, forecast, pack
from fulfilment.core.growth import CropState, Knowledge
from fulfilment.core.growth.learning import pack as pack_knowledge
from fulfilment.core.promises import Waiting, ask_again
from fulfilment.core.units import KIT, Goods
from fulfilment.core.worth import Worth
from fulfilment.models import Batch, Learned, Line, PromisePart
from fulfilment.models import Book as BookRow
from fulfilment.models import Forecast as ForecastRow
from fulfilment.models import Supply as SupplyRow
from fulfilment.read import growing, supply
from fulfilment.read.farm import farm
from fulfilment.read.terms import asked_pct
from fulfilment.services import events
from fulfilment.services.planning import openings, quotas, worths
from fulfilment.services.promising import Desk, Told, open_all, tell

MEAN_PLACES = 1


def publish(*, today: date, now: datetime, scenarios: int | None = None, learns: bool = False) -> ForecastRow:
    """Forecast what comes from ``today`` on, make it every book's, and ask the open lines again.

    The first of a morning learns from the logs, and so does one that ``learns``; the later ones draw from the same
    learned state and follow the one before, so that only what changed is drawn.
    """
    whose = farm()
    seen = supply.newest_entry()
    known = {} if learns else growing.learned(today)
    states, knowledge = growing.crop_states(today, known=known)
    draw = partial(
        forecast,
        knowledge=knowledge,
        today=today,
        days=whose.horizon_days,
        scenarios=scenarios or whose.scenarios,
        seed=whose.seed,
    )
    at_once = draw(states, since=supply.made_before(today))
    chosen = openings.choose(states, at_once)
    fruiting = chosen.states
    made = draw(fruiting, since=at_once)
    raised = quotas.choose(made, fruiting, today=today)
    if raised:
        fruiting = _set_aside(fruiting, raised)
        made = draw(fruiting, since=made)
    rivals = _rivals(fruiting, knowledge, today=today, days=made.days)
    fresh = worths.weigh(made, chosen.states, knowledge, today=today, seed=whose.seed)
    with transaction.atomic():
        books = {
            Goods(row.strain_id, row.grade): row
            for row in BookRow.objects.select_for_update(no_key=True).order_by("pk")
        }
        _keep_learned(knowledge, known=known, today=today)
        row = _store(made, rivals, books=books, seen=seen, seed=whose.seed, now=now)
        _plan_batches(made, opens_on=chosen.opens_on, extra=raised, fresh=fresh)
        desk = open_all(today=today, kitchens=_open_kitchens(today))
        reask(desk, now=now)
    return row


def _keep_learned(knowledge: Mapping[int, Knowledge], *, known: Mapping[int, Knowledge], today: date) -> None:
    """Keep for the day what was learned just now."""
    for strain_id, each in knowledge.items():
        if known.get(strain_id) is not each:
            Learned.objects.update_or_create(
                strain_id=strain_id, defaults={"on": today, "packed": pack_knowledge(each)}
            )


def reask(desk: Desk, *, now: datetime) -> int:
    """Ask every open line under its ordered amount again, oldest promise first; what now fits becomes a new part.

    Returns how many lines got more.
    """
    lines = list(
        Line.objects.filter(
            cancelled_at__isnull=True,
            promised__lt=F("ordered"),
            shipment__state="placed",
            shipment__frozen_at__isnull=True,
            shipment__on__gte=desk.today,
            shipment__cut_off_at__gt=now,
        ).select_related("product", "order__kitchen", "order__buyer", "shipment", "promise")
    )
    kept: dict[int, list[PromisePart]] = {}
    for part in PromisePart.objects.filter(promise__in=[line.promise_id for line in lines]).order_by("rank", "pk"):
        kept.setdefault(part.promise_id, []).append(part)

    def waiting(line: Line) -> Waiting:
        parts = kept.get(line.promise_id or 0, [])
        question = desk.question(
            line.product,
            kitchen=line.order.kitchen,
            on=line.shipment.on,
            wanted=line.ordered - line.promised,
            at_least=line.at_least if line.promised == 0 else 0,
            keeps_until=line.order.start_on,
            later=False,
        )
        return Waiting(line.pk, parts[0].rank if parts else None, question)

    by_id = {line.pk: line for line in lines}
    told = []
    for pk, answer in ask_again([waiting(line) for line in lines], books=desk.books).items():
        line = by_id[pk]
        parts = [(part, part.amount) for part in kept.get(line.promise_id or 0, [])]
        told.append(Told(line, line.ordered, asked_pct(line.order.kitchen, line.product), answer, kept=parts))
    tell(desk, told, by="night", now=now)
    for each in told:
        events.record(
            "promise_raised",
            subject=each.line.order.public_id,
            by="night",
            at=now,
            kitchen=each.line.order.kitchen,
            buyer=each.line.order.buyer,
            data={"line": each.line.number, "promised": each.amount},
        )
    return len(told)


def _open_kitchens(today: date) -> set[int]:
    return set(
        Line.objects.filter(cancelled_at__isnull=True, shipment__on__gte=today, order__kitchen__isnull=False)
        .values_list("order__kitchen_id", flat=True)
        .distinct()
    )


def _rivals(
    states: Sequence[CropState], knowledge: Mapping[int, Knowledge], *, today: date, days: int
) -> dict[Goods, tuple[list[float], list[float]]]:
    """What two naive forecasts say this morning, by profile and by weekday, to be scored beside ours."""
    profiles = {strain_id: known.profile for strain_id, known in knowledge.items()}
    picked = growing.picked_lately(today)
    return {
        goods: (_rounded(points), _rounded(by_weekday(picked.get(goods, {}), today=today, days=days)))
        for goods, points in by_profile(states, profiles=profiles, days=days).items()
    }


def _store(
    made: Forecast,
    rivals: Mapping[Goods, tuple[list[float], list[float]]],
    *,
    books: Mapping[Goods, BookRow],
    seen: int,
    seed: int,
    now: datetime,
) -> ForecastRow:
    row = ForecastRow.objects.create(
        made_at=now,
        first_on=made.first_day,
        days=made.days,
        scenarios=made.scenarios,
        seed=seed,
        seen_entry=seen,
        digest=made.digest,
        basis=made.basis.pack(),
        outlooks={key: outlook.as_data() for key, outlook in made.outlooks.items()},
    )
    fresh = [goods for goods in made.supplies if goods in books]
    rows = []
    for goods in fresh:
        p10, p50, p90 = (level.tolist() for level in made.quantiles(goods))
        rows.append(
            SupplyRow(
                forecast=row,
                strain_id=goods.strain_id,
                grade=goods.grade,
                packed=pack(made.supplies[goods]),
                p10=p10,
                p50=p50,
                p90=p90,
                mean=_rounded(made.mean(goods)),
                by_profile=rivals[goods][0],
                by_weekday=rivals[goods][1],
            )
        )
    SupplyRow.objects.bulk_create(rows)
    BookRow.objects.exclude(grade=KIT).update(forecast=row)
    return row


def _rounded(grams: NDArray[np.float64]) -> list[float]:
    return [round(float(each), MEAN_PLACES) for each in grams]


def _set_aside(states: Sequence[CropState], extra: Mapping[int, int]) -> tuple[CropState, ...]:
    """The states with the bags newly meant as kits taken off those meant for fruiting."""
    return tuple(
        replace(s, bags=s.bags - extra[s.batch_id], kits=s.kits + extra[s.batch_id])
        if s.key == f"batch:{s.batch_id}" and s.batch_id in extra
        else s
        for s in states
    )


def _plan_batches(
    made: Forecast, *, opens_on: Mapping[int, date], extra: Mapping[int, int], fresh: Mapping[int, Worth]
) -> None:
    """Write to each batch not yet used up what the plan fixes: its quota, when its kits are practically sure, its
    proposed opening day, and what a bag of it is worth as fresh mushrooms.
    """
    unused = Batch.objects.filter(bags__gt=F("bags_lost") + F("bags_opened") + F("bags_sealed"))
    for batch in unused.select_for_update(no_key=True).order_by("pk"):
        outlook = made.outlooks.get(f"batch:{batch.pk}")
        worth = fresh.get(batch.pk)
        planned = {
            "kits_ready_on": batch.colonised_on or (outlook.kits_ready_on if outlook else batch.kits_ready_on),
            "opens_on": opens_on.get(batch.pk) or (outlook.opened_on if outlook else batch.opens_on),
            "kit_quota": batch.kit_quota + extra.get(batch.pk, 0),
            "fresh_minor": worth.minor if worth else None,
            "fresh_g": worth.grams if worth else None,
            "fresh_sold_g": worth.sold if worth else None,
        }
        if any(getattr(batch, name) != value for name, value in planned.items()):
            Batch.objects.filter(pk=batch.pk).update(**planned)
