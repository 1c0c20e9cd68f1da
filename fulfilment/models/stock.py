"""What is in store and can be traced: lots, their ledger, and holds.

``Lot.quantity`` is written by the database alone: a trigger (see ``models.triggers``) adds each entry to it, so it is
the sum of the lot's entries by construction, and its constraint refuses to go below zero.
"""

from __future__ import annotations

from django.db import models

from fulfilment.models.base import PublicId, exactly_one
from fulfilment.models.farm import Strain
from fulfilment.models.growing import Batch, Harvest, InputDelivery, Intake, SpawnDelivery


class Lot(models.Model):
    """Fresh mushrooms of one harvest (grams) or kits sealed from one batch on one day (pieces); the code is its id."""

    class Kind(models.TextChoices):
        FRESH = "fresh"
        KITS = "kits"

    public_id = PublicId()
    kind = models.CharField(max_length=5, choices=Kind)
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="lots")
    grade = models.CharField(max_length=20)
    harvest = models.OneToOneField(Harvest, on_delete=models.PROTECT, null=True, blank=True, related_name="lot")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="lots")
    ready_on = models.DateField(help_text="Fresh: the day of harvest. Kits: the day of sealing.")
    best_before = models.DateField(help_text="Fresh: best before. Kits: start by.")
    hard_stop = models.BooleanField(default=False, help_text='"Use by": nothing is picked past the date, whoever asks.')
    quantity = models.IntegerField(default=0, editable=False)
    made_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(quantity__gte=0), name="lot_quantity_not_negative"),
            models.CheckConstraint(
                condition=models.Q(kind="fresh", harvest__isnull=False) & ~models.Q(grade="kit")
                | models.Q(kind="kits", harvest__isnull=True, grade="kit"),
                name="lot_fresh_has_harvest",
            ),
            models.CheckConstraint(
                condition=models.Q(best_before__gte=models.F("ready_on")), name="lot_best_before_after_ready"
            ),
        ]
        indexes = [
            models.Index(
                fields=["strain", "grade", "best_before"], name="lot_in_store", condition=models.Q(quantity__gt=0)
            )
        ]

    def __str__(self) -> str:
        return self.public_id


class StockEntry(models.Model):
    """One line of a lot's ledger; append-only.  ``quantity`` is signed: what came in above zero, what left below."""

    class Kind(models.TextChoices):
        HARVESTED = "harvested"
        SEALED = "sealed"
        PICKED = "picked"
        PICK_UNDONE = "pick_undone"
        DRIED_OUT = "dried_out"
        WASTED = "wasted"
        SAMPLE = "sample"
        OWN_USE = "own_use"
        GIVEN_AWAY = "given_away"
        SOLD_AT_GATE = "sold_at_gate"
        CORRECTED = "corrected"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="entries")
    kind = models.CharField(max_length=12, choices=Kind)
    quantity = models.IntegerField()
    at = models.DateTimeField()
    by = models.CharField(max_length=40)
    reason = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name_plural = "stock entries"
        constraints = [
            models.CheckConstraint(condition=~models.Q(quantity=0), name="stock_entry_moves_something"),
            models.CheckConstraint(
                condition=models.Q(kind__in=["harvested", "sealed", "pick_undone"], quantity__gt=0)
                | models.Q(kind="corrected")
                | models.Q(
                    kind__in=["picked", "dried_out", "wasted", "sample", "own_use", "given_away", "sold_at_gate"],
                    quantity__lt=0,
                ),
                name="stock_entry_sign_fits_kind",
            ),
            models.CheckConstraint(
                condition=~models.Q(kind="corrected") | ~models.Q(reason=""), name="stock_entry_correction_has_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.lot} {self.kind} {self.quantity:+d}"


class Hold(models.Model):
    """A stop with a reason: nothing under it is promised, opened, sealed, picked or sent until it is ended by a
    person.
    """

    class Outcome(models.TextChoices):
        RELEASED = "released"
        DESTROYED = "destroyed"

    public_id = PublicId()
    intake = models.ForeignKey(Intake, on_delete=models.PROTECT, null=True, blank=True, related_name="holds")
    spawn_delivery = models.ForeignKey(
        SpawnDelivery, on_delete=models.PROTECT, null=True, blank=True, related_name="holds"
    )
    input_delivery = models.ForeignKey(
        InputDelivery, on_delete=models.PROTECT, null=True, blank=True, related_name="holds"
    )
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, blank=True, related_name="holds")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="holds")
    kit = models.ForeignKey("fulfilment.Kit", on_delete=models.PROTECT, null=True, blank=True, related_name="holds")
    reason = models.CharField(max_length=200)
    placed_at = models.DateTimeField()
    placed_by = models.CharField(max_length=40)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.CharField(max_length=40, blank=True)
    outcome = models.CharField(max_length=10, choices=Outcome, blank=True)

    class Meta:
        constraints = [
            exactly_one("intake", "spawn_delivery", "input_delivery", "batch", "lot", "kit", table="hold"),
            models.CheckConstraint(condition=~models.Q(reason=""), name="hold_has_reason"),
            models.CheckConstraint(
                condition=models.Q(ended_at__isnull=True, outcome="", ended_by="")
                | (models.Q(ended_at__isnull=False) & ~models.Q(outcome="") & ~models.Q(ended_by="")),
                name="hold_is_ended_by_somebody",
            ),
        ]
        indexes = [models.Index(fields=["placed_at"], name="hold_in_force", condition=models.Q(ended_at__isnull=True))]

    def __str__(self) -> str:
        return self.public_id
