"""What a kitchen has from the farm besides its deliveries: its link, what it can order, its delivery notes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from fulfilment.core import codes
from fulfilment.core.problems import Missing
from fulfilment.core.units import said
from fulfilment.models import DeliveryNote, Kitchen, Product, Shipment
from fulfilment.read import links
from fulfilment.read.farm import farm

PAPERS: Final = 12
"""The newest delivery notes that are listed."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A delivery note: its number, its day, and what came."""

    number: int
    on: date
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProductSeen:
    """What can be ordered; ``pack`` in grams, 1 for kits."""

    code: str
    name: str
    is_kit: bool
    pack: int


@dataclass(frozen=True, slots=True)
class Link:
    """A kitchen's name and the address of its page."""

    code: str
    name: str
    address: str
    active: bool


def link(code: str, *, now: datetime) -> Link:
    """For the office: the link as the kitchen's next mail will have it."""
    found = Kitchen.objects.filter(public_id=codes.tidy(code) or "-").first()
    if found is None:
        raise Missing(f"There is no kitchen {code[:20]}.")
    return Link(found.public_id, found.name, links.to_kitchen(found, now=now), found.active)


def products() -> tuple[ProductSeen, ...]:
    """What can be ordered at present, fresh before kits."""
    found = Product.objects.filter(active=True).order_by("name")
    seen = (ProductSeen(each.public_id, each.name, each.is_kit, each.pack) for each in found)
    return tuple(sorted(seen, key=lambda each: each.is_kit))


@dataclass(frozen=True, slots=True)
class Contact:
    """How the farm is asked; the telephone is empty where none is given."""

    mail: str
    phone: str

    @property
    def dial(self) -> str:
        """The number as a link dials it."""
        return "".join(sign for sign in self.phone if sign.isdigit() or sign == "+")


def contact() -> Contact:
    """How a customer reaches the farm."""
    ours = farm()
    return Contact(ours.mail_from, ours.phone)


def papers(kitchen: Kitchen) -> tuple[Paper, ...]:
    """The newest delivery notes, with what came."""
    notes = (
        DeliveryNote.objects.filter(shipment__kitchen=kitchen)
        .select_related("shipment")
        .prefetch_related("shipment__lines__product")
        .order_by("-number")[:PAPERS]
    )
    return tuple(Paper(note.number, note.shipment.on, tuple(_came(note.shipment))) for note in notes)


def _came(shipment: Shipment) -> list[str]:
    found = []
    for line in sorted(shipment.lines.all(), key=lambda line: line.pk):
        if line.picked:
            is_kit = line.product.is_kit
            back = f", {said(line.refused, is_kit=is_kit)} sent back" if line.refused else ""
            found.append(f"{said(line.picked, is_kit=is_kit)} {line.product.name}{back}")
    return found
