"""What a mail is about, found when it is sent: its receiver and the facts its words are made from.

A batch is read together, so that sending many mails costs few queries.  ``Mail.subject`` holds ids, public or the rows'
own numbers, by kind:

* ``order_received``: ``{"order": id}``
* ``shortage``: ``{"order": id, "lines": [numbers]}``; without numbers, every line promised less than its order;
  ``reasons`` and ``offers`` by line number, where there are any
* ``promise_doubtful`` and ``promise_sure_again``: ``{"on": day}``; the doubts that point to the mail say which lines
* ``kit_sent``: ``{"shipment": id}``
* ``care`` and ``safety``: nothing; the care mails that point to the mail say which steps of which kits
* ``webhook_disabled``: ``{"endpoint": id, "why": word}``
* to the staff, of any kind: numbers and ids, shown as they are under the kind's name
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, TypeVar

from django.db.models import Model, Prefetch, Q

from fulfilment.core.calendar import in_words
from fulfilment.core.care import PROGRAMME, Anchor, EventKind, KitCare, KitEvent, KitProfile, Warmth, expected
from fulfilment.core.care.programme import OUTSIDE_FLUSHES, CareStep
from fulfilment.core.problems import Missing
from fulfilment.core.promises.answers import words
from fulfilment.core.units import said
from fulfilment.models import (
    Batch,
    CareMail,
    Doubt,
    Holder,
    Kit,
    Line,
    Lot,
    Mail,
    Order,
    Shipment,
    Strain,
    Way,
    WebhookEndpoint,
)
from fulfilment.models import CareStep as StepRow
from fulfilment.read import doubts, links, mail_choices
from fulfilment.read.farm import farm
from fulfilment.read.kits import WITH, care_of
from fulfilment.read.mail_days import Day, of_kit, of_order
from fulfilment.read.next_dates import full_on
from fulfilment.read.shortages import REASONS, reason_of
from fulfilment.read.webhooks import WHY_DISABLED

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

STARTED, PINS, PICKED, WATERED = "I started it today", "I see pins", "Picked", "Watered again"
WRONG: Final = "Something is wrong"
PRESSES: Final[Mapping[str, tuple[str, ...]]] = {
    "order_received": (),
    "sent": (),
    "arrived": (STARTED,),
    "not_started": (STARTED,),
    "gift_day": (STARTED,),
    "start_by": (STARTED,),
    "misting": (PINS,),
    "pins_due": (PINS,),
    "pins_to_picking": (PINS, PICKED),
    "doubling": (PICKED,),
    "ready": (PICKED,),
    "nothing_seen": (PINS,),
    "harvest_question": (PICKED,),
    "rest": (),
    "rewater": (WATERED,),
    "second_pins": (PINS,),
    "second_picking": (PICKED,),
    "third_flush": (WATERED,),
    "compost": (),
}
"""What a mail of a step asks the holder to tell with one press; a step of the farm's own asks for all."""

NOTES: Final[Mapping[str, tuple[str, str]]] = {
    "plan_refused": (
        "tonight's plan was not taken",
        (
            "The plan broke rules of its own and was not saved: yesterday's plan stands. Look at what is packed next "
            "by hand, and tell whoever looks after this installation."
        ),
    ),
    "webhook_disabled": (
        "a webhook endpoint was switched off",
        (
            "Nothing is posted to that program any more. Its tries are under Records, Webhook endpoints; once it "
            "answers again, switch it on there and send what was missed."
        ),
    ),
    "kit_trouble": (
        "trouble with a kit",
        (
            "A holder tells us that something is wrong with a kit. Look at it today, and offer another one where it is "
            "mouldy or nothing grew: no advice delays that."
        ),
    ),
}
"""Kind of a staff mail → its subject and what is to be done."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One mail, ready to be written."""

    mail: Mail
    template: str
    to: str
    from_name: str
    from_address: str
    facts: Mapping[str, object]
    days: tuple[Day, ...] = ()
    unsubscribe: str = ""
    """The address that ends such mails; empty where they cannot be ended."""


@dataclass(frozen=True, slots=True)
class Press:
    """A link as a button: what it says and where it leads; opening it changes nothing."""

    words: str
    address: str
    warns: bool = False


@dataclass(frozen=True, slots=True)
class LineFacts:
    """A line in a customer's words: what is promised, and what of it comes."""

    number: int
    product: str
    promise: str
    comes: str
    whole: bool
    is_kit: bool


