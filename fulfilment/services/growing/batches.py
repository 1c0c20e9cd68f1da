"""Bags: mixing them, how many are meant as kits, opening them for fruiting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

from django.db import transaction
from django.db.models import F, Sum

from fulfilment.core import codes
from fulfilment.core.calendar import in_words
from fulfilment.core.problems import Conflict, Invalid, Missing, Problem, Unconfirmed
from fulfilment.core.units import KIT, amount
from fulfilment.models import (
    Batch,
    BatchInput,
    BatchIntake,
    BatchSpawn,
    Book,
    Crop,
    Hold,
    InputDelivery,
    Intake,
    Line,
    Room,
    SpawnDelivery,
    Strain,
)
from fulfilment.read import holds
from fulfilment.services import events, given, jobs, measures, rows, stock

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

Delivered = TypeVar("Delivered", Intake, SpawnDelivery, InputDelivery)

MOST_BAGS: Final = 100_000
MOST_BAG_G: Final = 100_000
"""A bag of a hundred kilos is no bag."""
MOST_SPAWN_PCT: Final = 60

_NOUNS: Final = {"intakes": "intake", "spawn": "spawn delivery", "inputs": "delivery"}


def mix_batch(
    strain_id: str,
    *,
    mixed_on: date,
    bags: int,
    dry_g_per_bag: int,
    wet_g_per_bag: int,
    spawn_pct: int,
    room: str,
    intakes: Sequence[tuple[str, int]],
    spawn: Sequence[tuple[str, int]],
    by: str,
    now: datetime,
    today: date,
    inputs: Sequence[tuple[str, int]] = (),
    heat_treatment: str = "",
    recipe: str = "",
    kits_wanted: int = 0,
    confirmed: bool = False,
) -> Batch:
    """Bags mixed on one day: ``intakes``, ``spawn`` and ``inputs`` are (id, amount) of what went in.

    Asks once when the bags hold more dry substrate than was put in.
    """
    with transaction.atomic():
        strain = rows.find(Strain, strain_id, where="strain")
        where = rows.find(Room, room, where="room")
        if where.kind == Room.Kind.COLD:
            raise Invalid(
                f"{where.name} is a cold room and nothing runs there: name the room where the bags stand in the dark.",
                code="wrong_room",
                where="room",
            )
        measures.past_day(mixed_on, where="mixed_on", today=today)
        amount(bags, where="bags", at_most=MOST_BAGS, unit="bags")
        amount(dry_g_per_bag, where="dry_g_per_bag", at_most=MOST_BAG_G)
        amount(wet_g_per_bag, where="wet_g_per_bag", at_most=MOST_BAG_G)
        if wet_g_per_bag <= dry_g_per_bag:
            raise Invalid(
                f"A bag of {wet_g_per_bag} g cannot hold {dry_g_per_bag} g of dry substrate and water too: give the "
                "weight of a filled bag, and what of it would be left if it were dried.",
                code="wet_below_dry",
                where="wet_g_per_bag",
            )
        grounds = _from(Intake, intakes, where="intakes", mixed_on=mixed_on)
        spawned = _from(SpawnDelivery, spawn, where="spawn", mixed_on=mixed_on)
        others = _from(InputDelivery, inputs, where="inputs", mixed_on=mixed_on)
        if not grounds or not spawned:
            missing, needed = ("intakes", "grounds") if not grounds else ("spawn", "spawn")
            raise Invalid(
                f"Say which {needed} went into the bags: every bag must be traced back.", code="empty", where=missing
            )
        for place, (delivery, _) in enumerate(spawned):
            if delivery.strain_id != strain.pk:
                raise Invalid(
                    f"Spawn delivery {delivery.public_id} is of another strain: mix each strain as a batch of its own.",
                    code="other_strain",
                    where=f"spawn.{place}",
                )
        put_in = sum(grams for _, grams in [*grounds, *spawned]) + sum(
            grams for delivery, grams in others if delivery.kind != InputDelivery.Kind.BAGS
        )
        if bags * dry_g_per_bag > put_in and not confirmed:
            raise Unconfirmed(
                f"{bags} bags of {dry_g_per_bag} g hold {bags * dry_g_per_bag / 1000:g} kg of dry substrate, but only "
                f"{put_in / 1000:g} kg went in, water and all: correct the amounts, or confirm that they are right.",
                where="bags",
                put_in_g=put_in,
            )
        batch = Batch.objects.create(
            strain=strain,
            mixed_on=mixed_on,
            bags=bags,
            dry_g_per_bag=dry_g_per_bag,
            wet_g_per_bag=wet_g_per_bag,
            spawn_pct=given.number(spawn_pct, where="spawn_pct", at_least=1, at_most=MOST_SPAWN_PCT, unit="percent"),
            heat_treatment=given.text(heat_treatment, where="heat_treatment", at_most=120, required=False),
            recipe=given.text(recipe, where="recipe", at_most=200, required=False),
            room=where,
            kits_wanted=_kits_wanted(kits_wanted, bags=bags),
            logged_by=by[: events.BY_LENGTH],
        )
        BatchIntake.objects.bulk_create(BatchIntake(batch=batch, intake=one, grams=grams) for one, grams in grounds)
        BatchSpawn.objects.bulk_create(
            BatchSpawn(batch=batch, spawn_delivery=one, grams=grams) for one, grams in spawned
        )
        BatchInput.objects.bulk_create(
            BatchInput(batch=batch, input_delivery=one, amount=pieces) for one, pieces in others
        )
        events.record(
            "batch_mixed",
            subject=batch.public_id,
            by=by,
            at=now,
            data={"strain": strain.public_id, "bags": bags, "kits_wanted": kits_wanted},
        )
        jobs.add("replan", due_at=now)
    return batch


def recount_bags(batch_id: str, *, bags: int, by: str, now: datetime, confirmed: bool = False) -> Batch:
    """How many bags a batch really has, where the wrong number was written down at mixing.

    Bags that were there and are gone are lost, not recounted.  Asks once when that leaves too few for promised kits.
    """
    with transaction.atomic():
        batch = lock_with_book(batch_id)
        amount(bags, where="bags", at_most=MOST_BAGS, unit="bags")
        used = batch.bags - batch.bags_left
        if bags < used:
            raise Conflict(
                f"{used} bags of batch {batch.public_id} are opened, sealed or lost already: it had at least these.",
                code="not_so_many_bags",
                where="bags",
                there=used,
            )
        before, batch.bags = batch.bags, bags
        batch.kits_wanted = min(batch.kits_wanted, bags)
        questions = _kits_short(batch)
        if questions and not confirmed:
            raise Unconfirmed(f"{' '.join(questions)} Confirm if it is right.", where="bags")
        trim_quota(batch)
        batch.version += 1
        batch.save(update_fields=["bags", "kits_wanted", "kit_quota", "version"])
        events.record("bags_recounted", subject=batch.public_id, by=by, at=now, data={"before": before, "bags": bags})
        jobs.add("replan", due_at=now)
    return batch


def want_kits(batch_id: str, *, kits: int, by: str, now: datetime) -> Batch:
    """How many of a batch's bags the grower wishes to sell as kits; the plan raises the quota towards it."""
    with transaction.atomic():
        batch = rows.lock(Batch, batch_id, where="batch")
        batch.kits_wanted = _kits_wanted(kits, bags=batch.bags)
        batch.version += 1
        batch.save(update_fields=["kits_wanted", "version"])
        events.record("kits_wanted", subject=batch.public_id, by=by, at=now, data={"kits": kits})
        jobs.add("replan", due_at=now)
    return batch


