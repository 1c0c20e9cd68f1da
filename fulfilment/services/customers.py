"""Customers and their terms: kitchens with addresses and substitutes, buyers, and who holds a kit."""

from __future__ import annotations

from datetime import datetime, time
from typing import TYPE_CHECKING, Any, TypedDict, Unpack, cast

from django.db import transaction

from fulfilment.core.problems import Invalid, Missing
from fulfilment.core.units import KIT, amount
from fulfilment.models import Address, AgreedPrice, Buyer, Holder, Keeping, Kitchen, Product, Strain, Substitute
from fulfilment.services import caring, events, given, jobs, rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


class Terms(TypedDict, total=False):
    """What a farm agrees with a kitchen."""

    phone: str
    tier: int
    delivery_weekdays: Sequence[int]
    window_from: time
    window_to: time
    max_age_days: int
    chance_pct: int
    tolerance_pct: int
    tell_me_by: time
    round_name: str


class Changes(Terms, total=False):
    """What can be changed of a kitchen afterwards."""

    name: str
    email: str
    active: bool


class Place(TypedDict, total=False):
    """An address as given; ``street`` and ``town`` are needed, ``name`` is the customer's unless given."""

    name: str
    street: str
    postcode: str
    town: str
    country: str
    latitude: float | None
    longitude: float | None
    instructions: str


_NUMBERS = {
    "tier": (1, 5, "1 is served first of what is left"),
    "max_age_days": (1, 14, "days since harvest"),
    "chance_pct": (50, 99, "percent"),
    "tolerance_pct": (0, 25, "percent"),
}
_CHANGES_SUPPLY_OR_DEMAND = frozenset({"tier", "max_age_days", "chance_pct"})


def add_kitchen(name: str, *, email: str, address: Place, by: str, now: datetime, **terms: Unpack[Terms]) -> Kitchen:
    """A kitchen with its first address; terms that are not named are the farm's usual ones."""
    with transaction.atomic():
        kitchen = Kitchen(
            name=given.text(name, where="name", at_most=120), email=given.email(email), made_at=now, **_terms(terms)
        )
        _check_window(kitchen)
        kitchen.save()
        _store_address(address, kitchen=kitchen, name=kitchen.name)
        events.record("kitchen_added", subject=kitchen.public_id, by=by, at=now, kitchen=kitchen)
    return kitchen


def change_kitchen(kitchen: str, *, by: str, now: datetime, **changes: Unpack[Changes]) -> Kitchen:
    """Other terms, another name or mail address; the signed links of the old mail address stop working."""
    with transaction.atomic():
        row = rows.lock(Kitchen, kitchen, where="kitchen")
        wanted = _terms(changes)
        if "name" in changes:
            wanted["name"] = given.text(changes["name"], where="name", at_most=120)
        if "email" in changes:
            wanted["email"] = given.email(changes["email"])
        if "active" in changes:
            wanted["active"] = bool(changes["active"])
        changed = sorted(field for field, value in wanted.items() if getattr(row, field) != value)
        if not changed:
            return row
        for field in changed:
            setattr(row, field, wanted[field])
        if "email" in changed:
            row.link_version += 1
        _check_window(row)
        row.version += 1
        row.save()
        events.record("kitchen_changed", subject=row.public_id, by=by, at=now, kitchen=row, data={"fields": changed})
        if _CHANGES_SUPPLY_OR_DEMAND.intersection(changed):
            jobs.add("replan", due_at=now)
    return row


def revoke_links(kitchen: str, *, by: str, now: datetime) -> Kitchen:
    """Every link sent to this kitchen so far stops working."""
    with transaction.atomic():
        row = rows.lock(Kitchen, kitchen, where="kitchen")
        row.link_version += 1
        row.version += 1
        row.save(update_fields=["link_version", "version"])
        events.record("kitchen_links_revoked", subject=row.public_id, by=by, at=now, kitchen=row)
    return row


def revoke_holder_links(holder: str, *, by: str, now: datetime) -> Holder:
    """Every link sent to this holder so far stops working, the one that ends care mails too."""
    with transaction.atomic():
        row = rows.lock(Holder, holder, where="holder")
        row.link_version += 1
        row.version += 1
        row.save(update_fields=["link_version", "version"])
        events.record("holder_links_revoked", subject=row.public_id, by=by, at=now)
    return row


