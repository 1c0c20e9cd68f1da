"""One batch, one crop, one room: its numbers and all that was logged of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Avg, Max, Min, QuerySet
from django.db.models.functions import TruncDate

from fulfilment.core.calendar.days import zone_of
from fulfilment.core.growth import biological_efficiency
from fulfilment.models import Batch, Crop, Harvest, Keeping, Observation, Reading, Room
from fulfilment.read import growing, holds
from fulfilment.read.farm import farm
from fulfilment.read.rooms import expected
from fulfilment.read.rooms.expected import Expected
from fulfilment.read.rooms.finding import find
from fulfilment.read.rooms.overview import Climate, climate_of, with_reading
from fulfilment.read.scope import Actor, visible
from fulfilment.read.worths import BagPlan, bag_plan

READING_DAYS: Final = 14
MOST_READINGS: Final = 60


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that was logged; a harvest names its ``lot``, and ``weighed`` says that its weight may be put right."""

    on: date
    what: str
    detail: str
    by: str
    flush: int | None = None
    lot: str = ""
    weighed: bool = False


@dataclass(frozen=True, slots=True)
class Warmth:
    """A room's readings of one day."""

    on: date
    mean: str
    low: str
    high: str


@dataclass(frozen=True, slots=True)
class Flush:
    number: int
    weighed_g: int
    trimmed_g: int


@dataclass(frozen=True, slots=True)
class Lotted:
    """A lot that was made of it and is in store or held."""

    code: str
    is_kit: bool
    grade: str
    ready_on: date
    best_before: date
    left: int
    held: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CropStory:
    code: str
    batch: str
    strain: str
    room: str
    room_name: str
    set_point: str
    opened_on: date
    stage: str
    stage_since: date
    flush: int
    bags: int
    alive: int
    lost: int
    dry_g: int
    finished_on: date | None
    expected: Expected
    held: tuple[str, ...]
    flushes: tuple[Flush, ...]
    weighed_g: int
    trimmed_g: int
    efficiency_pct: int
    grades: tuple[str, ...]
    trim_pct: int
    """What trimming takes off as a rule, as learned."""
    entries: tuple[Entry, ...]
    warmth: tuple[Warmth, ...]
    lots: tuple[Lotted, ...]


@dataclass(frozen=True, slots=True)
class Went:
    """So much of an intake or a delivery went in; ``kind`` is what a hold calls it."""

    kind: str
    code: str
    what: str
    on: date
    amount: int
    pieces: bool
    allergens: str


@dataclass(frozen=True, slots=True)
class OpenedAs:
    code: str
    room: str
    opened_on: date
    bags: int
    stage: str


@dataclass(frozen=True, slots=True)
class BatchStory:
    code: str
    strain: str
    room: str
    room_name: str
    set_point: str
    mixed_on: date
    colonised_on: date | None
    opens_on: date | None
    bags: int
    left: int
    lost: int
    opened: int
    sealed: int
    in_store: int
    kits_wanted: int
    kit_quota: int
    plan: BagPlan
    """What becomes of its bags, and what one is worth as fresh mushrooms."""
    dry_g: int
    wet_g: int
    spawn_pct: int
    recipe: str
    heat_treatment: str
    expected: Expected
    held: tuple[str, ...]
    sources: tuple[Went, ...]
    crops: tuple[OpenedAs, ...]
    entries: tuple[Entry, ...]
    warmth: tuple[Warmth, ...]
    lots: tuple[Lotted, ...]

    @property
    def to_seal(self) -> int:
        """Bags meant as kits that nobody has sealed yet."""
        return max(0, min(self.left, self.kit_quota - self.in_store))


@dataclass(frozen=True, slots=True)
class RoomStory:
    code: str
    name: str
    kind: str
    climate: Climate
    warmth: tuple[Warmth, ...]
    readings: tuple[tuple[datetime, str, str], ...]
    """(at, degrees, by), the newest first."""


