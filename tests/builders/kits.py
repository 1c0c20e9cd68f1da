"""Kits sealed, sold and sent, through the services that do it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from fulfilment.models import Batch, Buyer, Kit, Kitchen, Lot, Product, Way
from fulfilment.services import kits, packing
from tests.builders.kitchens import BEN, FRIDAY, NOW, THURSDAY, a_batch, a_line

ADA = "user:ada"


def a_kit_lot(of: Batch, bags: int, *, sealed_on: date = THURSDAY) -> Lot:
    """So many bags of a batch sealed on that day."""
    return kits.seal(of.public_id, bags=bags, sealed_on=sealed_on, by=ADA, now=NOW, today=sealed_on)


def sent_kits(
    to: Buyer | Kitchen,
    product: Product,
    count: int = 1,
    *,
    gift: bool = False,
    now: datetime = NOW,
    on: date = FRIDAY,
) -> list[Kit]:
    """Kits that a carrier has taken, out of a batch of their own."""
    batch = a_batch(product.strain, colonised_on=on - timedelta(days=14))
    lot = a_kit_lot(batch, count, sealed_on=on - timedelta(days=1))
    line = a_line(to, product, count, gift=gift, on=on, way=Way.CARRIER)
    packing.pick(str(line), lot=lot.public_id, amount=count, by=BEN, now=now, today=on)
    packing.hand_parcel(
        line.shipment.public_id, carrier="Hedgerow Parcels", by=BEN, now=now + timedelta(hours=1), today=on
    )
    return list(Kit.objects.filter(line=line).select_related("holder", "line__order").order_by("pk"))