def open_crop(
    batch_id: str,
    *,
    bags: int,
    room: str,
    opened_on: date,
    by: str,
    now: datetime,
    today: date,
    confirmed: bool = False,
) -> Crop:
    """Bags of a batch opened in the fruiting room.

    Asks once when the bags were not seen fully run, and when they are bags that kits are promised from.
    """
    with transaction.atomic():
        batch = lock_with_book(batch_id)
        where = rows.find(Room, room, where="room")
        if where.kind != Room.Kind.FRUITING:
            raise Invalid(
                f"{where.name} is no fruiting room: name the room where the bags are opened.",
                code="wrong_room",
                where="room",
            )
        measures.past_day(opened_on, where="opened_on", today=today, since=batch.mixed_on, event="the batch was mixed")
        refuse_held(batch, doing="opened")
        amount(bags, where="bags", at_most=MOST_BAGS, unit="bags")
        if bags > batch.bags_left:
            raise Conflict(
                f"Batch {batch.public_id} has {batch.bags_left} bags that are neither lost, opened nor sealed: open at "
                "most these.",
                code="not_so_many_bags",
                where="bags",
                there=batch.bags_left,
            )
        batch.bags_opened += bags
        questions = _questions(batch, opened_on=opened_on)
        if questions and not confirmed:
            raise Unconfirmed(f"{' '.join(questions)} Confirm to open them all the same.", where="bags")
        trim_quota(batch)
        batch.version += 1
        batch.save(update_fields=["bags_opened", "kit_quota", "version"])
        crop = Crop.objects.create(
            batch=batch,
            room=where,
            opened_on=opened_on,
            bags=bags,
            stage_since=opened_on,
            logged_by=by[: events.BY_LENGTH],
        )
        events.record(
            "crop_opened", subject=crop.public_id, by=by, at=now, data={"batch": batch.public_id, "bags": bags}
        )
        jobs.add("replan", due_at=now)
    return crop


def lock_with_book(batch_id: str, *, where: str = "batch") -> Batch:
    """A batch, locked after the book of its strain's kits, whose promises hang on the batch's quota."""
    found = rows.find(Batch, batch_id, where=where)
    stock.lock_books(Book.objects.filter(strain=found.strain_id, grade=KIT))
    return rows.lock(Batch, batch_id, where=where)