def crop_story(code: str, actor: Actor, *, today: date) -> CropStory:
    """All of one crop; :class:`Missing` where there is none for the actor."""
    crop = find(visible(Crop, actor).select_related("batch__strain", "room"), code)
    harvests = list(crop.harvests.select_related("lot", "corrects__lot").order_by("harvested_on", "pk"))
    reasons = holds.reasons_by_lot()
    held = tuple(hold.reason for hold in holds.over_batch(crop.batch_id))
    weighed, trimmed = (sum(getattr(each, name) for each in harvests) for name in ("weighed_g", "trimmed_g"))
    numbers = range(1, crop.flush + 1)
    now_g = sum(each.weighed_g for each in harvests if each.flush == crop.flush)
    return CropStory(
        code=crop.public_id,
        batch=crop.batch.public_id,
        strain=crop.batch.strain.name,
        room=crop.room.public_id,
        room_name=crop.room.name,
        set_point=_degrees(crop.room.set_point_tenths),
        opened_on=crop.opened_on,
        stage=crop.stage,
        stage_since=crop.stage_since,
        flush=crop.flush,
        bags=crop.bags,
        alive=crop.bags_alive,
        lost=crop.bags_lost,
        dry_g=crop.bags * crop.batch.dry_g_per_bag,
        finished_on=crop.finished_on,
        expected=expected.of_crop(crop, expected.newest(), taken_g=now_g, held=bool(held), today=today),
        held=held,
        flushes=tuple(
            Flush(
                number,
                sum(each.weighed_g for each in harvests if each.flush == number),
                sum(each.trimmed_g for each in harvests if each.flush == number),
            )
            for number in numbers
        ),
        weighed_g=weighed,
        trimmed_g=trimmed,
        efficiency_pct=round(biological_efficiency(weighed, dry_g=crop.bags * crop.batch.dry_g_per_bag)),
        grades=tuple(
            Keeping.objects.filter(strain=crop.batch.strain_id).order_by("grade").values_list("grade", flat=True)
        ),
        trim_pct=round(100 * growing.trim_loss(crop.batch.strain)),
        entries=_entries(crop.observations.all(), harvests),
        warmth=_warmth(crop.room_id, since=max(crop.opened_on, today - timedelta(days=READING_DAYS)), until=today),
        lots=tuple(
            Lotted(
                each.lot.public_id, False, each.grade, each.harvested_on, each.lot.best_before, each.lot.quantity,
                reasons.get(each.lot.pk, ()),
            )
            for each in reversed(harvests)
            if each.corrects is None
            if each.lot.quantity or each.lot.pk in reasons
        ),
    )  # fmt: skip


def batch_story(code: str, actor: Actor, *, today: date) -> BatchStory:
    """All of one batch; :class:`Missing` where there is none for the actor."""
    batch = find(visible(Batch, actor).select_related("strain", "room"), code)
    reasons = holds.reasons_by_lot()
    held = tuple(hold.reason for hold in holds.over_batch(batch.pk))
    in_store = growing.kits_in_store().get(batch.pk, 0)
    return BatchStory(
        code=batch.public_id,
        strain=batch.strain.name,
        room=batch.room.public_id,
        room_name=batch.room.name,
        set_point=_degrees(batch.room.set_point_tenths),
        mixed_on=batch.mixed_on,
        colonised_on=batch.colonised_on,
        opens_on=batch.opens_on,
        bags=batch.bags,
        left=batch.bags_left,
        lost=batch.bags_lost,
        opened=batch.bags_opened,
        sealed=batch.bags_sealed,
        in_store=in_store,
        kits_wanted=batch.kits_wanted,
        kit_quota=batch.kit_quota,
        plan=bag_plan(batch, in_store=in_store, currency=farm().currency),
        dry_g=batch.dry_g_per_bag,
        wet_g=batch.wet_g_per_bag,
        spawn_pct=batch.spawn_pct,
        recipe=batch.recipe,
        heat_treatment=batch.heat_treatment,
        expected=expected.of_batch(
            batch, expected.newest(), kits_in_store=in_store, held=bool(held), today=today
        ),
        held=held,
        sources=tuple(_went(batch)),
        crops=tuple(
            OpenedAs(crop.public_id, crop.room.name, crop.opened_on, crop.bags_alive, crop.stage)
            for crop in batch.crops.select_related("room").order_by("pk")
        ),
        entries=_entries(batch.observations.all(), ()),
        warmth=_warmth(batch.room_id, since=max(batch.mixed_on, today - timedelta(days=READING_DAYS)), until=today),
        lots=tuple(
            Lotted(
                lot.public_id, lot.kind == "kits", lot.grade, lot.ready_on, lot.best_before, lot.quantity,
                reasons.get(lot.pk, ()),
            )
            for lot in batch.lots.order_by("-ready_on", "-pk")
            if lot.quantity or lot.pk in reasons
        ),
    )  # fmt: skip


