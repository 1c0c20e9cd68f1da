"""What is taken off the bags: weighed, trimmed, sorted into grades, each a lot of its own.

Nothing is refused that somebody may hold in their hands, and asked about once is what a scale hardly can have shown:
more than all flushes of these bags could give, or several times what the flush gives as a rule.  What is confirmed is
kept, the event says that it was, and beyond what any bag can give it teaches nothing: then the bags were counted wrong.
Only what no miscount explains is refused: grams and kilos were mixed up.
"""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from typing import TYPE_CHECKING, Final, NotRequired, TypedDict

from django.db import transaction
from django.db.models import Sum

from fulfilment.core.calendar import in_words
from fulfilment.core.growth import FLUSHES, IMPOSSIBLE_PCT, Stage, StrainProfile, biological_efficiency
from fulfilment.core.problems import Conflict, Invalid, Problem, Unconfirmed
from fulfilment.core.units import KIT, amount
from fulfilment.models import Crop, Harvest, Keeping, Lot, Observation, StockEntry, Strain
from fulfilment.read import growing as read_growing
from fulfilment.services import events, given, jobs, measures, rows, stock
from fulfilment.services.growing.observations import days_picked, end_flush

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

UNLIKELY_PCT: Final = 150
ABSURD_PCT: Final = 1_000
"""A tenth of the bags written down, each giving as much as it holds of dry substrate."""
LEAST_G: Final = 20
"""A scale that shows kilos is read as grams more often than so little is written down; common practice, no source."""
UNLIKELY_FLUSH: Final = 3
"""Times what a flush gives as a rule."""
LEFT_OVER_DAYS: Final = 3
"""What was left on the bags when a flush ended is picked within so many days or is overgrown (it doubles daily); common
practice, no source."""


class Weighed(TypedDict):
    """One grade of a harvest in grams; without ``trimmed_g`` the strain's usual trimming is taken off."""

    grade: str
    weighed_g: int
    trimmed_g: NotRequired[int | None]


def log_harvest(
    crop_id: str,
    *,
    harvested_on: date,
    grades: Sequence[Weighed],
    by: str,
    now: datetime,
    today: date,
    flush: int | None = None,
    flush_ended: bool = False,
    confirmed: bool = False,
) -> list[Lot]:
    """Grams taken off a crop on a day, by grade: one harvest, lot and stock entry each, in the order given.

    ``flush`` is the running one unless said otherwise; ``flush_ended`` says that nothing is left of it.  On a resting
    crop the first few days belong to the flush that ended; after them the flush must be said, since it may be a late
    mushroom or the first of the next flush, whose pins nobody logged.  A crop under a hold is picked like any other,
    and the hold reaches the lots.
    """
    with transaction.atomic():
        crop = rows.lock(Crop, crop_id, where="crop")
        strain = crop.batch.strain
        measures.past_day(
            harvested_on, where="harvested_on", today=today, since=crop.opened_on, event="the bags were opened"
        )
        number = _flush(crop, flush, harvested_on=harvested_on)
        weights = _weights(strain, grades)
        questions = [
            *unlikely(crop, number, sum(weighed for _, weighed, _ in weights)),
            *_past_date(weights, harvested_on=harvested_on, today=today),
        ]
        if questions and not confirmed:
            raise Unconfirmed(f"{' '.join(questions)} Confirm if it is right.", where="grades")
        lots = [
            _store(crop, number, keeping, weighed_g=weighed, trimmed_g=trimmed, on=harvested_on, by=by, now=now)
            for keeping, weighed, trimmed in weights
        ]
        _move(crop, number, harvested_on=harvested_on)
        if flush_ended:
            if number != crop.flush or crop.stage != Stage.PICKING:
                raise Conflict(
                    f"Flush {number} of crop {crop.public_id} has ended already: leave that out.",
                    code="wrong_stage",
                    where="flush_ended",
                )
            end_flush(crop, on=max(harvested_on, days_picked(crop, number)[-1]), by=by, now=now)
        crop.version += 1
        crop.save(update_fields=["stage", "stage_since", "flush", "finished_on", "version"])
        events.record(
            "harvest_logged",
            subject=crop.public_id,
            by=by,
            at=now,
            data={
                "on": harvested_on.isoformat(),
                "flush": number,
                "flush_ended": flush_ended,
                "lots": {lot.public_id: lot.quantity for lot in lots},
                "asked_about": bool(questions),
            },
        )
        jobs.add("replan", due_at=now)
    return lots


