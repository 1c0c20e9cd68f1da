"""The farm itself: its row, closed days, strains and how long they keep, products and rooms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypedDict, Unpack

from django.db import transaction

from fulfilment.core.calendar import FarmCalendar, in_words
from fulfilment.core.care import KitProfile
from fulfilment.core.care.profiles import PROFILES as KNOWN_KITS
from fulfilment.core.growth import GOLDEN, PEARL, PINK, StrainProfile
from fulfilment.core.problems import Conflict, Invalid, Problem, Unconfirmed
from fulfilment.core.units import KIT, amount
from fulfilment.models import (
    Book,
    ClosedDay,
    Farm,
    Keeping,
    Line,
    Order,
    Product,
    Room,
    SharingRule,
    StandingOrder,
    Strain,
)
from fulfilment.read import dates
from fulfilment.read.farm import calendar as the_calendar
from fulfilment.read.farm import farm as the_farm
from fulfilment.services import events, given, jobs, measures, rows
from fulfilment.services.standing import reopen

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime, time
    from decimal import Decimal

KNOWN_GROWTH: Final[Mapping[str, StrainProfile]] = {"pearl": PEARL, "pink": PINK, "golden": GOLDEN}
"""Beginning profiles by name; the farm's own logs teach them better."""

SUBJECT: Final = "farm"
"""What an event about the farm's own row is about."""

_NUMBERS: Final = {
    "seed": (1, 2**31 - 1, "any"),
    "cut_off_days": (0, 14, "days before delivery"),
    "scenarios": (50, 10_000, "scenarios"),
    "horizon_days": (7, 90, "days"),
    "roll_days": (1, 90, "days"),
}


class Terms(TypedDict, total=False):
    """What the farm can say of itself besides its name and zone; what is left out stays as it is."""

    currency: str
    seed: int
    delivery_weekdays: Iterable[int]
    holiday_country: str
    holiday_region: str
    cut_off_days: int
    cut_off_time: time
    night_at: time
    harvest_before_packing: bool
    sharing_rule: str
    scenarios: int
    horizon_days: int
    roll_days: int
    allergen_wording: str
    mail_from: str
    phone: str


class Changes(Terms, total=False):
    name: str
    zone: str


# ---- The farm's row -------------------------------------------------------------------------------------------------


def set_up(name: str, *, zone: str, by: str, now: datetime, **terms: Unpack[Terms]) -> Farm:
    """The installation's one farm.  Asked again, the farm that stands is given back as it is."""
    with transaction.atomic():
        standing = Farm.objects.filter(pk=1).first()
        if standing is not None:
            return standing
        farm = Farm(pk=1, delivery_weekdays=[0, 1, 2, 3, 4])
        _apply(farm, {"name": name, "zone": zone, **terms})
        farm.save(force_insert=True)
        events.record("farm_set_up", subject=SUBJECT, by=by, at=now)
    return farm


def change_farm(*, by: str, now: datetime, **terms: Unpack[Changes]) -> Farm:
    """Other terms from now on.  Orders already placed keep the cut-off they were placed with."""
    with transaction.atomic():
        the_farm()
        farm = Farm.objects.select_for_update(no_key=True).get(pk=1)
        changed = _apply(farm, terms)
        if changed:
            farm.version += 1
            farm.save(update_fields=[*changed, "version"])
            events.record("farm_changed", subject=SUBJECT, by=by, at=now, data={"changed": changed})
            jobs.add("replan", due_at=now)
    return farm


def _apply(farm: Farm, terms: Mapping[str, Any]) -> list[str]:
    """Write the terms that are named onto ``farm``, each looked at, and say which of them are news."""
    looked_at = {name: _term(name, value) for name, value in terms.items()}
    changed = [name for name, value in looked_at.items() if getattr(farm, name) != value]
    for name in changed:
        setattr(farm, name, looked_at[name])
    if not farm.delivery_weekdays:
        raise Invalid(
            "At least one weekday must have deliveries: Monday is 0, Sunday 6.",
            code="no_weekday",
            where="delivery_weekdays",
        )
    try:
        FarmCalendar(zone=farm.zone, country=farm.holiday_country, subdivision=farm.holiday_region)
    except Problem as problem:
        problem.where = {"country": "holiday_country", "subdivision": "holiday_region"}.get(
            problem.where, problem.where
        )
        raise
    return changed