def refuse_held(batch: Batch, *, doing: str) -> None:
    """Nothing under a hold is ``doing`` (opened, sealed)."""
    for hold in holds.over_batch(batch.pk):
        raise Conflict(
            f"Batch {batch.public_id} is held ({hold.reason}): nothing of it is {doing} until a person releases it.",
            code="held",
            where="batch",
            hold=hold.public_id,
        )


def trim_quota(batch: Batch) -> None:
    """No more kits than there are bags for: those left and those sealed and in store.  The caller saves."""
    batch.kit_quota = min(batch.kit_quota, _kits_possible(batch))


def _kits_possible(batch: Batch) -> int:
    return batch.bags_left + stock.in_store(batch)


def _kits_wanted(kits: int, *, bags: int) -> int:
    return given.number(kits, where="kits_wanted", at_least=0, at_most=bags, unit="bags of this batch")


def _questions(batch: Batch, *, opened_on: date) -> list[str]:
    """What makes opening these bags (counted as opened already) doubtful."""
    found = []
    if batch.colonised_on is None or batch.colonised_on > opened_on:
        found.append(
            f"Nobody has seen batch {batch.public_id} fully run by then, and a bag opened early goes mouldy: log first "
            "when it was."
        )
    return [*found, *_kits_short(batch)]


def _kits_short(batch: Batch) -> list[str]:
    """What is wrong when so few bags are left that kits already promised would be missing."""
    lost = batch.kit_quota - _kits_possible(batch)
    if lost > 0:
        owed = _kits_owed(batch.strain_id)
        quota = Batch.objects.filter(strain=batch.strain_id).aggregate(sum=Sum("kit_quota"))["sum"] or 0
        if quota - lost < owed:
            return [
                f"That leaves {quota - lost} bags for kits, and {owed} kits of this strain are promised and not picked."
            ]
    return []


def _kits_owed(strain_id: int) -> int:
    """Kits promised and not yet picked."""
    lines = Line.objects.filter(
        product__strain=strain_id,
        product__grade=KIT,
        cancelled_at__isnull=True,
        shipment__state__in=["placed", "packed"],
        promised__gt=F("picked"),
    )
    return lines.aggregate(owed=Sum(F("promised") - F("picked")))["owed"] or 0


def _from(
    model: type[Delivered], parts: Sequence[tuple[str, int]], *, where: str, mixed_on: date
) -> list[tuple[Delivered, int]]:
    """What went in, locked in the order of its keys and looked at in the order given."""
    wanted = [codes.tidy(public_id) for public_id, _ in parts]
    locked = {row.public_id: row for row in rows.lock_all(model.objects.filter(public_id__in=wanted))}
    found: list[tuple[Delivered, int]] = []
    for place, (public_id, used) in enumerate(parts):
        try:
            row = locked.get(wanted[place])
            if row is None:
                raise Missing(f"There is no {_NOUNS[where]} {public_id[:20]}.")
            if any(row is other for other, _ in found):
                raise Invalid(f"{row.public_id} is named twice: give its whole amount once.", code="named_twice")
            _check_use(row, amount(used, where=""), mixed_on=mixed_on)
        except Problem as problem:
            raise problem.at(f"{where}.{place}") from None
        found.append((row, used))
    return found


def _check_use(row: Intake | SpawnDelivery | InputDelivery, used: int, *, mixed_on: date) -> None:
    if isinstance(row, Intake):
        noun, came_on, whole, before = "intake", row.collected_on, row.grams, row.into_batches.aggregate(s=Sum("grams"))
        if not row.accepted:
            raise Conflict(
                f"Intake {row.public_id} was refused ({row.refused_because}): it goes into no bag.", code="refused"
            )
    elif isinstance(row, SpawnDelivery):
        noun, came_on, whole = "spawn delivery", row.received_on, row.grams
        before = row.into_batches.aggregate(s=Sum("grams"))
    else:
        noun, came_on, whole = "delivery", row.received_on, row.amount
        before = row.into_batches.aggregate(s=Sum("amount"))
    if came_on > mixed_on:
        raise Invalid(
            f"{noun.capitalize()} {row.public_id} came on {in_words(came_on)}, after the bags were mixed: correct the "
            "day of mixing, or name another.",
            code="came_later",
        )
    stop = row.holds.filter(ended_at__isnull=True).order_by("pk").first()
    if stop is not None:
        raise Conflict(
            f"{noun.capitalize()} {row.public_id} is held ({stop.reason}): use another, or have it released.",
            code="held",
            hold=stop.public_id,
        )
    if row.holds.filter(outcome=Hold.Outcome.DESTROYED).exists():
        raise Conflict(f"{noun.capitalize()} {row.public_id} was destroyed: use another.", code="destroyed")
    left = whole - (before["s"] or 0)
    if used > left:
        raise Conflict(
            f"Of {noun} {row.public_id} {left} of {whole} are left, so {used} cannot have gone in.",
            code="not_so_much_left",
            there=left,
        )