def add_address(
    address: Place, *, kitchen: str | None = None, buyer: str | None = None, by: str, now: datetime
) -> Address:
    """One more address of a kitchen or of a buyer."""
    if (kitchen is None) == (buyer is None):
        raise Invalid("An address belongs to a kitchen or to a buyer: name one of the two.", where="kitchen")
    with transaction.atomic():
        if kitchen is not None:
            owner = rows.find(Kitchen, kitchen, where="kitchen")
            stored = _store_address(address, kitchen=owner, name=owner.name)
            events.record(
                "address_added", subject=owner.public_id, by=by, at=now, kitchen=owner, data={"address": stored.pk}
            )
        else:
            person = _living_buyer(cast(str, buyer))
            stored = _store_address(address, buyer=person, name=person.name)
            events.record(
                "address_added", subject=person.public_id, by=by, at=now, buyer=person, data={"address": stored.pk}
            )
    return stored


def change_address(address: int, place: Place, *, by: str, now: datetime) -> Address:
    """The same address put right, for deliveries to come and for those already placed.

    ``place`` is the whole address.  Somebody who moves is better given a new one.
    """
    with transaction.atomic():
        row = Address.objects.select_for_update(no_key=True, of=("self",)).filter(pk=address).first()
        if row is None:
            raise Missing("There is no such address.", where="address")
        owner = row.kitchen or row.buyer
        if isinstance(owner, Buyer) and owner.erased_at is not None:
            raise Missing("There is no such address.", where="address")
        for field, value in _looked_at(place, name=row.name).items():
            setattr(row, field, value)
        row.save()
        events.record(
            "address_changed",
            subject=owner.public_id if owner is not None else str(row.pk),
            by=by,
            at=now,
            kitchen=row.kitchen,
            buyer=row.buyer,
            data={"address": row.pk},
        )
    return row


def set_substitutes(
    kitchen: str, pairs: Sequence[tuple[str, str, str, str]], *, by: str, now: datetime
) -> list[Substitute]:
    """What this kitchen takes instead, in its order of preference; replaces what was agreed before.

    Each pair is (strain, grade, strain instead, grade instead), strains by public id.
    """
    with transaction.atomic():
        owner = rows.lock(Kitchen, kitchen, where="kitchen")
        found = [_substitute(owner, pair, place) for place, pair in enumerate(pairs)]
        seen: set[tuple[int, str, int, str]] = set()
        for place, each in enumerate(found):
            key = (each.strain_id, each.grade, each.instead_strain_id, each.instead_grade)
            if key in seen:
                raise Invalid(
                    "This substitute is named twice: name it once, at its place in the order of preference.",
                    code="named_twice",
                    where=f"substitutes.{place}",
                )
            seen.add(key)
        owner.substitutes.all().delete()
        stored = Substitute.objects.bulk_create(found)
        owner.version += 1
        owner.save(update_fields=["version"])
        events.record(
            "substitutes_set", subject=owner.public_id, by=by, at=now, kitchen=owner, data={"pairs": len(stored)}
        )
        jobs.add("replan", due_at=now)
    return stored


def set_prices(kitchen: str, prices: Mapping[str, int], *, by: str, now: datetime) -> list[AgreedPrice]:
    """What this kitchen pays, by product id, in minor units per kilo or per kit; replaces what was agreed before.

    Lines already placed keep the price they were placed at; of what is not named it pays everybody's price.
    """
    with transaction.atomic():
        owner = rows.lock(Kitchen, kitchen, where="kitchen")
        found: dict[int, AgreedPrice] = {}
        for place, (product_id, minor) in enumerate(prices.items()):
            product = rows.find(Product, product_id, where=f"prices.{place}.product")
            if product.pk in found:
                raise Invalid(
                    f"{product.name} is named twice: give it one price.", code="named_twice", where=f"prices.{place}"
                )
            agreed = amount(minor, where=f"prices.{place}.price", at_least=0, unit="minor units")
            found[product.pk] = AgreedPrice(kitchen=owner, product=product, price_minor=agreed)
        owner.agreed_prices.all().delete()
        stored = AgreedPrice.objects.bulk_create(found.values())
        owner.version += 1
        owner.save(update_fields=["version"])
        events.record(
            "prices_set", subject=owner.public_id, by=by, at=now, kitchen=owner,
            data={"prices": {each.product.public_id: each.price_minor for each in stored}},
        )  # fmt: skip
    return stored


