"""What goes with the goods and what is settled at the door: a shipment's lines with their lots, its note's facts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import QuerySet

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.core.units import accepted
from fulfilment.models import InputDelivery, Intake, Kit, Line, Lot, Pick, Shipment, SpawnDelivery
from fulfilment.read.farm import farm


@dataclass(frozen=True, slots=True)
class LotTaken:
    """So much of one lot; ``ready_on`` is the day of harvest, or of sealing for kits."""

    lot: str
    product: str
    ready_on: date
    best_before: date
    hard_stop: bool
    amount: int


@dataclass(frozen=True, slots=True)
class NoteLine:
    line: str
    product: str
    is_kit: bool
    reference: str
    ordered: int
    due: int
    picked: int
    refused: int
    reasons: tuple[str, ...]
    lots: tuple[LotTaken, ...]
    kits: tuple[str, ...]

    @property
    def accepted(self) -> int:
        return accepted(picked=self.picked, refused=self.refused)


@dataclass(frozen=True, slots=True)
class NoteView:
    """One shipment as its delivery note has it; ``number`` is None until it has left."""

    shipment: str
    number: int | None
    made_at: datetime | None
    farm: str
    mail: str
    on: date
    way: str
    state: str
    round_name: str
    name: str
    address: tuple[str, ...]
    instructions: str
    is_kitchen: bool
    gift: bool
    greetings: tuple[str, ...]
    starts: tuple[date, ...]
    """The days on which gifts are to be started."""
    crates_sent: int
    crates_back: int
    crates_out: int
    carrier: str
    tracking: str
    delivered_at: datetime | None
    pick_list: str
    lines: tuple[NoteLine, ...]
    wording: str
    allergens: tuple[str, ...]

    @property
    def fresh(self) -> bool:
        return any(not line.is_kit and line.picked for line in self.lines)

    @property
    def kits(self) -> bool:
        return any(line.is_kit and line.picked for line in self.lines)


@dataclass(frozen=True, slots=True)
class Allergens:
    """What is said of allergens: the farm's own wording, and what came with what the bags were mixed of."""

    wording: str
    recorded: tuple[str, ...]


def note(number: int) -> NoteView:
    """The delivery note of this number."""
    found = _with_facts(Shipment.objects.filter(delivery_note__number=number)).first()
    if found is None:
        raise Missing(f"There is no delivery note {number}.", where="number")
    return _view(found)


def shipment(public_id: str) -> NoteView:
    """The same of a shipment, before or after it left."""
    code = codes.tidy(public_id)
    found = _with_facts(Shipment.objects.filter(public_id=code)).first() if code else None
    if found is None:
        raise Missing(f"There is no shipment {public_id[:12]}.", where="shipment")
    return _view(found)


def allergens(lots: Iterable[str]) -> Allergens:
    """Of these lots, by their codes."""
    return _allergens(Lot.objects.filter(public_id__in=set(lots)).values_list("batch", flat=True))


def _allergens(batches: Collection[int] | QuerySet[Lot, int]) -> Allergens:
    found: set[str] = set()
    for model in (Intake, SpawnDelivery, InputDelivery):
        found |= set(
            model.objects.filter(into_batches__batch__in=batches)
            .exclude(allergens="")
            .values_list("allergens", flat=True)
        )
    return Allergens(farm().allergen_wording, tuple(sorted(found)))


def _with_facts(found: QuerySet[Shipment]) -> QuerySet[Shipment]:
    return found.select_related("kitchen", "address", "stop__round__pick_list", "delivery_note", "parcel")


def _view(of: Shipment) -> NoteView:
    lines = list(
        Line.objects.filter(shipment=of, cancelled_at__isnull=True)
        .select_related("order", "product")
        .prefetch_related("refusals", "pick_rows__pick_list")
        .order_by("order", "number")
    )
    taken: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    lots: dict[int, Lot] = {}
    for pick in (
        Pick.objects.filter(line__in=lines, reverses__isnull=True, reversed_by__isnull=True)
        .select_related("lot__strain")
        .order_by("lot__best_before", "pk")
    ):
        taken[pick.line_id][pick.lot_id] += pick.amount
        lots[pick.lot_id] = pick.lot
    kits: dict[int, list[str]] = defaultdict(list)
    for line, number in Kit.objects.filter(line__in=lines).order_by("pk").values_list("line", "public_id"):
        kits[line].append(number)
    entries = list(of.crate_entries.values_list("crates", flat=True))
    stop, its_note = getattr(of, "stop", None), getattr(of, "delivery_note", None)
    parcel, place, ours = getattr(of, "parcel", None), of.address, farm()
    said = _allergens({lot.batch_id for lot in lots.values()})
    on_list = next((row.pick_list.public_id for line in lines for row in line.pick_rows.all()), "")
    return NoteView(
        shipment=of.public_id,
        number=its_note.number if its_note is not None else None,
        made_at=its_note.made_at if its_note is not None else None,
        farm=ours.name,
        mail=ours.mail_from,
        on=of.on,
        way=of.way,
        state=of.state,
        round_name=stop.round.name if stop is not None else "",
        name=place.name,
        address=tuple(part for part in (place.street, f"{place.postcode} {place.town}".strip()) if part),
        instructions=place.instructions,
        is_kitchen=of.kitchen is not None,
        gift=any(line.order.gift for line in lines),
        greetings=tuple(dict.fromkeys(line.order.greeting for line in lines if line.order.greeting)),
        starts=tuple(sorted({line.order.start_on for line in lines if line.order.start_on is not None})),
        crates_sent=sum(count for count in entries if count > 0),
        crates_back=-sum(count for count in entries if count < 0),
        crates_out=of.kitchen.crates_out if of.kitchen is not None else 0,
        carrier=parcel.carrier if parcel is not None else "",
        tracking=parcel.tracking if parcel is not None else "",
        delivered_at=of.delivered_at,
        pick_list=on_list,
        lines=tuple(_line(line, taken[line.pk], lots, kits[line.pk]) for line in lines),
        wording=said.wording,
        allergens=said.recorded,
    )


def _line(line: Line, taken: dict[int, int], lots: dict[int, Lot], kits: list[str]) -> NoteLine:
    rows = list(line.pick_rows.all())
    return NoteLine(
        line=str(line),
        product=line.product.name,
        is_kit=line.product.is_kit,
        reference=line.order.reference,
        ordered=line.ordered,
        due=sum(row.amount for row in rows) if rows else line.promised,
        picked=line.picked,
        refused=line.refused,
        reasons=tuple(each.reason for each in line.refusals.all()),
        lots=tuple(
            LotTaken(
                lots[pk].public_id,
                f"{lots[pk].strain.name}, {lots[pk].grade}",
                lots[pk].ready_on,
                lots[pk].best_before,
                lots[pk].hard_stop,
                amount,
            )
            for pk, amount in taken.items()
        ),
        kits=tuple(kits),
    )