@dataclass(frozen=True, slots=True)
class Needs:
    """What a kit needs, in its holder's words; temperatures in whole degrees Celsius."""

    strain: str
    tender: bool
    start_by: str
    start_on: str
    """The day that a gift's giver chose and that is still to come when it arrives; empty where there is none."""
    fruiting_from: int
    fruiting_to: int
    keep_from: int
    keep_to: int
    rewater_first: int
    rewater_last: int


@dataclass(frozen=True, slots=True)
class KitFacts:
    """A kit in a mail."""

    number: str
    needs: Needs


@dataclass(frozen=True, slots=True)
class Section:
    """One care step and the kits of this holder that are at it."""

    title: str
    template: str
    flush: int
    kits: tuple[KitFacts, ...]
    needs: Needs
    """Of all of them: they are of one strain, and the earliest start-by date is theirs."""
    presses: tuple[Press, ...]

    @property
    def head(self) -> str:
        """``Kit 7KX3-9Q, Pearl oyster`` or the numbers of several."""
        if len(self.kits) == 1:
            return f"Kit {self.kits[0].number}, {self.kits[0].needs.strain}"
        return f"Kits {', '.join(kit.number for kit in self.kits)}"


@dataclass(slots=True)
class Found:
    """What a batch of mails is about, read in one go."""

    farm: Farm
    orders: dict[object, Order] = field(default_factory=dict)
    shipments: dict[object, Shipment] = field(default_factory=dict)
    told: dict[int, list[CareMail]] = field(default_factory=dict)
    care: dict[int, KitCare] = field(default_factory=dict)
    """By kit."""
    steps: dict[str, tuple[str, str]] = field(default_factory=dict)
    doubts: dict[int, list[Doubt]] = field(default_factory=dict)
    """By the mail that tells of them."""


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
        "cautions": False,
        "tender": (),
    }
    days: tuple[Day, ...] = ()
    unsubscribe = ""
    template = mail.kind
    if mail.to_staff:
        template = "staff_note"
        facts |= _note(mail)
    if "order" in mail.subject and not mail.to_staff:
        order = _there(found.orders, mail.subject["order"])
        facts |= _order(order, mail.subject, page=page, now=now)
        if mail.kind == "order_received":
            days = of_order(order, way=_way(order), farm=_line(found.farm.name))
    if mail.kind in (doubts.DOUBTFUL, doubts.SURE_AGAIN):
        facts |= _doubts(_there(found.doubts, mail.pk), found, page=page, now=now)
    if "shipment" in mail.subject and not mail.to_staff:
        shipment = _there(found.shipments, mail.subject["shipment"])
        facts |= _shipment(shipment, found)
        if not facts["gift"]:
            kits = [kit for line in shipment.lines.all() for kit in line.kits.all()]
            days = tuple(day for kit in kits for day in of_kit(kit, found.care[kit.pk], now=now))
    if "endpoint" in mail.subject and not mail.to_staff:
        facts |= _endpoint(mail.subject)
    if mail.holder is not None:
        template = "care"
        rows = _there(found.told, mail.pk)
        sections = _sections(rows, found, page=page)
        days = tuple(
            day
            for kit in {row.kit_id: row.kit for row in rows}.values()
            for day in of_kit(kit, found.care[kit.pk], now=now)
        )
        facts |= {"sections": sections, "cautions": True, "tender": _tender(sections)}
        if mail.kind in MAY_UNSUBSCRIBE:
            unsubscribe = links.to_unsubscribe(mail.holder, now=now)
    facts |= {"coming": tuple(day.said for day in days if not day.over), "unsubscribe": unsubscribe}
    return Letter(mail, template, to, found.farm.name, found.farm.mail_from, facts, days, unsubscribe)


def find(public_id: str) -> Mail:
    """A mail with its receiver."""
    found = Mail.objects.select_related("kitchen", "buyer", "holder").filter(public_id=public_id).first()
    if found is None:
        raise Missing(f"There is no mail {public_id[:20]!r}.", where="mail")
    return found


