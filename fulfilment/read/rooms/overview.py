"""The rooms with what stands in them: what is due today first, then by the day it is expected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import F, OuterRef, Subquery, Sum

from fulfilment.core.growth import Stage, biological_efficiency
from fulfilment.models import Batch, Crop, Harvest, Reading, Room
from fulfilment.read import holds
from fulfilment.read.growing import kits_in_store
from fulfilment.read.rooms import expected
from fulfilment.read.rooms.expected import Expected, Outlooks

FAR_OFF_TENTHS: Final = 30
"""A reading so many tenths of a degree from the set point is marked."""
OLD_READING: Final = timedelta(days=2)
MOST_FINISHED: Final = 100


@dataclass(frozen=True, slots=True)
class Climate:
    """A room's temperature: ``off`` says how far the last reading is from the set point, empty where it is near."""

    set_point: str
    celsius: str
    read_at: datetime | None
    off: str
    old: bool


@dataclass(frozen=True, slots=True)
class Living:
    """One batch (``page`` ``batch``) or crop (``crop``) in a room; ``held`` are the reasons it is stopped for."""

    page: str
    code: str
    strain: str
    stage: str
    bags: int
    age: str
    expected: Expected
    held: tuple[str, ...]

    @property
    def rank(self) -> tuple[bool, bool, date, str]:
        """Due before not due, late before due, then by the middle day."""
        days = self.expected.days
        return (not self.expected.due, not self.expected.late, days[1] if days else date.max, self.code)


@dataclass(frozen=True, slots=True)
class Place:
    """A room with what stands in it."""

    code: str
    name: str
    kind: str
    climate: Climate
    living: tuple[Living, ...]

    @property
    def due(self) -> int:
        return sum(bool(each.expected.due) for each in self.living)

    @property
    def bags(self) -> int:
        return sum(each.bags for each in self.living)


@dataclass(frozen=True, slots=True)
class Overview:
    places: tuple[Place, ...]
    shown: tuple[Place, ...]
    """The places after the filter."""
    finished: int

    @property
    def due(self) -> int:
        return sum(place.due for place in self.places)


@dataclass(frozen=True, slots=True)
class Over:
    """A finished crop: what it gave in all."""

    code: str
    strain: str
    room: str
    bags: int
    lost: int
    opened_on: date
    finished_on: date
    flushes: int
    weighed_g: int
    efficiency_pct: int


def overview(*, today: date, now: datetime, room: str = "") -> Overview:
    """Every room; ``room`` (a code) narrows what is shown."""
    outlooks = expected.newest()
    held = holds.reasons_by_batch()
    living: dict[int, list[Living]] = {}
    for crop, one in _crops(outlooks, held, today=today):
        living.setdefault(crop.room_id, []).append(one)
    for batch, one in _batches(outlooks, held, today=today):
        living.setdefault(batch.room_id, []).append(one)
    places = [
        Place(
            code=each.public_id,
            name=each.name,
            kind=each.kind,
            climate=climate_of(each, now=now),
            living=tuple(sorted(living.get(each.pk, ()), key=lambda one: one.rank)),
        )
        for each in with_reading()
    ]
    kinds = [Room.Kind.FRUITING, Room.Kind.INCUBATION, Room.Kind.COLD]
    places.sort(key=lambda place: (kinds.index(Room.Kind(place.kind)), place.name))
    shown = [place for place in places if not room or place.code == room]
    return Overview(tuple(places), tuple(shown or places), Crop.objects.filter(finished_on__isnull=False).count())


def finished() -> tuple[Over, ...]:
    """The crops that are over, the last first."""
    crops = (
        Crop.objects.filter(finished_on__isnull=False)
        .select_related("batch__strain", "room")
        .annotate(weighed=Sum("harvests__weighed_g"))
        .order_by("-finished_on", "-pk")[:MOST_FINISHED]
    )
    return tuple(
        Over(
            code=crop.public_id,
            strain=crop.batch.strain.name,
            room=crop.room.name,
            bags=crop.bags,
            lost=crop.bags_lost,
            opened_on=crop.opened_on,
            finished_on=crop.finished_on or crop.stage_since,
            flushes=crop.flush,
            weighed_g=crop.weighed or 0,
            efficiency_pct=round(biological_efficiency(crop.weighed or 0, dry_g=crop.bags * crop.batch.dry_g_per_bag)),
        )
        for crop in crops
    )


