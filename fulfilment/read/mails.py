"""What a mail is about, found when it is sent: its receiver and the facts its words are made from.

A batch is read together, so that sending many mails costs few queries.  ``Mail.subject`` holds ids, public or the rows'
own numbers, by kind:

* ``order_received``: ``{"order": id}``
* ``shortage``: ``{"order": id, "lines": [numbers]}``; without numbers, every line promised less than its order
* ``kit_sent``: ``{"shipment": id}``
* ``care`` and ``safety``: nothing; the care mails that point to the mail say which steps of which kits
* to the staff, of any kind: numbers and ids, shown as they are under the kind's name
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Final, TypeVar

from django.db.models import Model, Q

from fulfilment.core.calendar import in_words
from fulfilment.core.care import PROGRAMME, KitProfile
from fulfilment.core.problems import Missing
from fulfilment.core.promises.answers import words
from fulfilment.models import CareMail, CareStep, Kit, Line, Mail, Order, Shipment
from fulfilment.read import links
from fulfilment.read.farm import farm

if TYPE_CHECKING:
    from datetime import datetime

    from django.db.models import QuerySet

    from fulfilment.models import Farm

Row = TypeVar("Row", bound=Model)
Key = TypeVar("Key")
Thing = TypeVar("Thing")

MAY_UNSUBSCRIBE: Final = frozenset({"care"})
CHANCE_IN_WORDS: Final[Mapping[str, str]] = {
    "sure": "sure",
    "likely": "likely",
    "do_not_plan_on_it": "do not plan on it",
}


@dataclass(frozen=True, slots=True)
class Letter:
    """One mail, ready to be written."""

    mail: Mail
    template: str
    to: str
    from_name: str
    from_address: str
    facts: Mapping[str, object]
    may_unsubscribe: bool = False


@dataclass(frozen=True, slots=True)
class LineFacts:
    """A line in a customer's words."""

    number: int
    product: str
    ordered: str
    promised: str
    comes: str
    nothing_comes: bool
    whole: bool
    nothing: bool
    chance: str
    is_kit: bool
    first_full_on: str


@dataclass(frozen=True, slots=True)
class KitFacts:
    """A kit in its holder's words; temperatures in whole degrees Celsius."""

    number: str
    joining_code: str
    strain: str
    tender: bool
    start_by: str
    fruiting_from: int
    fruiting_to: int
    keep_from: int
    keep_to: int
    rewater_first: int
    rewater_last: int


@dataclass(frozen=True, slots=True)
class Section:
    """One care step and the kits of this holder that are at it."""

    title: str
    template: str
    flush: int
    kits: tuple[KitFacts, ...]

    @property
    def tender(self) -> bool:
        return any(kit.tender for kit in self.kits)

    @property
    def kit(self) -> KitFacts:
        return self.kits[0]


@dataclass(slots=True)
class Found:
    """What a batch of mails is about, read in one go."""

    farm: Farm
    orders: dict[object, Order] = field(default_factory=dict)
    shipments: dict[object, Shipment] = field(default_factory=dict)
    care: dict[int, list[CareMail]] = field(default_factory=dict)
    steps: dict[str, tuple[str, str]] = field(default_factory=dict)


def gather(mails: Iterable[Mail]) -> Found:
    """All that these mails are about."""
    return _read(list(mails))


def letter(mail: Mail, found: Found, *, now: datetime) -> Letter:
    """One of them; :class:`Missing` where what it is about is not there."""
    to, name, page = _receiver(mail, found.farm, now=now)
    facts: dict[str, object] = {
        "farm": found.farm.name,
        "name": name,
        "page": page,
        "allergens": found.farm.allergen_wording,
        "tender": False,
    }
    if mail.to_staff:
        facts |= {"note": mail.kind.replace("_", " "), "details": sorted(mail.subject.items())}
        return Letter(mail, "staff_note", to, found.farm.name, found.farm.mail_from, facts)
    template = mail.kind
    if "order" in mail.subject:
        facts |= _order(_there(found.orders, mail.subject["order"]), only=mail.subject.get("lines"))
    if "shipment" in mail.subject:
        facts |= _shipment(_there(found.shipments, mail.subject["shipment"]))
    if mail.holder is not None:
        sections = _sections(_there(found.care, mail.pk), found)
        facts |= {
            "sections": sections,
            "tender": any(section.tender for section in sections),
            "unsubscribe": links.to_unsubscribe(mail.holder, now=now),
        }
        template = "care"
    return Letter(
        mail, template, to, found.farm.name, found.farm.mail_from, facts, may_unsubscribe=mail.kind in MAY_UNSUBSCRIBE
    )


def said(amount: int, *, is_kit: bool) -> str:
    """An amount as people say it: ``3 kits``, ``450 g``, ``2.5 kg``."""
    if is_kit:
        return f"{amount} kit" if amount == 1 else f"{amount} kits"
    return f"{amount} g" if amount < 1000 else f"{amount / 1000:.3f}".rstrip("0").rstrip(".") + " kg"


def kit_facts(kit: Kit) -> KitFacts:
    """``kit`` with its batch's strain and its lot already read."""
    strain = kit.batch.strain
    profile = KitProfile.from_data(strain.kit)
    return KitFacts(
        number=kit.public_id,
        joining_code=kit.joining_code,
        strain=strain.name,
        tender=not strain.hardy,
        start_by=in_words(kit.lot.best_before),
        fruiting_from=round(profile.fruiting_c[0]),
        fruiting_to=round(profile.fruiting_c[1]),
        keep_from=round(profile.keep_c[0]),
        keep_to=round(profile.keep_c[1]),
        rewater_first=profile.rewater_after[0],
        rewater_last=profile.rewater_after[2],
    )