def rehearsed(key: str, *, strain: str = "", now: datetime) -> Letter:
    """The mail of a care step for an invented kit, sent ten days ago and started as soon as the step calls for it.

    ``strain`` is a public id; without one it is the first strain there is.
    """
    row = StepRow.objects.filter(key=key).first()
    step = CareStep.from_data(row.rule) if row else next((each for each in PROGRAMME if each.key == key), None)
    if step is None:
        raise Missing(f"There is no care step {key[:40]!r}.", where="key")
    strains = Strain.objects.order_by("pk")
    found_strain = (strains.filter(public_id=strain) if strain else strains).first()
    if found_strain is None:
        raise Missing("There is no such strain to preview a kit of.", where="strain")
    today = now.date()
    holder = Holder(name="Dai", email="dai@example.org")
    start_by = today + timedelta(days=21)
    kit = Kit(
        pk=0, batch=Batch(strain=found_strain), lot=Lot(strain=found_strain, best_before=start_by), holder=holder,
    )  # fmt: skip
    reported = {EventKind.SEALED: 20, EventKind.SOLD: 19, EventKind.SENT: 10}
    if step.anchor not in OUTSIDE_FLUSHES:
        reported |= {EventKind.STARTED: 7}
        reported |= {kind: 1 for kind in (EventKind.PINS, EventKind.HARVESTED_ALL) if kind in step.needs}
    if step.anchor is Anchor.END or step.needs_before:
        reported |= {EventKind.STARTED: 9, EventKind.HARVESTED_ALL: 2}
    events = tuple(KitEvent(kind, today - timedelta(days=ago), now) for kind, ago in reported.items())
    profile = KitProfile.from_data(found_strain.kit)
    care = KitCare(0, 0, "", holder.public_id, "Etc/UTC", profile, events, warmth=Warmth.NORMAL, start_by=start_by)
    mail = Mail(pk=0, kind="safety" if step.safety else "care", holder=holder, subject={})
    told = CareMail(kit=kit, step=key, cycle=step.cycles[0], mail=mail)
    found = Found(farm(), told={0: [told]}, care={0: care}, steps={key: (step.title, step.template)})
    return letter(mail, found, now=now)


def needs(kit: Kit, care: KitCare) -> Needs:
    """What ``kit``, its lot's strain already read, wants of whoever has it."""
    strain, profile = kit.lot.strain, care.profile
    return Needs(
        strain=_line(strain.name),
        tender=not strain.hardy,
        start_by=in_words(kit.lot.best_before),
        start_on=next((in_words(each.likely) for each in expected(care) if each.anchor is Anchor.START_ON), ""),
        fruiting_from=round(profile.fruiting_c[0]),
        fruiting_to=round(profile.fruiting_c[1]),
        keep_from=round(profile.keep_c[0]),
        keep_to=round(profile.keep_c[1]),
        rewater_first=profile.rewater_after[0],
        rewater_last=profile.rewater_after[2],
    )


def line_facts(line: Line, *, on: date, reason: str = "") -> LineFacts:
    """``line`` with its product, its latest promise and its allocations already read."""
    return LineFacts(
        number=line.number,
        product=_line(line.product.name),
        promise=_promise_in_words(line, on=on),
        comes=_comes_in_words(line, on=on, reason=reason),
        whole=line.promised >= line.ordered,
        is_kit=line.product.is_kit,
    )


# ---- Lines in words -------------------------------------------------------------------------------------------------


def _promise_in_words(line: Line, *, on: date) -> str:
    day, is_kit = in_words(on), line.product.is_kit
    ordered = said(line.ordered, is_kit=is_kit)
    if not line.promised or line.promise is None:
        return f"{ordered} ordered. Do not plan on any of it for {day}. {_first_full(line, on=on)}"
    chance = CHANCE_IN_WORDS[words(line.promise.chance_pct)]
    if line.promised >= line.ordered:
        return f"{ordered} ordered, all of it promised for {day}: {chance}."
    promised, rest = said(line.promised, is_kit=is_kit), said(line.ordered - line.promised, is_kit=is_kit)
    return (
        f"{ordered} ordered, {promised} promised for {day}: {chance}. Do not plan on the other {rest}. "
        f"{_first_full(line, on=on)}"
    )


def _comes_in_words(line: Line, *, on: date, reason: str) -> str:
    is_kit, amount = line.product.is_kit, line.allocated + line.picked
    ordered, promised = said(line.ordered, is_kit=is_kit), said(line.promised, is_kit=is_kit)
    comes = said(amount, is_kit=is_kit) if amount else "nothing"
    told = f"{ordered} ordered, {promised if line.promised else 'nothing'} promised, {comes} will come."
    instead: dict[str, int] = {}
    for each in line.allocations.all():
        if (each.strain_id, each.grade) != (line.product.strain_id, line.product.grade):
            name = _line(each.strain.name)
            instead[name] = instead.get(name, 0) + each.amount
    for name, part in instead.items():
        told += f" Of it {said(part, is_kit=is_kit)} is {name}, which you take instead."
    why = REASONS.get(reason, "")
    later = _first_full(line, on=on) if full_on(line) is not None else ""
    return " ".join(filter(None, (told, why, later)))