def _term(name: str, value: Any) -> object:
    match name:
        case "name":
            return given.text(value, where=name, at_most=120)
        case "zone":
            return given.zone(value, where=name)
        case "currency":
            return _currency(value)
        case "delivery_weekdays":
            return given.weekdays(value, where=name)
        case "holiday_country" | "holiday_region":
            return given.text(value, where=name, at_most=10, required=False).upper()
        case "sharing_rule":
            return given.one_of(value, SharingRule.values, where=name)
        case "allergen_wording":
            return _lines(value, where=name)
        case "mail_from":
            return given.email(value, where=name)
        case "phone":
            return given.text(value, where=name, at_most=40, required=False)
        case _ if name in _NUMBERS:
            least, most, unit = _NUMBERS[name]
            return given.number(value, where=name, at_least=least, at_most=most, unit=unit)
    return value


def _currency(code: str) -> str:
    if len(code) != 3 or not code.isascii() or not code.isalpha() or not code.isupper():
        raise Invalid(
            "A currency is three capital letters (ISO 4217), such as EUR.", code="unknown_currency", where="currency"
        )
    return code


def _lines(value: str, *, where: str) -> str:
    """Several lines of the farm's own words."""
    lines = [line.strip() for line in value.strip().splitlines()]
    for place, line in enumerate(lines):
        given.text(line, where=f"{where}.{place}", at_most=300, required=False)
    return "\n".join(lines)


def close_day(on: date, *, by: str, now: datetime, today: date, reason: str = "", confirmed: bool = False) -> ClosedDay:
    """No deliveries on that day.  Orders placed for it stay and standing orders leave it out, so it is asked once."""
    if on < today:
        raise Invalid(f"{in_words(on)} is over: close a day to come.", code="in_the_past", where="on")
    with transaction.atomic():
        closed = ClosedDay.objects.filter(on=on).first()
        if closed is not None:
            return closed
        placed, standing = _placed_for(on), _standing_on(on, now=now)
        if (placed or standing) and not confirmed:
            stays = f" Placed for it, and to be moved or cancelled by hand: {_listed(placed)}." if placed else ""
            left_out = f" Standing orders that leave it out or move it: {_listed(standing)}." if standing else ""
            raise Unconfirmed(
                f"{in_words(on)} has orders.{stays}{left_out} Confirm to close the day all the same.",
                where="on",
                placed=len(placed),
                orders=placed,
                standing_orders=standing,
            )
        closed = ClosedDay.objects.create(on=on, reason=given.text(reason, where="reason", at_most=120, required=False))
        events.record("day_closed", subject=on.isoformat(), by=by, at=now, data={"placed": len(placed)})
        jobs.add("replan", due_at=now)
    return closed


def _placed_for(on: date) -> list[str]:
    """The orders, by id, of which something is still to be delivered that day."""
    open_lines = Line.objects.filter(shipment__on=on, shipment__state__in=["placed", "packed"], cancelled_at=None)
    return list(open_lines.order_by("order").values_list("order__public_id", flat=True).distinct())


def _standing_on(on: date, *, now: datetime) -> list[str]:
    """The standing orders, by id, that come round on that day and have still to make their order for it."""
    calendar = the_calendar(the_farm())
    if now >= calendar.cut_off_at(on):
        return []
    made = Order.objects.filter(standing_on=on, cancelled_at__isnull=True).values("standing_order")
    running = StandingOrder.objects.filter(starts_on__lte=on, kitchen__active=True).exclude(ends_on__lt=on)
    return [
        each.public_id
        for each in dates.with_dates(running.exclude(pk__in=made)).order_by("pk")
        for fate in dates.fates(each, calendar, first=on, last=on)
        if fate.delivered_on == on
    ]


def _listed(ids: Sequence[str], *, most: int = 10) -> str:
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return f"{', '.join(ids[:most])}{more}"


def open_day(on: date, *, by: str, now: datetime) -> None:
    """The day is no longer closed; the dates of standing orders that were left out on it come back."""
    with transaction.atomic():
        gone, _ = ClosedDay.objects.filter(on=on).delete()
        if not gone:
            raise Conflict(f"{in_words(on)} is not a day that the farm closed.", code="not_closed", where="on")
        events.record("day_opened", subject=on.isoformat(), by=by, at=now)
        reopen(on, by=by, now=now)
        jobs.add("replan", due_at=now)


# ---- Strains and products -------------------------------------------------------------------------------------------


def register_strain(
    name: str,
    *,
    growth: str | Mapping[str, object],
    kit: str | Mapping[str, object],
    by: str,
    now: datetime,
    species: str = "",
    hardy: bool = True,
    cold_wait_days: int = 14,
    kit_weeks: int = 8,
) -> Strain:
    """A strain to grow: ``growth`` and ``kit`` are profiles, or the names of known ones."""
    with transaction.atomic():
        strain = Strain(
            name=given.text(name, where="name", at_most=60),
            species=given.text(species, where="species", at_most=80, required=False),
            growth=_growth(growth),
            kit=_kit(kit),
            hardy=hardy,
            cold_wait_days=given.number(cold_wait_days, where="cold_wait_days", at_least=0, at_most=60, unit="days"),
            kit_weeks=given.number(kit_weeks, where="kit_weeks", at_least=1, at_most=26, unit="weeks"),
        )
        if Strain.objects.filter(name__iexact=strain.name).exists():
            raise Conflict(f"There is a strain {strain.name} already: give another name.", code="taken", where="name")
        strain.save()
        events.record("strain_registered", subject=strain.public_id, by=by, at=now)
    return strain


