"""This morning: what is to be done, what is at risk and whom it touches, what changed since yesterday.

Everything is read from rows; the number of statements does not hang on how much there is to do.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from django.db.models import Count, F, Sum

from fulfilment.core.calendar import zone_of
from fulfilment.core.care import EventKind, standing
from fulfilment.core.growth import Stage
from fulfilment.core.units import said
from fulfilment.models import (
    Batch,
    Crop,
    Doubt,
    Event,
    Forecast,
    Hold,
    Job,
    Kit,
    Line,
    Lot,
    Mail,
    Night,
    PickList,
    Round,
    Shipment,
    Way,
)
from fulfilment.read import doubts, holds, scores, worths
from fulfilment.read.farm import farm
from fulfilment.read.growing import kits_in_store
from fulfilment.read.kits import events_of
from fulfilment.read.planned import refused_at
from fulfilment.read.rooms.expected import Expected, Outlooks, of_batch, of_crop
from fulfilment.read.rooms.overview import taken_now
from fulfilment.read.tonight import Short, StrainWeek, day_in_short, tonight
from fulfilment.read.unheard import unheard

if TYPE_CHECKING:
    from collections.abc import Sequence

SOON_DAYS: Final = 3
"""How far ahead a short line is this morning's business."""
MOST: Final = 12
"""Tasks of one kind that are shown; the page behind each kind has them all."""


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do: ``page`` and ``code`` say where it is done; ``why`` is what lets it be expected."""

    page: str
    code: str
    title: str
    detail: str
    place: str = ""
    late: bool = False
    held: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Things to do of one kind."""

    key: str
    title: str
    tasks: tuple[Task, ...]
    nothing: str

    @property
    def shown(self) -> tuple[Task, ...]:
        return self.tasks[:MOST]

    @property
    def more(self) -> int:
        return max(0, len(self.tasks) - MOST)


@dataclass(frozen=True, slots=True)
class Risk:
    """Something that may go wrong and whom it touches."""

    sentence: str
    touches: str = ""
    page: str = ""
    code: str = ""
    bad: bool = False


@dataclass(frozen=True, slots=True)
class Morning:
    today: date
    groups: tuple[Group, ...]
    risks: tuple[Risk, ...]
    changes: tuple[str, ...]
    strains: tuple[StrainWeek, ...]
    short: tuple[Short, ...]
    forecast_at: datetime | None
    night_on: date | None

    @property
    def to_do(self) -> int:
        return sum(len(group.tasks) for group in self.groups)


def morning(*, today: date, now: datetime) -> Morning:
    """The page's facts; ``today`` is the farm's day."""
    week = tonight(today, now=now)
    made = Forecast.objects.order_by("-pk").only("outlooks", "made_at", "first_on").first()
    outlooks = Outlooks({}, None) if made is None else Outlooks(made.outlooks, made.first_on)
    living = _living(outlooks, today=today)
    return Morning(
        today=today,
        groups=(
            _to_pick(living),
            _to_pack(today),
            _to_send(today),
            _to_water(living, today=today),
            _to_open(living, today=today),
            _to_seal(living),
            _to_look_at(living, today=today),
        ),
        risks=tuple(_risks(week.short, today=today, now=now)),
        changes=tuple(_changes(since=_yesterday(today))),
        strains=week.strains,
        short=week.short,
        forecast_at=made.made_at if made is not None else None,
        night_on=Night.objects.filter(done_at__isnull=False).order_by("-on").values_list("on", flat=True).first(),
    )


def _yesterday(today: date) -> datetime:
    """The instant at which the farm's yesterday began."""
    return datetime.combine(today - timedelta(days=1), time.min, tzinfo=ZoneInfo(farm().zone))


# ---- To do ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Living:
    """All that hangs in the rooms with what is expected of it, and the batches that are held."""

    crops: tuple[tuple[Crop, Expected], ...]
    batches: tuple[tuple[Batch, Expected], ...]
    kits_in_store: Mapping[int, int]
    held: frozenset[int]


