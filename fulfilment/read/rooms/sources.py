"""Where bags come from: donors and intakes, suppliers and deliveries, what is left of each, what a mix begins with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from django.db.models import F, Q, QuerySet, Sum
from django.db.models.functions import Coalesce

from fulfilment.models import Batch, Donor, Hold, InputDelivery, Intake, Kitchen, Room, SpawnDelivery, Strain, Supplier

MOST: Final = 60
"""So many of each are shown, the newest first."""

WET_G: Final = 3000
DRY_G: Final = 1000
SPAWN_PCT: Final = 15
"""A first bag, until the farm has mixed its own: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Source:
    """An intake or a delivery; ``kind`` is what a hold calls it.  ``left`` is what went into no batch yet."""

    kind: str
    code: str
    what: str
    giver: str
    on: date
    amount: int
    left: int
    pieces: bool
    note: str
    refused: str
    strain: str = ""
    held: tuple[str, ...] = ()
    destroyed: bool = False

    @property
    def usable(self) -> bool:
        return self.left > 0 and not self.refused and not self.held and not self.destroyed


@dataclass(frozen=True, slots=True)
class Giver:
    """A donor or a supplier."""

    code: str
    name: str
    email: str
    phone: str


@dataclass(frozen=True, slots=True)
class Sources:
    donors: tuple[Giver, ...]
    suppliers: tuple[Giver, ...]
    intakes: tuple[Source, ...]
    spawn: tuple[Source, ...]
    inputs: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Named:
    """Something to choose from."""

    code: str
    name: str


@dataclass(frozen=True, slots=True)
class Before:
    """What the last batch was mixed by: the next one mostly is alike."""

    strain: str = ""
    room: str = ""
    bags: int | None = None
    wet_g: int = WET_G
    dry_g: int = DRY_G
    spawn_pct: int = SPAWN_PCT
    heat_treatment: str = ""
    recipe: str = ""


def sources() -> Sources:
    """All that came in lately, in a fixed number of statements."""
    return Sources(
        donors=tuple(_giver(each) for each in Donor.objects.order_by("name")),
        suppliers=tuple(_giver(each) for each in Supplier.objects.order_by("name")),
        intakes=intakes(),
        spawn=spawn(),
        inputs=inputs(),
    )


def intakes(*, left_only: bool = False) -> tuple[Source, ...]:
    """The newest; with ``left_only`` only those of which something is left."""
    rows = Intake.objects.select_related("donor").annotate(used=Coalesce(Sum("into_batches__grams"), 0))
    if left_only:
        rows = rows.filter(grams__gt=F("used"))
    held, gone = _stops("intake")
    return tuple(
        Source(
            "intake", each.public_id, "grounds", each.donor.name, each.collected_on, each.grams,
            each.grams - each.used, False, _joined(f"{each.hours_since_brewing} h since brewing", each.allergens),
            "" if each.accepted else each.refused_because, held=held.get(each.pk, ()), destroyed=each.pk in gone,
        )
        for each in rows.order_by("-collected_on", "-pk")[:MOST]
    )  # fmt: skip


def spawn(*, left_only: bool = False) -> tuple[Source, ...]:
    rows = SpawnDelivery.objects.select_related("supplier", "strain").annotate(
        used=Coalesce(Sum("into_batches__grams"), 0)
    )
    if left_only:
        rows = rows.filter(grams__gt=F("used"))
    held, gone = _stops("spawn_delivery")
    return tuple(
        Source(
            "spawn_delivery", each.public_id, f"{each.strain.name} spawn", each.supplier.name, each.received_on,
            each.grams, each.grams - each.used, False, _joined(_lot(each.supplier_lot), each.allergens), "",
            strain=each.strain.public_id, held=held.get(each.pk, ()), destroyed=each.pk in gone,
        )
        for each in rows.order_by("-received_on", "-pk")[:MOST]
    )  # fmt: skip


def inputs(*, left_only: bool = False) -> tuple[Source, ...]:
    rows = InputDelivery.objects.select_related("supplier").annotate(used=Coalesce(Sum("into_batches__amount"), 0))
    if left_only:
        rows = rows.filter(amount__gt=F("used"))
    held, gone = _stops("input_delivery")
    return tuple(
        Source(
            "input_delivery", each.public_id, each.kind, each.supplier.name, each.received_on, each.amount,
            each.amount - each.used, each.kind == InputDelivery.Kind.BAGS,
            _joined(_lot(each.supplier_lot), each.allergens), "", held=held.get(each.pk, ()), destroyed=each.pk in gone,
        )
        for each in rows.order_by("-received_on", "-pk")[:MOST]
    )  # fmt: skip


def donors() -> tuple[Named, ...]:
    return _named(Donor.objects.order_by("name"))


def suppliers() -> tuple[Named, ...]:
    return _named(Supplier.objects.order_by("name"))


def strains() -> tuple[Named, ...]:
    return _named(Strain.objects.order_by("name"))


def rooms(*kinds: str) -> tuple[Named, ...]:
    """The rooms of these kinds (``fruiting``, ``incubation``, ``cold``)."""
    return _named(Room.objects.filter(kind__in=kinds).order_by("name"))


def kitchens_without_donor() -> tuple[Named, ...]:
    """Kitchens that may turn out to give grounds too."""
    return _named(Kitchen.objects.filter(active=True, donor__isnull=True).order_by("name"))


def input_kinds() -> tuple[tuple[str, str], ...]:
    return tuple((str(value), str(label)) for value, label in InputDelivery.Kind.choices)


def before() -> Before:
    """The last batch's figures; common ones where there is none."""
    last = Batch.objects.select_related("strain", "room").order_by("-mixed_on", "-pk").first()
    if last is None:
        return Before()
    return Before(
        strain=last.strain.public_id, room=last.room.public_id, bags=last.bags, wet_g=last.wet_g_per_bag,
        dry_g=last.dry_g_per_bag, spawn_pct=last.spawn_pct, heat_treatment=last.heat_treatment, recipe=last.recipe,
    )  # fmt: skip


def _giver(row: Donor | Supplier) -> Giver:
    return Giver(row.public_id, row.name, row.email, row.phone)


def _named(
    rows: QuerySet[Donor] | QuerySet[Supplier] | QuerySet[Strain] | QuerySet[Room] | QuerySet[Kitchen],
) -> tuple[Named, ...]:
    return tuple(Named(code, name) for code, name in rows.values_list("public_id", "name"))


def _stops(kind: str) -> tuple[Mapping[int, tuple[str, ...]], frozenset[int]]:
    """Why each is held, and which were destroyed."""
    held: dict[int, tuple[str, ...]] = {}
    gone = set()
    stops = Hold.objects.filter(
        Q(ended_at__isnull=True) | Q(outcome=Hold.Outcome.DESTROYED), **{f"{kind}__isnull": False}
    ).order_by("placed_at", "pk")
    for pk, reason, outcome in stops.values_list(kind, "reason", "outcome"):
        if outcome:
            gone.add(pk)
        else:
            held[pk] = (*held.get(pk, ()), reason)
    return held, frozenset(gone)


def _lot(number: str) -> str:
    return f"supplier’s lot {number}" if number else ""


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