def change_strain(
    strain_id: str,
    *,
    by: str,
    now: datetime,
    growth: str | Mapping[str, object] | None = None,
    kit: str | Mapping[str, object] | None = None,
    species: str | None = None,
    hardy: bool | None = None,
    cold_wait_days: int | None = None,
    kit_weeks: int | None = None,
) -> Strain:
    """Another profile or other terms of a strain from the next plan on; what is left out stays as it is.

    Lots already made keep their dates.  A grade that is sold or kept cannot be left out of a new growth profile
    (:class:`Conflict`).  The mails of kits that are out follow a new kit profile with the next night.
    """
    with transaction.atomic():
        strain = rows.lock(Strain, strain_id, where="strain")
        wanted: dict[str, object] = {}
        if growth is not None:
            wanted["growth"] = _growth(growth)
        if kit is not None:
            wanted["kit"] = _kit(kit)
        if species is not None:
            wanted["species"] = given.text(species, where="species", at_most=80, required=False)
        if hardy is not None:
            wanted["hardy"] = hardy
        if cold_wait_days is not None:
            wanted["cold_wait_days"] = given.number(
                cold_wait_days, where="cold_wait_days", at_least=0, at_most=60, unit="days"
            )
        if kit_weeks is not None:
            wanted["kit_weeks"] = given.number(kit_weeks, where="kit_weeks", at_least=1, at_most=26, unit="weeks")
        changed = sorted(name for name, value in wanted.items() if getattr(strain, name) != value)
        if not changed:
            return strain
        for name in changed:
            setattr(strain, name, wanted[name])
        _keep_grades(strain)
        strain.version += 1
        strain.save(update_fields=[*changed, "version"])
        events.record("strain_changed", subject=strain.public_id, by=by, at=now, data={"fields": changed})
        jobs.add("replan", due_at=now)
    return strain


def _keep_grades(strain: Strain) -> None:
    """Every grade that something hangs on is still one that the strain is sorted into."""
    used = set(Keeping.objects.filter(strain=strain).values_list("grade", flat=True))
    used |= set(Product.objects.filter(strain=strain, active=True).exclude(grade=KIT).values_list("grade", flat=True))
    gone = sorted(used - set(grades_of(strain)))
    if gone:
        raise Conflict(
            f"{strain.name} is kept and sold as grade {', '.join(gone)}: the growth profile must go on naming it.",
            code="grade_in_use",
            where="growth",
        )


def _growth(growth: str | Mapping[str, object]) -> dict[str, object]:
    if isinstance(growth, str):
        return KNOWN_GROWTH[given.one_of(growth, list(KNOWN_GROWTH), where="growth")].as_data()
    try:
        return StrainProfile.from_data(growth).as_data()
    except Problem as problem:
        raise problem.at("growth") from None


def _kit(kit: str | Mapping[str, object]) -> dict[str, object]:
    if isinstance(kit, str):
        return KNOWN_KITS[given.one_of(kit, list(KNOWN_KITS), where="kit")].as_data()
    try:
        return KitProfile.from_data(kit).as_data()
    except Problem as problem:
        raise problem.at("kit") from None


def grades_of(strain: Strain) -> list[str]:
    """The grades its fresh mushrooms are sorted into."""
    return [name for name, _ in StrainProfile.from_data(strain.growth).grades]


def keep(strain_id: str, *, grade: str, best_before_days: int, by: str, now: datetime, use_by: bool = False) -> Keeping:
    """How long this grade keeps once harvested.  Lots already made keep the date they were made with."""
    with transaction.atomic():
        strain = rows.lock(Strain, strain_id, where="strain")
        _check_grade(strain, grade)
        days = given.number(best_before_days, where="best_before_days", at_least=1, at_most=30, unit="days")
        keeping, _ = Keeping.objects.update_or_create(
            strain=strain, grade=grade, defaults={"best_before_days": days, "use_by": use_by}
        )
        Book.objects.get_or_create(strain=strain, grade=grade)
        events.record(
            "keeping_set",
            subject=strain.public_id,
            by=by,
            at=now,
            data={"grade": grade, "days": days, "use_by": use_by},
        )
        jobs.add("replan", due_at=now)
    return keeping