def _first_full(line: Line, *, on: date) -> str:
    day = full_on(line)
    if day is None or day <= on:
        return "We cannot name a day for all of it yet."
    return f"The first day for all of it: {in_words(day)}."


def _line(words: str) -> str:
    """What somebody gave, in one line: it may stand in a subject."""
    return " ".join(words.split())


# ---- Reading a batch ------------------------------------------------------------------------------------------------


def _read(mails: list[Mail]) -> Found:
    found = Found(farm())
    kits: dict[int, Kit] = {}
    orders = [mail.subject["order"] for mail in mails if "order" in mail.subject and not mail.to_staff]
    if orders:
        rows = Order.objects.prefetch_related(
            "lines__product__strain", "lines__promise", "lines__shipment", "lines__allocations__strain"
        )
        for order in _by_id(rows, orders):
            found.orders[order.pk] = found.orders[order.public_id] = order
    shipments = [mail.subject["shipment"] for mail in mails if "shipment" in mail.subject and not mail.to_staff]
    if shipments:
        sent = Shipment.objects.select_related("parcel", "address").prefetch_related(
            "lines__order", Prefetch("lines__kits", Kit.objects.select_related(*WITH).order_by("pk"))
        )
        for shipment in _by_id(sent, shipments):
            found.shipments[shipment.pk] = found.shipments[shipment.public_id] = shipment
            kits |= {kit.pk: kit for line in shipment.lines.all() for kit in line.kits.all()}
    for kind, column in ((doubts.DOUBTFUL, "mail"), (doubts.SURE_AGAIN, "sure_mail")):
        told_by = [mail.pk for mail in mails if mail.kind == kind]
        if told_by:
            for doubt in doubts.with_lines(Doubt.objects.filter(**{f"{column}__in": told_by})):
                found.doubts.setdefault(getattr(doubt, f"{column}_id"), []).append(doubt)
    care = [mail.pk for mail in mails if mail.holder_id is not None]
    if care:
        told = CareMail.objects.filter(mail__in=care).select_related("kit", *(f"kit__{name}" for name in WITH))
        for row in told.order_by("pk"):
            assert row.mail_id is not None, "it was found by its mail"
            found.told.setdefault(row.mail_id, []).append(row)
            kits[row.kit_id] = row.kit
        found.steps = {step.key: (step.title, step.template) for step in PROGRAMME}
        found.steps |= {
            step.key: (str(step.rule.get("title", step.key)), str(step.rule.get("template") or step.key))
            for step in StepRow.objects.filter(key__in={row.step for rows in found.told.values() for row in rows})
        }
    found.care = {each.kit_id: each for each in care_of(list(kits.values()))} if kits else {}
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
        return mail.kitchen.email, _line(mail.kitchen.name), links.to_kitchen(mail.kitchen, now=now)
    if mail.buyer is not None:
        return mail.buyer.email, _line(mail.buyer.name), ""
    if mail.holder is not None:
        return mail.holder.email, _line(mail.holder.name), links.to_holder(mail.holder, now=now)
    return ours.mail_from, _line(ours.name), ""


def _note(mail: Mail) -> dict[str, object]:
    kind = mail.kind.replace("_", " ")
    note, todo = NOTES.get(mail.kind, (kind, ""))
    details = [(name.replace("_", " "), _line(str(value))) for name, value in sorted(mail.subject.items())]
    return {"note": note, "todo": todo, "details": details}


def _endpoint(about: Mapping[str, object]) -> dict[str, object]:
    row = WebhookEndpoint.objects.filter(public_id=about["endpoint"]).first()
    if row is None:
        raise Missing(f"There is no webhook endpoint {about['endpoint']}.")
    return {"endpoint": row.public_id, "address": row.address, "why": WHY_DISABLED.get(str(about["why"]), "")}