def room_story(code: str, actor: Actor, *, today: date, now: datetime) -> RoomStory:
    """A room with its readings; :class:`Missing` where there is none for the actor."""
    found = find(visible(Room, actor), code)
    room = next(each for each in with_reading() if each.pk == found.pk)
    readings = Reading.objects.filter(room=room).order_by("-at", "-pk")[:MOST_READINGS]
    return RoomStory(
        code=room.public_id,
        name=room.name,
        kind=room.kind,
        climate=climate_of(room, now=now),
        warmth=_warmth(room.pk, since=today - timedelta(days=READING_DAYS), until=today),
        readings=tuple((each.at, _degrees(each.celsius_tenths), each.logged_by) for each in readings),
    )


def _entries(seen: QuerySet[Observation], harvests: Iterable[Harvest]) -> tuple[Entry, ...]:
    found = [
        ((each.seen_on, each.logged_at), Entry(
            each.seen_on, Observation.Kind(each.kind).label, _detail(each), each.logged_by, each.flush
        ))
        for each in seen
    ] + [
        ((each.harvested_on, each.logged_at), _taken(each))
        for each in harvests
    ]  # fmt: skip
    return tuple(entry for _, entry in sorted(found, key=lambda pair: pair[0], reverse=True))


def _taken(harvest: Harvest) -> Entry:
    if harvest.corrects is None:
        says = f"{harvest.weighed_g:,} g weighed, {harvest.trimmed_g:,} g after trimming, grade {harvest.grade}"
        what, lot = "Harvest", harvest.lot.public_id
    else:
        says = f"{harvest.weighed_g:+,} g weighed, {harvest.trimmed_g:+,} g after trimming: {harvest.reason}"
        what, lot = "Harvest put right", harvest.corrects.lot.public_id
    return Entry(
        harvest.harvested_on, what, says, harvest.logged_by, harvest.flush, lot, weighed=harvest.corrects is None
    )


def _detail(seen: Observation) -> str:
    parts = []
    if seen.bags:
        parts.append(f"{seen.bags} {'bag' if seen.bags == 1 else 'bags'}, {seen.cause}")
    if seen.celsius_tenths is not None:
        parts.append(_degrees(seen.celsius_tenths))
    if seen.note:
        parts.append(seen.note)
    return "; ".join(parts)


def _warmth(room_id: int, *, since: date, until: date) -> tuple[Warmth, ...]:
    days = (
        Reading.objects.filter(room=room_id)
        .annotate(on=TruncDate("at", tzinfo=zone_of(farm().zone)))
        .filter(on__gte=since, on__lte=until)
        .order_by("on")
        .values("on")
        .annotate(mean=Avg("celsius_tenths"), low=Min("celsius_tenths"), high=Max("celsius_tenths"))
    )
    return tuple(
        Warmth(each["on"], f"{each['mean'] / 10:.1f}", f"{each['low'] / 10:.1f}", f"{each['high'] / 10:.1f}")
        for each in days
    )


def _went(batch: Batch) -> Iterable[Went]:
    for ground in batch.from_intakes.select_related("intake__donor").order_by("pk"):
        one = ground.intake
        yield Went(
            "intake",
            one.public_id,
            f"grounds from {one.donor.name}",
            one.collected_on,
            ground.grams,
            False,
            one.allergens,
        )
    for part in batch.from_spawn.select_related("spawn_delivery__supplier").order_by("pk"):
        spawn = part.spawn_delivery
        yield Went(
            "spawn_delivery", spawn.public_id, f"spawn from {spawn.supplier.name}", spawn.received_on, part.grams,
            False, spawn.allergens,
        )  # fmt: skip
    for used in batch.from_inputs.select_related("input_delivery__supplier").order_by("pk"):
        given = used.input_delivery
        yield Went(
            "input_delivery", given.public_id, f"{given.kind} from {given.supplier.name}", given.received_on,
            used.amount, given.kind == "bags", given.allergens,
        )  # fmt: skip


def _degrees(tenths: int) -> str:
    return f"{tenths / 10:g} °C"
