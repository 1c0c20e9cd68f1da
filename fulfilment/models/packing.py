"""From store to door: rounds, pick lists, picks, parcels, what was refused, crates, delivery notes."""

from __future__ import annotations

from django.db import models

from fulfilment.models.base import PositiveAmount, PublicId, positive
from fulfilment.models.customers import Kitchen
from fulfilment.models.orders import Line, Shipment
from fulfilment.models.stock import Lot, StockEntry


class Round(models.Model):
    """A delivery trip on a day."""

    public_id = PublicId()
    on = models.DateField()
    name = models.CharField(max_length=60)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.CharField(max_length=40, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["on", "name"], name="round_once_a_day")]

    def __str__(self) -> str:
        return f"{self.name} {self.on}"


class Stop(models.Model):
    """One address on a round; it may also collect grounds and empty crates."""

    round = models.ForeignKey(Round, on_delete=models.PROTECT, related_name="stops")
    shipment = models.OneToOneField(Shipment, on_delete=models.PROTECT, related_name="stop")
    position = models.PositiveSmallIntegerField()
    collects_grounds = models.BooleanField(default=False)

    def __str__(self) -> str:
        return f"{self.round} {self.position}"


class PickList(models.Model):
    """What to take from store for one round, or for one day's parcels or collections (``round`` is empty then)."""

    public_id = PublicId()
    on = models.DateField()
    round = models.OneToOneField(Round, on_delete=models.PROTECT, null=True, blank=True, related_name="pick_list")
    way = models.CharField(max_length=10)
    made_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["on", "way"], condition=models.Q(round__isnull=True), name="pick_list_once_a_day_and_way"
            )
        ]

    def __str__(self) -> str:
        return self.public_id


class PickRow(models.Model):
    """One row of a pick list: so much of this lot for this line.  A coming harvest has no lot until it is logged."""

    pick_list = models.ForeignKey(PickList, on_delete=models.PROTECT, related_name="rows")
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="pick_rows")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    amount = PositiveAmount()
    position = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            *positive("amount", table="pick_row"),
            models.UniqueConstraint(
                fields=["pick_list", "line", "lot"], condition=models.Q(lot__isnull=False), name="pick_row_once_a_lot"
            ),
            models.UniqueConstraint(
                fields=["pick_list", "line"], condition=models.Q(lot__isnull=True), name="pick_row_to_come_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pick_list} {self.position}"


class Pick(models.Model):
    """What was really taken (net of tare) from which lot for which line, by whom; append-only.

    Undoing is a negative pick that names the one it reverses, once.
    """

    public_id = PublicId()
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="picks")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="picks")
    amount = models.IntegerField()
    entry = models.OneToOneField(StockEntry, on_delete=models.PROTECT, related_name="pick")
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by")
    reason = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(amount__gt=0, reverses__isnull=True)
                | models.Q(amount__lt=0, reverses__isnull=False),
                name="pick_takes_or_reverses",
            )
        ]

    def __str__(self) -> str:
        return self.public_id


class Parcel(models.Model):
    """A kit order handed to a carrier."""

    shipment = models.OneToOneField(Shipment, on_delete=models.PROTECT, related_name="parcel")
    carrier = models.CharField(max_length=60)
    tracking = models.CharField(max_length=60, blank=True)
    link = models.CharField(max_length=300, blank=True, db_default="", help_text="Where the carrier tells of it.")
    handed_at = models.DateTimeField()
    handed_by = models.CharField(max_length=40)

    def __str__(self) -> str:
        return f"{self.carrier} {self.tracking}"


class DeliveryNote(models.Model):
    """The paper that goes with a stop or parcel; its number counts up without a gap."""

    shipment = models.OneToOneField(Shipment, on_delete=models.PROTECT, related_name="delivery_note")
    number = models.PositiveIntegerField(unique=True)
    made_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"delivery note {self.number}"


class Refusal(models.Model):
    """What a customer sent back at the door, and why; append-only.  It comes back as waste, never as stock."""

    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="refusals")
    amount = PositiveAmount()
    reason = models.CharField(max_length=200)
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            *positive("amount", table="refusal"),
            models.CheckConstraint(condition=~models.Q(reason=""), name="refusal_has_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.line} {self.amount}"


class CrateEntry(models.Model):
    """Crates out (above zero) and back (below) per kitchen; append-only."""

    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, related_name="crate_entries")
    shipment = models.ForeignKey(
        Shipment, on_delete=models.PROTECT, null=True, blank=True, related_name="crate_entries"
    )
    crates = models.IntegerField()
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        verbose_name_plural = "crate entries"
        constraints = [
            models.CheckConstraint(condition=~models.Q(crates=0), name="crate_entry_moves_something"),
        ]

    def __str__(self) -> str:
        return f"{self.kitchen} {self.crates:+d}"