def _order(order: Order, about: Mapping[str, object], *, page: str, now: datetime) -> dict[str, object]:
    only, reasons, offers = about.get("lines"), about.get("reasons"), about.get("offers")
    choices = mail_choices.of_offers(offers, page=page, now=now) if isinstance(offers, Mapping) and offers else {}
    numbers = set(only) if isinstance(only, list) else None
    why = reasons if isinstance(reasons, Mapping) else {}
    live = sorted((line for line in order.lines.all() if line.cancelled_at is None), key=lambda line: line.number)
    facts = [line_facts(line, on=order.on, reason=str(why.get(str(line.number)) or reason_of(line))) for line in live]
    kits = [line.product.strain for line in live if line.product.is_kit]
    anchor = f"#short-{next(iter(offers.values()))}" if isinstance(offers, Mapping) and offers else ""
    return {
        "order": order.public_id,
        "reference": _line(order.reference),
        "on": in_words(order.on),
        "way": _way(order),
        "lines": facts,
        "short": [
            (line, choices.get(line.number))
            for line in facts
            if (line.number in numbers if numbers is not None else not line.whole)
        ],
        "answer": f"{page}{anchor}" if page else "",
        "offered": bool(choices),
        "asked": bool(anchor),
        "kits": bool(kits),
        "fresh": len(kits) < len(live),
        "gift": order.gift,
        "cautions": bool(kits),
        "tender": tuple(dict.fromkeys(_cold(strain) for strain in kits if not strain.hardy)),
    }


def _doubts(told: Sequence[Doubt], found: Found, *, page: str, now: datetime) -> dict[str, object]:
    seen = mail_choices.of_doubts(told, page=page, now=now)
    return {
        "on": in_words(seen[0].told.on),
        "doubts": seen,
        "choosing": any(each.links for each in seen),
        "answer": f"{page}#doubt-{seen[0].told.code}",
        "phone": _line(found.farm.phone),
    }


def _way(order: Order) -> str:
    lines = sorted(order.lines.all(), key=lambda line: (line.cancelled_at is not None, line.number))
    return lines[0].shipment.way if lines else Way.ROUND


def _shipment(shipment: Shipment, found: Found) -> dict[str, object]:
    parcel = getattr(shipment, "parcel", None)
    kits = [
        KitFacts(kit.public_id, needs(kit, found.care[kit.pk]))
        for line in shipment.lines.all()
        for kit in line.kits.all()
    ]
    return {
        "on": in_words(shipment.on),
        "way": shipment.way,
        "carrier": _line(parcel.carrier) if parcel else "",
        "tracking": _line(parcel.tracking) if parcel else "",
        "tracking_link": parcel.link if parcel else "",
        "kits": kits,
        "cautions": True,
        "tender": tuple(dict.fromkeys(_wants(kit.needs) for kit in kits if kit.needs.tender)),
        "gift": any(line.order.gift for line in shipment.lines.all()),
    }


def _sections(rows: list[CareMail], found: Found, *, page: str) -> tuple[Section, ...]:
    together: dict[tuple[str, int, str], list[CareMail]] = {}
    for row in rows:
        together.setdefault((row.step, row.cycle, row.kit.lot.strain.name), []).append(row)
    made = []
    for (step, cycle, _), same in together.items():
        title, template = found.steps.get(step, (step, step))
        kits = tuple(KitFacts(row.kit.public_id, needs(row.kit, found.care[row.kit_id])) for row in same)
        first = min(same, key=lambda row: row.kit.lot.best_before)
        wanted = needs(first.kit, found.care[first.kit_id])
        made.append(Section(_line(title), template, cycle, kits, wanted, _presses(step, kits, page=page)))
    return tuple(made)


def _presses(step: str, kits: Sequence[KitFacts], *, page: str) -> tuple[Press, ...]:
    """For one kit its own place on the page, for several the page."""
    place = f"{page}#kit-{kits[0].number}" if len(kits) == 1 else page
    wrong = f"{page}/{kits[0].number}/trouble/" if len(kits) == 1 else page
    asked = PRESSES.get(step, (STARTED, PINS, PICKED))
    return (*(Press(words, place) for words in asked), Press(WRONG, wrong, warns=True))


def _tender(sections: Iterable[Section]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(_wants(kit.needs) for section in sections for kit in section.kits if kit.needs.tender))


def _wants(needs: Needs) -> str:
    return f"{needs.strain} dies in the cold: keep it between {needs.keep_from} and {needs.keep_to} °C"


def _cold(strain: Strain) -> str:
    low, high = KitProfile.from_data(strain.kit).keep_c
    return f"{_line(strain.name)} dies in the cold: keep it between {low:.0f} and {high:.0f} °C"