def _check_grade(strain: Strain, grade: str) -> None:
    if grade == KIT:
        raise Invalid(
            "Kits keep as many weeks as their strain says, from the day the bag was fully colonised.",
            code="not_fresh",
            where="grade",
        )
    grades = grades_of(strain)
    if grade not in grades:
        raise Invalid(
            f"{strain.name} has no grade {grade[:20]!r}: it is sorted into {', '.join(grades)}.",
            code="unknown_grade",
            where="grade",
        )


def add_product(
    strain_id: str, *, grade: str, pack: int, price_minor: int, name: str, by: str, now: datetime
) -> Product:
    """Something to order: a grade in packs of so many grams at a price a kilo, or single kits at a price each."""
    with transaction.atomic():
        strain = rows.find(Strain, strain_id, where="strain")
        if grade == KIT:
            if pack != 1:
                raise Invalid("A kit is sold by the piece: its pack is 1.", code="kit_is_single_piece", where="pack")
        elif not Keeping.objects.filter(strain=strain, grade=grade).exists():
            _check_grade(strain, grade)
            raise Conflict(
                f"Nobody has said how long grade {grade} of {strain.name} keeps: set its best-before days first.",
                code="no_keeping",
                where="grade",
            )
        if Product.objects.filter(strain=strain, grade=grade, pack=pack).exists():
            raise Conflict(
                f"{strain.name} {grade} is sold in packs of {pack} already: change that product.",
                code="taken",
                where="pack",
            )
        product = Product.objects.create(
            name=given.text(name, where="name", at_most=80),
            strain=strain,
            grade=grade,
            pack=amount(pack, where="pack", at_most=100_000),
            price_minor=amount(price_minor, where="price_minor", at_least=0, unit="minor units"),
        )
        Book.objects.get_or_create(strain=strain, grade=grade)
        events.record("product_added", subject=product.public_id, by=by, at=now, data={"strain": strain.public_id})
    return product


def change_product(
    product_id: str,
    *,
    by: str,
    now: datetime,
    name: str | None = None,
    price_minor: int | None = None,
    active: bool | None = None,
) -> Product:
    """Another name or price for lines to come, or no lines at all any more."""
    with transaction.atomic():
        product = rows.lock(Product, product_id, where="product")
        before = (product.name, product.price_minor, product.active)
        if name is not None:
            product.name = given.text(name, where="name", at_most=80)
        if price_minor is not None:
            product.price_minor = amount(price_minor, where="price_minor", at_least=0, unit="minor units")
        if active is not None:
            product.active = active
        if (product.name, product.price_minor, product.active) == before:
            return product
        product.version += 1
        product.save()
        events.record(
            "product_changed",
            subject=product.public_id,
            by=by,
            at=now,
            data={"price_minor": product.price_minor, "active": product.active},
        )
    return product


# ---- Rooms ----------------------------------------------------------------------------------------------------------


def add_room(name: str, *, kind: str, set_point_c: float | Decimal, by: str, now: datetime) -> Room:
    """An incubation, fruiting or cold room and the temperature it is kept at."""
    with transaction.atomic():
        name = given.text(name, where="name", at_most=60)
        if Room.objects.filter(name__iexact=name).exists():
            raise Conflict(f"There is a room {name} already: give another name.", code="taken", where="name")
        room = Room.objects.create(
            name=name,
            kind=given.one_of(kind, Room.Kind.values, where="kind"),
            set_point_tenths=measures.tenths(set_point_c, where="set_point_c"),
        )
        events.record("room_added", subject=room.public_id, by=by, at=now)
    return room


def set_room(room_id: str, *, set_point_c: float | Decimal, by: str, now: datetime) -> Room:
    """Keep the room at another temperature from now on: what grows in it comes earlier or later."""
    with transaction.atomic():
        room = rows.lock(Room, room_id, where="room")
        room.set_point_tenths = measures.tenths(set_point_c, where="set_point_c")
        room.save(update_fields=["set_point_tenths"])
        events.record(
            "room_set", subject=room.public_id, by=by, at=now, data={"set_point_tenths": room.set_point_tenths}
        )
        jobs.add("replan", due_at=now)
    return room


def rename_room(room_id: str, *, name: str, by: str, now: datetime) -> Room:
    """The same room under another name."""
    with transaction.atomic():
        room = rows.lock(Room, room_id, where="room")
        name = given.text(name, where="name", at_most=60)
        if name == room.name:
            return room
        if Room.objects.filter(name__iexact=name).exclude(pk=room.pk).exists():
            raise Conflict(f"There is a room {name} already: give another name.", code="taken", where="name")
        room.name = name
        room.save(update_fields=["name"])
        events.record("room_renamed", subject=room.public_id, by=by, at=now)
    return room