def with_reading() -> Iterable[Room]:
    """The rooms with ``tenths`` and ``read_at`` of their newest reading."""
    last = Reading.objects.filter(room=OuterRef("pk")).order_by("-at", "-pk")
    return Room.objects.annotate(
        tenths=Subquery(last.values("celsius_tenths")[:1]), read_at=Subquery(last.values("at")[:1])
    ).order_by("name")


def climate_of(room: Room, *, now: datetime) -> Climate:
    """``room`` from :func:`with_reading`."""
    tenths: int | None = getattr(room, "tenths", None)
    read_at: datetime | None = getattr(room, "read_at", None)
    off = ""
    if tenths is not None and abs(tenths - room.set_point_tenths) >= FAR_OFF_TENTHS:
        apart = tenths - room.set_point_tenths
        off = f"{abs(apart) / 10:g} °C {'above' if apart > 0 else 'below'} its set point"
    return Climate(
        set_point=f"{room.set_point_tenths / 10:g} °C",
        celsius="" if tenths is None else f"{tenths / 10:g} °C",
        read_at=read_at,
        off=off,
        old=read_at is not None and now - read_at > OLD_READING,
    )


def crop_in_words(crop: Crop, *, today: date) -> str:
    """Its age and its flush: ``flush 2 · open for 21 days``."""
    days = (today - crop.opened_on).days
    return f"flush {crop.flush} · open for {days} {'day' if days == 1 else 'days'}"


def batch_in_words(batch: Batch, *, today: date) -> str:
    days = (today - batch.mixed_on).days
    return f"mixed {days} {'day' if days == 1 else 'days'} ago"


def taken_now() -> Mapping[tuple[int, int], int]:
    """(crop, flush) → grams as weighed, of the crops that are not over."""
    rows = (
        Harvest.objects.filter(crop__finished_on__isnull=True)
        .order_by()
        .values_list("crop", "flush")
        .annotate(sum=Sum("weighed_g"))
    )
    return {(crop, flush): grams for crop, flush, grams in rows}


def _crops(outlooks: Outlooks, held: Mapping[int, tuple[str, ...]], *, today: date) -> Iterable[tuple[Crop, Living]]:
    taken = taken_now()
    for crop in Crop.objects.filter(finished_on__isnull=True).select_related("batch__strain", "room").order_by("pk"):
        why = held.get(crop.batch_id, ())
        yield (
            crop,
            Living(
                page="crop",
                code=crop.public_id,
                strain=crop.batch.strain.name,
                stage=crop.stage,
                bags=crop.bags_alive,
                age=crop_in_words(crop, today=today),
                expected=expected.of_crop(
                    crop, outlooks, taken_g=taken.get((crop.pk, crop.flush), 0), held=bool(why), today=today
                ),
                held=why,
            ),
        )


def _batches(outlooks: Outlooks, held: Mapping[int, tuple[str, ...]], *, today: date) -> Iterable[tuple[Batch, Living]]:
    in_store = kits_in_store()
    left = Batch.objects.filter(bags__gt=F("bags_lost") + F("bags_opened") + F("bags_sealed"))
    for batch in left.select_related("strain", "room").order_by("pk"):
        why = held.get(batch.pk, ())
        yield (
            batch,
            Living(
                page="batch",
                code=batch.public_id,
                strain=batch.strain.name,
                stage=str(Stage.COLONISING) if batch.colonised_on is None else "run full",
                bags=batch.bags_left,
                age=batch_in_words(batch, today=today),
                expected=expected.of_batch(
                    batch, outlooks, kits_in_store=in_store.get(batch.pk, 0), held=bool(why), today=today
                ),
                held=why,
            ),
        )