def _living(outlooks: Outlooks, *, today: date) -> _Living:
    held, in_store, taken = holds.held_batch_ids(), kits_in_store(), taken_now()
    crops = Crop.objects.filter(finished_on__isnull=True).select_related("batch__strain", "room").order_by("room", "pk")
    batches = (
        Batch.objects.filter(bags__gt=F("bags_lost") + F("bags_opened") + F("bags_sealed"))
        .select_related("strain", "room")
        .order_by("mixed_on", "pk")
    )
    return _Living(
        crops=tuple(
            (crop, of_crop(
                crop, outlooks, taken_g=taken.get((crop.pk, crop.flush), 0), held=crop.batch_id in held, today=today
            ))
            for crop in crops
            if crop.bags_alive
        ),
        batches=tuple(
            (batch, of_batch(
                batch, outlooks, kits_in_store=in_store.get(batch.pk, 0), held=batch.pk in held, today=today
            ))
            for batch in batches
        ),
        kits_in_store=in_store,
        held=held,
    )  # fmt: skip


def _to_pick(living: _Living) -> Group:
    tasks = []
    for crop, expected in living.crops:
        if expected.action == "harvest" and expected.due:
            picking = crop.stage == Stage.PICKING
            since = "picking since " + day_in_short(crop.stage_since) if picking else "may be ready: look and pick"
            detail = f"{since}; {expected.kilos or 'an unknown weight'} still to come in this flush"
            tasks.append(_crop_task(crop, expected, detail, living.held))
    return Group("pick", "Pick", tuple(tasks), "No crop is ready to pick today.")


def _to_pack(today: date) -> Group:
    lists = (
        PickList.objects.filter(done_at__isnull=True, on__gte=today - timedelta(days=1), on__lte=today)
        .select_related("round")
        .annotate(stops=Count("rows__line__shipment", distinct=True), lines=Count("rows__line", distinct=True))
        .order_by("on", "pk")
    )
    tasks = tuple(
        Task(
            "pick-list",
            each.public_id,
            each.round.name if each.round else _WITHOUT_ROUND[Way(each.way)],
            f"{_count(each.stops, 'stop')}, {_count(each.lines, 'line')}",
            place=day_in_short(each.on),
            late=each.on < today,
        )
        for each in lists
    )
    return Group("pack", "Pack", tasks, "No list for today.")


_WITHOUT_ROUND: Final[Mapping[Way, str]] = {Way.CARRIER: "Parcels", Way.COLLECTED: "Collections", Way.ROUND: "Round"}


def _to_send(today: date) -> Group:
    tasks = [
        Task(
            "packing",
            "",
            f"Round {each.name}",
            _count(each.n, "stop"),
            place=day_in_short(each.on),
            late=each.on < today,
        )
        for each in Round.objects.filter(closed_at__isnull=True, on__gte=today - timedelta(days=1), on__lte=today)
        .annotate(n=Count("stops"))
        .order_by("on", "pk")
    ]  # fmt: skip
    ways = (
        Shipment.objects.filter(on=today, way__in=[Way.CARRIER, Way.COLLECTED], state__in=["placed", "packed"])
        .order_by()
        .values_list("way")
        .annotate(n=Count("pk"))
    )
    words = {Way.CARRIER: "Parcels to hand over", Way.COLLECTED: "To be collected"}
    tasks += [Task("packing", "", words[Way(way)], _count(n, "shipment")) for way, n in ways]
    return Group("send", "Send", tuple(tasks), "Nothing goes out today.")


def _to_water(living: _Living, *, today: date) -> Group:
    tasks = []
    for crop, expected in living.crops:
        if expected.action == "rewatered" and expected.due:
            rested = (today - crop.stage_since).days
            detail = f"rested {_count(rested, 'day')}; water for flush {crop.flush + 1}"
            tasks.append(_crop_task(crop, expected, detail, living.held))
    return Group("water", "Water", tuple(tasks), "No crop has rested long enough.")