def _flush(crop: Crop, flush: int | None, *, harvested_on: date) -> int:
    """The flush it belongs to: the running one, one before it written down late, or the first of the next."""
    if crop.finished_on is not None and harvested_on > crop.finished_on:
        raise Conflict(
            f"Crop {crop.public_id} was finished on {in_words(crop.finished_on)}: give a day up to then, or the crop "
            "that was picked.",
            code="finished",
            where="crop",
        )
    number = crop.flush
    if flush is not None:
        number = given.number(flush, where="flush", at_least=1, at_most=FLUSHES, unit="flush")
    elif crop.stage == Stage.RESTING and (harvested_on - crop.stage_since).days > LEFT_OVER_DAYS:
        raise Invalid(
            f"Crop {crop.public_id} has rested since {in_words(crop.stage_since)} and no new pins are logged: is this "
            f"a late mushroom of flush {number}, or the first of flush {number + 1}? Say which flush it is.",
            code="which_flush",
            where="flush",
            flush=number,
        )
    latest = crop.flush + 1 if crop.stage == Stage.RESTING else crop.flush
    if number > latest:
        raise Conflict(
            f"Crop {crop.public_id} is in flush {crop.flush}: log first that it has ended, then flush {number}.",
            code="wrong_flush",
            where="flush",
            flush=crop.flush,
        )
    begun = _begun(crop, number)
    if begun is not None and harvested_on < begun:
        raise Invalid(
            f"Nothing of flush {number} was there before {in_words(begun)}, by what is logged: correct the day, or say "
            "which flush it was.",
            code="too_early",
            where="harvested_on",
            earliest=begun.isoformat(),
        )
    return number


def _begun(crop: Crop, flush: int) -> date | None:
    """The day before which nothing of this flush was there, where the log tells."""
    if flush == crop.flush + 1 or (flush == crop.flush and crop.stage in (Stage.PINNING, Stage.GROWING)):
        return crop.stage_since
    return (
        Observation.objects.filter(crop=crop, kind=Observation.Kind.FLUSH_ENDED, flush=flush - 1)
        .order_by("seen_on")
        .values_list("seen_on", flat=True)
        .first()
    )


def _weights(strain: Strain, grades: Sequence[Weighed]) -> list[tuple[Keeping, int, int]]:
    """(how it keeps, grams as weighed, grams after trimming) of each grade."""
    if not grades:
        raise Invalid("Give the weight of at least one grade.", code="empty", where="grades")
    keeping = {each.grade: each for each in Keeping.objects.filter(strain=strain)}
    found: dict[str, tuple[Keeping, int, int]] = {}
    for place, row in enumerate(grades):
        grade = row["grade"]
        try:
            if grade == KIT:
                raise Invalid("Kits are sealed, not harvested: give a grade of fresh mushrooms.", where="grade")
            if grade not in keeping:
                raise Invalid(
                    f"Nobody has said how long grade {grade[:20]!r} of {strain.name} keeps: it is sorted into "
                    f"{', '.join(sorted(keeping)) or 'no grade yet'}.",
                    code="unknown_grade",
                    where="grade",
                )
            if grade in found:
                raise Invalid(
                    f"Grade {grade} is there twice: add the two weights up.", code="named_twice", where="grade"
                )
            weighed = amount(row["weighed_g"], where="weighed_g")
            trimmed = row.get("trimmed_g")
            if trimmed is None:
                trimmed = max(1, round(weighed * (1 - read_growing.trim_loss(strain))))
            check_trimming(amount(trimmed, where="trimmed_g"), weighed)
        except Problem as problem:
            raise problem.at(f"grades.{place}") from None
        found[grade] = (keeping[grade], weighed, trimmed)
    return list(found.values())