def add_buyer(
    name: str, *, email: str, zone: str, address: Place | None = None, phone: str = "", by: str, now: datetime
) -> Buyer:
    """Who pays for kits; ``zone`` is the clock by which their mails come."""
    with transaction.atomic():
        buyer = Buyer.objects.create(
            name=given.text(name, where="name", at_most=120),
            email=given.email(email),
            phone=given.text(phone, where="phone", at_most=40, required=False),
            zone=given.zone(zone),
            made_at=now,
        )
        if address is not None:
            _store_address(address, buyer=buyer, name=buyer.name)
        events.record("buyer_added", subject=buyer.public_id, by=by, at=now, buyer=buyer)
    return buyer


def change_buyer(
    buyer: str,
    *,
    by: str,
    now: datetime,
    name: str | None = None,
    email: str | None = None,
    phone: str | None = None,
    zone: str | None = None,
) -> Buyer:
    """Another name, mail address, telephone number or zone; what is left out stays as it is.

    A buyer who holds a kit is told of its care there too from now on, and the signed links in mails to an old address
    stop working.
    """
    with transaction.atomic():
        row = rows.lock(Buyer, _living_buyer(buyer).public_id, where="buyer")
        wanted: dict[str, str] = {}
        if name is not None:
            wanted["name"] = given.text(name, where="name", at_most=120)
        if email is not None:
            wanted["email"] = given.email(email)
        if phone is not None:
            wanted["phone"] = given.text(phone, where="phone", at_most=40, required=False)
        if zone is not None:
            wanted["zone"] = given.zone(zone)
        changed = sorted(field for field, value in wanted.items() if getattr(row, field) != value)
        if not changed:
            return row
        for field in changed:
            setattr(row, field, wanted[field])
        row.version += 1
        row.save(update_fields=[*changed, "version"])
        _carry_over(row, changed, now=now)
        events.record("buyer_changed", subject=row.public_id, by=by, at=now, buyer=row, data={"fields": changed})
    return row


def _carry_over(buyer: Buyer, changed: Sequence[str], *, now: datetime) -> None:
    """The buyer as the one who looks after a kit is the same person."""
    holder = Holder.objects.select_for_update(no_key=True).filter(buyer=buyer, erased_at__isnull=True).first()
    fields = [field for field in changed if field != "phone"]
    if holder is None or not fields:
        return
    for field in fields:
        setattr(holder, field, getattr(buyer, field))
    if "email" in fields:
        holder.link_version += 1
    holder.version += 1
    holder.save(update_fields=[*fields, "link_version", "version"])
    if "zone" in fields:
        caring.follow_all([holder.pk], now=now)


def holder_of(buyer: Buyer, *, now: datetime) -> Holder:
    """The buyer as the one who looks after a kit; made the first time it is asked for."""
    with transaction.atomic():
        holder, _ = Holder.objects.get_or_create(
            buyer=buyer, defaults={"name": buyer.name, "email": buyer.email, "zone": buyer.zone, "made_at": now}
        )
    return holder


def _terms(terms: Mapping[str, Any]) -> dict[str, Any]:
    """The terms that are named, each looked at."""
    stored: dict[str, Any] = {}
    for field, (least, most, unit) in _NUMBERS.items():
        if field in terms:
            stored[field] = given.number(terms[field], where=field, at_least=least, at_most=most, unit=unit)
    for field in ("window_from", "window_to", "tell_me_by"):
        if field in terms:
            stored[field] = terms[field]
    if "phone" in terms:
        stored["phone"] = given.text(terms["phone"], where="phone", at_most=40, required=False)
    if "round_name" in terms:
        stored["round_name"] = given.text(terms["round_name"], where="round_name", at_most=60)
    if "delivery_weekdays" in terms:
        stored["delivery_weekdays"] = given.weekdays(terms["delivery_weekdays"], where="delivery_weekdays")
    return stored