def _to_open(living: _Living, *, today: date) -> Group:
    tasks = []
    for batch, expected in living.batches:
        fruit = max(0, batch.bags_left - batch.kit_quota)
        if batch.colonised_on is not None and batch.opens_on is not None and batch.opens_on <= today and fruit:
            detail = f"{_count(fruit, 'bag')} grown through since {day_in_short(batch.colonised_on)}"
            tasks.append(_batch_task(batch, expected, detail, living.held))
    return Group("open", "Open", tuple(tasks), "No batch is proposed for opening today.")


def _to_seal(living: _Living) -> Group:
    tasks = []
    for batch, expected in living.batches:
        still = min(batch.bags_left, batch.kit_quota - living.kits_in_store.get(batch.pk, 0))
        if batch.colonised_on is not None and still > 0:
            tasks.append(_batch_task(batch, expected, f"{_count(still, 'bag')} meant as kits", living.held))
    return Group("seal", "Seal kits", tuple(tasks), "No grown-through bag is meant as a kit.")


def _to_look_at(living: _Living, *, today: date) -> Group:
    tasks = []
    for batch, expected in living.batches:
        if expected.action == "run_full" and expected.due:
            detail = f"may be run full ({_count((today - batch.mixed_on).days, 'day')} since mixing)"
            tasks.append(_batch_task(batch, expected, detail, living.held))
    for crop, expected in living.crops:
        if expected.action == "pins" and expected.due:
            detail = f"pins may show ({_count((today - crop.stage_since).days, 'day')} waiting)"
            tasks.append(_crop_task(crop, expected, detail, living.held))
        elif expected.action == "flush_ended":
            tasks.append(_crop_task(crop, expected, expected.what, living.held))
    return Group("look", "Look at", tuple(tasks), "Nothing is due to be looked at.")


def _crop_task(crop: Crop, expected: Expected, detail: str, held: frozenset[int]) -> Task:
    title = f"{crop.batch.strain.name}, {_count(crop.bags_alive, 'bag')}, flush {crop.flush}"
    why = f"{expected.why} {expected.waiting}".strip()
    return Task(
        "crop", crop.public_id, title, detail, place=crop.room.name, late=expected.late, held=crop.batch_id in held,
        why=why,
    )  # fmt: skip


def _batch_task(batch: Batch, expected: Expected, detail: str, held: frozenset[int]) -> Task:
    title = f"{batch.strain.name}, {_count(batch.bags_left, 'bag')}"
    return Task(
        "batch", batch.public_id, title, detail, place=batch.room.name, late=expected.late, held=batch.pk in held,
        why=expected.why,
    )  # fmt: skip


def _count(number: int, noun: str) -> str:
    if number == 1:
        return f"1 {noun}"
    return f"{number} {noun}es" if noun.endswith("ch") else f"{number} {noun}s"


# ---- At risk --------------------------------------------------------------------------------------------------------


def _risks(short: Sequence[Short], *, today: date, now: datetime) -> Iterable[Risk]:
    if (since := refused_at()) is not None:
        local = since.astimezone(zone_of(farm().zone))
        yield Risk(
            f"Since {day_in_short(local.date())}, {local:%H:%M} every new plan has broken rules of its own and was not "
            "saved: an older plan stands.",
            page="plan", bad=True,
        )  # fmt: skip
    for hold in Hold.objects.filter(ended_at__isnull=True).order_by("placed_at", "pk"):
        kind = holds.stands_on(hold).replace("_", " ")
        yield Risk(f"A {kind} is on hold: {hold.reason}", page="holds", bad=True)
    for line in short:
        if line.on <= today + timedelta(days=SOON_DAYS):
            gets, ordered = said(line.gets, is_kit=line.is_kit), said(line.ordered, is_kit=line.is_kit)
            yield Risk(
                f"{day_in_short(line.on)}: {line.product}, {gets} of {ordered}. {line.why}",
                touches=line.customer,
                page="order",
                code=line.line.partition("/")[0],
                bad=line.gets == 0,
            )
    yield from _to_ring(now)
    yield from _doubtful(short, today=today)
    if troubled := _open_cases():
        yield Risk(f"{_count(troubled, 'kit')} in trouble: the holder waits for an answer.", page="kits", bad=True)
    yield from _old_lots(today)
    for kit in worths.cheap_kits(worths.bag_plans()):
        yield Risk(
            f"{kit.name} sells for {kit.price}; its bag would bring {kit.fresh} as fresh mushrooms.", page="plan"
        )
    for each in scores.flagged(today=today):
        yield Risk(each.sentence, page="scores")
    yield from _standing_still(now)