def check_trimming(trimmed: int, weighed: int) -> None:
    if trimmed > weighed:
        raise Invalid(
            f"Trimming takes away: {trimmed} g cannot be left of {weighed} g.",
            code="trimmed_above_weighed",
            where="trimmed_g",
        )


def unlikely(crop: Crop, flush: int, weighed_g: int, *, instead_of: int = 0) -> list[str]:
    """What the scale hardly can have shown; :class:`Invalid` for what it cannot."""
    dry_g = crop.bags * crop.batch.dry_g_per_bag
    so_far = Counter(dict(crop.harvests.values_list("flush").annotate(sum=Sum("weighed_g"))))
    so_far[flush] -= instead_of
    in_all = sum(so_far.values()) + weighed_g
    efficiency = biological_efficiency(in_all, dry_g=dry_g)
    says = f"{in_all} g in all from {crop.bags} bags with {dry_g} g of dry substrate is {efficiency:.0f} %"
    if efficiency > ABSURD_PCT:
        raise Invalid(
            f"{says}, which is far more than any bags can give (at most {IMPOSSIBLE_PCT} %): is it grams?",
            code="impossible_weight",
            where="grades",
            at_most_g=dry_g * ABSURD_PCT // 100,
        )
    if efficiency > IMPOSSIBLE_PCT:
        doubts = "is it grams, is it this crop, and were there no more bags?"
        return [f"{says}, which no bag can give (at most {IMPOSSIBLE_PCT} %): {doubts}"]
    if efficiency > UNLIKELY_PCT:
        return [f"{says}, where bags hardly give more than {UNLIKELY_PCT} %."]
    profile = StrainProfile.from_data(crop.batch.strain.growth)
    usual = dry_g * profile.efficiency_pct / 100 * profile.flush_shares[flush - 1]
    of_flush = so_far[flush] + weighed_g
    if of_flush > UNLIKELY_FLUSH * usual:
        return [f"{of_flush} g in flush {flush} is much for {crop.bags} bags, which give some {usual:.0f} g in it."]
    if weighed_g < LEAST_G:
        return [f"{weighed_g} g is hardly one mushroom: is it grams, or were kilos meant?"]
    return []


def _past_date(weights: Sequence[tuple[Keeping, int, int]], *, harvested_on: date, today: date) -> list[str]:
    late = [
        keeping.grade for keeping, _, _ in weights if harvested_on + timedelta(days=keeping.best_before_days) < today
    ]
    return [f"Harvested on {in_words(harvested_on)}, {', '.join(late)} is past its date already."] if late else []


def _store(
    crop: Crop, flush: int, keeping: Keeping, *, weighed_g: int, trimmed_g: int, on: date, by: str, now: datetime
) -> Lot:
    harvest = Harvest.objects.create(
        crop=crop,
        flush=flush,
        harvested_on=on,
        grade=keeping.grade,
        weighed_g=weighed_g,
        trimmed_g=trimmed_g,
        logged_by=by[: events.BY_LENGTH],
        logged_at=now,
    )
    lot = Lot.objects.create(
        kind=Lot.Kind.FRESH,
        strain_id=keeping.strain_id,
        grade=keeping.grade,
        harvest=harvest,
        batch=crop.batch,
        ready_on=on,
        best_before=on + timedelta(days=keeping.best_before_days),
        hard_stop=keeping.use_by,
        made_at=now,
    )
    stock.move(lot, kind=StockEntry.Kind.HARVESTED, quantity=trimmed_g, by=by, now=now)
    return lot


def _move(crop: Crop, flush: int, *, harvested_on: date) -> None:
    """The first mushrooms of a flush begin its picking; an earlier harvest written down late moves that day back."""
    if flush == crop.flush + 1:
        crop.flush, crop.stage, crop.stage_since = flush, Stage.PICKING.value, harvested_on
    elif flush == crop.flush and crop.stage in (Stage.PINNING, Stage.GROWING):
        crop.stage, crop.stage_since = Stage.PICKING.value, harvested_on
    elif flush == crop.flush and crop.stage == Stage.PICKING:
        crop.stage_since = min(crop.stage_since, harvested_on)
