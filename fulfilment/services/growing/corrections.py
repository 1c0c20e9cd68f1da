"""A harvest that was written down wrong is put right: weighed again, or nothing of it was harvested at all.

What the lot holds, what the farm learns and where the crop stands follow.  What has left the lot meanwhile did exist.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from django.db import transaction

from fulfilment.core.growth import Stage
from fulfilment.core.problems import Conflict, Invalid, Unconfirmed
from fulfilment.core.units import amount
from fulfilment.models import Book, Crop, Harvest, Lot, Observation, StockEntry
from fulfilment.read.growing import harvested
from fulfilment.services import events, given, jobs, rows, stock
from fulfilment.services.growing.harvests import check_trimming, unlikely
from fulfilment.services.growing.observations import days_picked

if TYPE_CHECKING:
    from datetime import datetime

Kind: Final = Observation.Kind


def correct_harvest(
    lot_id: str,
    *,
    weighed_g: int,
    reason: str,
    by: str,
    now: datetime,
    trimmed_g: int | None = None,
    confirmed: bool = False,
) -> Lot:
    """The harvest that made this lot was written down wrong: it was ``weighed_g``, or nothing at all (0).

    The lot gains or loses the difference after trimming; what has left it stays what it was, so no less can have been
    harvested.  What is learned from the crop follows, and a flush that was never picked is no longer being picked.
    Without ``trimmed_g`` the same share is trimmed off as before.
    """
    with transaction.atomic():
        found = rows.find(Lot, lot_id, where="lot")
        first = _harvest_of(found)
        stock.lock_books(Book.objects.filter(strain=found.strain_id, grade=found.grade))
        crop = rows.lock(Crop, first.crop.public_id, where="crop")
        lot = rows.lock(Lot, lot_id, where="lot")
        before = harvested().values_list("weighed", "trimmed").get(pk=first.pk)
        after = _put_right(before, weighed_g=weighed_g, trimmed_g=trimmed_g)
        reason = given.reason(reason, what="putting a harvest right")
        more_weighed, more_trimmed = after[0] - before[0], after[1] - before[1]
        _check_still_there(lot, more_trimmed, trimmed_g=before[1])
        questions = unlikely(crop, first.flush, after[0], instead_of=before[0]) if after[0] else []
        if questions and not confirmed:
            raise Unconfirmed(f"{' '.join(questions)} Confirm if it is right.", where="weighed_g")
        Harvest.objects.create(
            crop=crop, corrects=first, flush=first.flush, harvested_on=first.harvested_on, grade=first.grade,
            weighed_g=more_weighed, trimmed_g=more_trimmed, reason=reason, logged_by=by[: events.BY_LENGTH],
            logged_at=now,
        )  # fmt: skip
        if more_trimmed:
            stock.move(lot, kind=StockEntry.Kind.CORRECTED, quantity=more_trimmed, by=by, now=now, reason=reason)
        _step_back(crop, first.flush)
        crop.version += 1
        crop.save(update_fields=["stage", "stage_since", "flush", "version"])
        events.record(
            "harvest_corrected",
            subject=crop.public_id,
            by=by,
            at=now,
            data={"lot": lot.public_id, "weighed_g": [before[0], after[0]], "trimmed_g": [before[1], after[1]]},
        )
        jobs.add("replan", due_at=now)
    return lot


def _harvest_of(lot: Lot) -> Harvest:
    if lot.harvest is None:
        raise Invalid(
            "Kits are sealed and counted, not harvested: throw away the missing ones by their numbers instead.",
            code="not_fresh",
            where="lot",
        )
    return lot.harvest


def _put_right(before: tuple[int, int], *, weighed_g: int, trimmed_g: int | None) -> tuple[int, int]:
    weighed = amount(weighed_g, where="weighed_g", at_least=0)
    trimmed = trimmed_g
    if trimmed is None:
        trimmed = max(1, round(weighed * before[1] / before[0])) if weighed and before[0] else weighed
    check_trimming(amount(trimmed, where="trimmed_g", at_least=min(weighed, 1)), weighed)
    if (weighed, trimmed) == before:
        raise Invalid(
            f"{weighed} g weighed and {trimmed} g after trimming is what is written down: there is nothing to put "
            "right.",
            code="nothing_to_correct",
            where="weighed_g",
        )
    return weighed, trimmed


def _check_still_there(lot: Lot, more: int, *, trimmed_g: int) -> None:
    """What was picked, thrown away or taken from the lot did exist."""
    if lot.quantity + more < 0:
        left = trimmed_g - lot.quantity
        raise Conflict(
            f"{left} g of lot {lot.public_id} have left it already, so at least so much was harvested after trimming: "
            "put right first what was picked, thrown away or taken.",
            code="left_already",
            where="weighed_g",
            left_g=left,
        )


def _step_back(crop: Crop, flush: int) -> None:
    """The picking of the running flush began with the first harvest that stands; without any it has not begun."""
    if crop.stage != Stage.PICKING or crop.flush != flush:
        return
    picked = days_picked(crop, flush)
    if picked:
        crop.stage_since = picked[0]
        return
    seen = {
        (kind, number): on
        for kind, number, on in Observation.objects.filter(crop=crop, flush__in=(flush - 1, flush))
        .order_by("-seen_on", "-pk")
        .values_list("kind", "flush", "seen_on")
    }
    pins = seen.get((Kind.PINS, flush))
    begun = crop.opened_on if flush == 1 else seen.get((Kind.REWATERED, flush))
    if pins is not None:
        crop.stage, crop.stage_since = Stage.GROWING.value, pins
    elif begun is not None:
        crop.stage, crop.stage_since = Stage.PINNING.value, begun
    else:
        crop.flush, crop.stage, crop.stage_since = flush - 1, Stage.RESTING.value, seen[Kind.FLUSH_ENDED, flush - 1]