def _doubtful(short: Sequence[Short], *, today: date) -> Iterable[Risk]:
    """Promises of the coming week whose chance has sunk, where the line is not listed as short already."""
    known = {line.line for line in short}
    lines = list(
        Line.objects.filter(
            cancelled_at__isnull=True,
            shipment__on__gte=today,
            shipment__on__lte=today + timedelta(days=7),
            shipment__state__in=["placed", "packed"],
            promise__isnull=False,
            promised__gt=F("picked"),
        )
        .alias(made_at=doubts.target())
        .filter(chance_pct__lt=F("made_at") - doubts.POINTS)
        .select_related("product", "promise", "order", "shipment__kitchen", "shipment__buyer")
        .order_by("shipment__on", "pk")
    )
    told = doubts.told_of(line.pk for line in lines)
    for line in lines:
        customer = line.shipment.kitchen or line.shipment.buyer
        if str(line) not in known and customer is not None and line.promise is not None:
            knows = _knows(told[line.pk]) if line.pk in told else ""
            yield Risk(
                f"{day_in_short(line.shipment.on)}: {line.product.name}, promised at "
                f"{doubts.target_of(line.promise)} %, stands at {line.chance_pct} % now.{knows}",
                touches=customer.name, page="order", code=line.order.public_id,
            )  # fmt: skip


def _to_ring(now: datetime) -> Iterable[Risk]:
    """Kitchens that a mail about their next delivery did not reach."""
    for each in unheard(now=now):
        call = f"call {each.kitchen.phone}" if each.kitchen.phone else "find a way to tell them"
        yield Risk(
            f"{day_in_short(each.on)}: {each.what}, and no mail reached them: {call}.", touches=each.kitchen.name,
            page="order", code=each.order, bad=True,
        )  # fmt: skip


def _knows(doubt: Doubt) -> str:
    if doubt.answer and doubt.answered_at is not None:
        return f" The kitchen answered on {_at(doubt.answered_at)}: it keeps it as it is."
    mail = doubt.mail
    if mail is None:
        return ""
    if mail.state == Mail.State.SENT and mail.sent_at is not None:
        return f" The kitchen was told on {_at(mail.sent_at)}."
    return f" The kitchen is told by mail on {_at(mail.due_at)}." if mail.state == Mail.State.PLANNED else ""


def _at(instant: datetime) -> str:
    local = instant.astimezone(zone_of(farm().zone))
    return f"{day_in_short(local.date())}, {local:%H:%M}"


def _open_cases() -> int:
    """Kits whose last word was trouble."""
    kits = list(Kit.objects.filter(events__kind=EventKind.TROUBLE, finished_on__isnull=True).distinct())
    events = events_of(kits)
    return sum(standing(events[kit.pk]).troubled for kit in kits)


def _old_lots(today: date) -> Iterable[Risk]:
    """What lies in store past its date, and what reaches it by tomorrow."""
    fresh = Lot.objects.filter(kind=Lot.Kind.FRESH, quantity__gt=0)
    for rows, words, bad in (
        (fresh.filter(best_before__lt=today), "past best before: waste it, or give a reason", True),
        (fresh.filter(best_before__range=(today, today + timedelta(days=1))), "best before today or tomorrow", False),
    ):
        found = rows.aggregate(lots=Count("pk"), grams=Sum("quantity"))
        if found["lots"]:
            grams = said(found["grams"], is_kit=False)
            yield Risk(f"In store: {grams} in {_count(found['lots'], 'lot')} {words}.", page="store", bad=bad)