def _check_window(kitchen: Kitchen) -> None:
    if kitchen.window_from >= kitchen.window_to:
        raise Invalid(
            f"The delivery window ends at {kitchen.window_to:%H:%M}, which is not after it begins at "
            f"{kitchen.window_from:%H:%M}: give a later end.",
            code="window_closed",
            where="window_to",
        )


def _store_address(place: Place, *, name: str, kitchen: Kitchen | None = None, buyer: Buyer | None = None) -> Address:
    return Address.objects.create(kitchen=kitchen, buyer=buyer, **_looked_at(place, name=name))


def _looked_at(place: Place, *, name: str) -> dict[str, Any]:
    """An address as it is stored."""
    where = "address"
    for field in ("street", "town"):
        if not place.get(field):
            raise Invalid(f"An address needs a {field}.", code="empty", where=f"{where}.{field}")
    country = given.text(place.get("country", "XX"), where=f"{where}.country", at_most=2).upper()
    if len(country) != 2 or not country.isascii() or not country.isalpha():
        raise Invalid(
            "A country is given by the two letters of ISO 3166, such as DE.",
            code="unknown_country",
            where=f"{where}.country",
        )
    latitude, longitude = place.get("latitude"), place.get("longitude")
    if (latitude is None) != (longitude is None):
        raise Invalid("Latitude and longitude are given together or not at all.", where=f"{where}.latitude")
    return {
        "name": given.text(place.get("name") or name, where=f"{where}.name", at_most=120),
        "street": given.text(place["street"], where=f"{where}.street", at_most=160),
        "postcode": given.text(place.get("postcode", ""), where=f"{where}.postcode", at_most=16, required=False),
        "town": given.text(place["town"], where=f"{where}.town", at_most=80),
        "country": country,
        "latitude": _degrees(latitude, most=90, where=f"{where}.latitude"),
        "longitude": _degrees(longitude, most=180, where=f"{where}.longitude"),
        "instructions": given.text(
            place.get("instructions", ""), where=f"{where}.instructions", at_most=200, required=False
        ),
    }


def _degrees(value: float | None, *, most: int, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not -most <= value <= most:
        raise Invalid(f"This must be degrees from -{most} to {most}.", code="out_of_range", where=where)
    return float(value)


def _substitute(kitchen: Kitchen, pair: tuple[str, str, str, str], place: int) -> Substitute:
    where = f"substitutes.{place}"
    strain_id, grade, instead_id, instead_grade = pair
    strain = rows.find(Strain, strain_id, where=f"{where}.strain")
    instead = rows.find(Strain, instead_id, where=f"{where}.instead_strain")
    if (strain.pk, grade) == (instead.pk, instead_grade):
        raise Invalid(
            f"{strain.name} {grade} cannot stand in for itself: name another strain or grade.",
            code="substitute_of_itself",
            where=where,
        )
    for one, its_grade, end in ((strain, grade, "grade"), (instead, instead_grade, "instead_grade")):
        if its_grade == KIT:
            raise Invalid("A kit has no substitute: only fresh mushrooms do.", code="no_kits", where=f"{where}.{end}")
        known = set(Keeping.objects.filter(strain=one).values_list("grade", flat=True))
        known |= set(Product.objects.filter(strain=one).exclude(grade=KIT).values_list("grade", flat=True))
        if its_grade not in known:
            raise Invalid(
                f"{one.name} has no grade {its_grade!r}: it has {', '.join(sorted(known)) or 'none yet'}.",
                code="unknown_grade",
                where=f"{where}.{end}",
            )
    return Substitute(
        kitchen=kitchen,
        strain=strain,
        grade=grade,
        instead_strain=instead,
        instead_grade=instead_grade,
        position=place + 1,
    )


def _living_buyer(buyer: str) -> Buyer:
    found = rows.find(Buyer, buyer, where="buyer")
    if found.erased_at is not None:
        raise Missing(f"There is no buyer {found.public_id}.", where="buyer", id=found.public_id)
    return found
