"""Kits, what happened to them, and the care their holders are told of."""

from __future__ import annotations

from django.db import models

from fulfilment.models.base import PublicId
from fulfilment.models.customers import Holder
from fulfilment.models.growing import Batch
from fulfilment.models.messages import Mail
from fulfilment.models.orders import Line
from fulfilment.models.stock import Lot


class Kit(models.Model):
    """One bag sold whole; born at sealing, with its own number (public id) and the joining code on box and leaflet."""

    class Warmth(models.TextChoices):
        COOL = "cool"
        NORMAL = "normal"
        WARM = "warm"

    public_id = PublicId()
    joining_code = PublicId()
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="kits")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="kits")
    state = models.CharField(max_length=12, default="sealed", help_text="See core.care: follows from the kit's events.")
    line = models.ForeignKey(Line, on_delete=models.PROTECT, null=True, blank=True, related_name="kits")
    holder = models.ForeignKey(Holder, on_delete=models.PROTECT, null=True, blank=True, related_name="kits")
    warmth = models.CharField(max_length=6, choices=Warmth, default=Warmth.NORMAL)
    room_celsius_tenths = models.SmallIntegerField(null=True, blank=True)
    finished_on = models.DateField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        indexes = [models.Index(fields=["lot", "state"])]

    def __str__(self) -> str:
        return self.public_id


class KitEvent(models.Model):
    """Something that happened to a kit, on its holder's local day; append-only."""

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="events")
    kind = models.CharField(max_length=20, help_text="See core.care.KitEvent.")
    on = models.DateField()
    cycle = models.PositiveSmallIntegerField(default=1)
    trouble = models.CharField(max_length=20, blank=True)
    note = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kit", "kind", "cycle"],
                condition=models.Q(kind__in=["sealed", "sent", "pins", "rewatered", "finished", "replaced"]),
                name="kit_event_once_a_cycle",
            )
        ]

    def __str__(self) -> str:
        return f"{self.kit} {self.kind}"


class CareStep(models.Model):
    """A rule of the care programme: anchor and offset or predicted stage, local time, condition, template
    (core.care).
    """

    key = models.CharField(max_length=40, unique=True)
    position = models.PositiveSmallIntegerField()
    rule = models.JSONField()
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["position"]

    def __str__(self) -> str:
        return self.key


class CareMail(models.Model):
    """A care step of one kit in one cycle, with its due time; several of one holder may leave as one mail."""

    class State(models.TextChoices):
        PLANNED = "planned"
        QUEUED = "queued"
        CANCELLED = "cancelled"
        LATE = "late"

    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, related_name="care_mails")
    step = models.CharField(max_length=40)
    cycle = models.PositiveSmallIntegerField(default=1)
    due_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State, default=State.PLANNED)
    safety = models.BooleanField(default=False)
    mail = models.ForeignKey(Mail, on_delete=models.PROTECT, null=True, blank=True, related_name="care_mails")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kit", "step", "cycle"], name="care_mail_once_a_step_and_cycle"),
            models.CheckConstraint(
                condition=models.Q(state="queued", mail__isnull=False) | ~models.Q(state="queued"),
                name="care_mail_queued_has_mail",
            ),
        ]
        indexes = [models.Index(fields=["due_at"], name="care_mail_due", condition=models.Q(state="planned"))]

    def __str__(self) -> str:
        return f"{self.kit} {self.step}"