def _standing_still(now: datetime) -> Iterable[Risk]:
    """The house's own work that waits for a person."""
    parked = Job.objects.filter(parked_at__isnull=False).count()
    if parked:
        yield Risk(
            f"{_count(parked, 'job')} failed again and again and {_verb(parked)} parked.", page="mails", bad=True
        )
    failed = Mail.objects.filter(state=Mail.State.FAILED, due_at__gte=now - timedelta(days=7)).count()
    if failed:
        yield Risk(f"{_count(failed, 'mail')} could not be sent.", page="mails", bad=True)
    waiting = Job.objects.filter(
        planned__lt=F("wanted"), parked_at__isnull=True, due_at__lt=now - timedelta(minutes=15)
    ).exists()
    if waiting:
        yield Risk("Work that was due a quarter of an hour ago has not been done: is the worker running?", bad=True)


def _verb(number: int) -> str:
    return "is" if number == 1 else "are"


# ---- Changed --------------------------------------------------------------------------------------------------------


def _changes(*, since: datetime) -> Iterable[str]:
    """What happened since, in a sentence a kind."""
    seen: Counter[str] = Counter()
    sums: dict[str, int] = defaultdict(int)
    for kind, by, data in Event.objects.filter(at__gte=since, kind__in=_SENTENCES).values_list("kind", "by", "data"):
        # What the night rolls from standing orders is no news to anybody.
        if kind != "order_placed" or by != "night":
            seen[kind] += 1
            sums[kind] += _figure(kind, data)
    for kind, (noun, done, unit) in _SENTENCES.items():
        if seen[kind]:
            amount = f", {unit.format(_amount(kind, sums[kind]))}" if unit and sums[kind] else ""
            yield f"{_count(seen[kind], noun)} {done}{amount}."
    told = Mail.objects.filter(kind="care", sent_at__gte=since).count()
    if told:
        yield f"{_count(told, 'care mail')} sent."


def _figure(kind: str, data: Mapping[str, object]) -> int:
    if kind == "planned":
        return _whole(data.get("lines_changed"))
    if kind == "harvest_logged":
        lots = data.get("lots")
        return sum(map(_whole, lots.values())) if isinstance(lots, dict) else 0
    return _whole(data.get("bags"))


def _amount(kind: str, figure: int) -> str:
    if kind == "harvest_logged":
        return said(figure, is_kit=False)
    return _count(figure, "line") if kind == "planned" else _count(figure, "bag")


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


_SENTENCES: Final[Mapping[str, tuple[str, str, str]]] = {
    "harvest_logged": ("harvest", "logged", "{}"),
    "harvest_corrected": ("harvest", "put right", ""),
    "batch_mixed": ("batch", "mixed", "{}"),
    "crop_opened": ("crop", "opened", "{}"),
    "order_placed": ("order", "placed", ""),
    "order_cancelled": ("order", "cancelled", ""),
    "line_changed": ("line", "changed", ""),
    "standing_order_changed": ("standing order", "changed for a date", ""),
    "planned": ("plan", "made", "{} changed by them"),
    "promise_raised": ("promise", "raised", ""),
    "promise_doubtful": ("promise", "now doubtful", ""),
    "doubt_told": ("doubt", "told to kitchens", ""),
    "doubt_over": ("doubt", "over", ""),
    "doubt_answered": ("doubt", "answered by kitchens", ""),
    "shortage_told": ("customer", "told of a shortage", ""),
    "shortage_answered": ("shortage", "answered by kitchens", ""),
    "round_closed": ("round", "sent out", ""),
    "kit_event": ("report", "from kit holders", ""),
    "held": ("hold", "placed", ""),
    "released": ("hold", "released", ""),
}
"""Kind of event → its noun, what was done, and what its figure says."""