def line_facts(line: Line) -> LineFacts:
    """``line`` with its product and its latest promise already read."""
    is_kit = line.product.is_kit
    promise = line.promise
    full_on: date | None = promise.first_full_on if promise else None
    return LineFacts(
        number=line.number,
        product=line.product.name,
        ordered=said(line.ordered, is_kit=is_kit),
        promised=said(line.promised, is_kit=is_kit),
        comes=said(line.allocated + line.picked, is_kit=is_kit),
        nothing_comes=line.allocated + line.picked == 0,
        whole=line.promised >= line.ordered,
        nothing=line.promised == 0,
        chance=CHANCE_IN_WORDS[words(promise.chance_pct)] if promise and line.promised else "",
        is_kit=is_kit,
        first_full_on=in_words(full_on) if full_on else "",
    )


# ---- Reading a batch ------------------------------------------------------------------------------------------------


def _read(mails: list[Mail]) -> Found:
    found = Found(farm())
    orders = [mail.subject["order"] for mail in mails if "order" in mail.subject]
    if orders:
        rows = Order.objects.prefetch_related("lines__product__strain", "lines__promise")
        for order in _by_id(rows, orders):
            found.orders[order.pk] = found.orders[order.public_id] = order
    shipments = [mail.subject["shipment"] for mail in mails if "shipment" in mail.subject]
    if shipments:
        sent = Shipment.objects.select_related("parcel", "address").prefetch_related(
            "lines__order", "lines__product", "lines__kits__batch__strain", "lines__kits__lot"
        )
        for shipment in _by_id(sent, shipments):
            found.shipments[shipment.pk] = found.shipments[shipment.public_id] = shipment
    care = [mail.pk for mail in mails if mail.holder_id is not None]
    if care:
        told = CareMail.objects.filter(mail__in=care).select_related("kit__batch__strain", "kit__lot")
        for row in told.order_by("pk"):
            assert row.mail_id is not None, "it was found by its mail"
            found.care.setdefault(row.mail_id, []).append(row)
        found.steps = {step.key: (step.title, step.template) for step in PROGRAMME}
        found.steps |= {
            step.key: (str(step.rule.get("title", step.key)), str(step.rule.get("template") or step.key))
            for step in CareStep.objects.filter(key__in={row.step for rows in found.care.values() for row in rows})
        }
    return found


def _by_id(rows: QuerySet[Row], ids: Iterable[object]) -> QuerySet[Row]:
    ids = list(ids)
    return rows.filter(
        Q(pk__in=[each for each in ids if isinstance(each, int)])
        | Q(public_id__in=[each for each in ids if isinstance(each, str)])
    )


def _there(found: Mapping[Key, Thing], key: Key) -> Thing:
    thing = found.get(key)
    if thing is None:
        raise Missing("What this mail is about is not there.", code="mail_about_nothing")
    return thing


def _receiver(mail: Mail, ours: Farm, *, now: datetime) -> tuple[str, str, str]:
    """Address, name, and the page that is theirs."""
    if mail.kitchen is not None:
        return mail.kitchen.email, mail.kitchen.name, links.to_kitchen(mail.kitchen, now=now)
    if mail.buyer is not None:
        return mail.buyer.email, mail.buyer.name, ""
    if mail.holder is not None:
        return mail.holder.email, mail.holder.name, links.to_holder(mail.holder, now=now)
    return ours.mail_from, ours.name, ""


def _order(order: Order, *, only: object) -> dict[str, object]:
    live = [line for line in order.lines.all() if line.cancelled_at is None]
    numbers = set(only) if isinstance(only, list) else None
    facts = [line_facts(line) for line in sorted(live, key=lambda line: line.number)]
    return {
        "order": order.public_id,
        "reference": order.reference,
        "on": in_words(order.on),
        "lines": facts,
        "short": [line for line in facts if (line.number in numbers if numbers is not None else not line.whole)],
        "kits": any(line.is_kit for line in facts),
        "tender": any(line.product.is_kit and not line.product.strain.hardy for line in live),
        "gift": order.gift,
    }


def _shipment(shipment: Shipment) -> dict[str, object]:
    parcel = getattr(shipment, "parcel", None)
    kits = [kit_facts(kit) for line in shipment.lines.all() for kit in line.kits.all()]
    return {
        "on": in_words(shipment.on),
        "way": shipment.way,
        "carrier": parcel.carrier if parcel else "",
        "tracking": parcel.tracking if parcel else "",
        "kits": kits,
        "tender": any(kit.tender for kit in kits),
        "gift": any(line.order.gift for line in shipment.lines.all()),
    }


def _sections(rows: list[CareMail], found: Found) -> tuple[Section, ...]:
    together: dict[tuple[str, int], list[KitFacts]] = {}
    for row in rows:
        together.setdefault((row.step, row.cycle), []).append(kit_facts(row.kit))
    return tuple(
        Section(*found.steps.get(step, (step, step)), flush=cycle, kits=tuple(kits))
        for (step, cycle), kits in together.items()
    )
