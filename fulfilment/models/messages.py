"""What is said: events (the audit trail that notices and webhooks read) and mails."""

from __future__ import annotations

from django.db import models

from fulfilment.models.base import PublicId
from fulfilment.models.customers import Buyer, Holder, Kitchen


class Event(models.Model):
    """One append-only line saying what happened.  ``data`` holds numbers and public ids, never personal data."""

    kind = models.CharField(max_length=40)
    subject = models.CharField(max_length=20, help_text="The public id of what it is about, or a date.")
    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="events")
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="events")
    data = models.JSONField(default=dict)
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        indexes = [models.Index(fields=["subject", "id"]), models.Index(fields=["kind", "id"])]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject}"


class Mail(models.Model):
    """One mail to one receiver; rendered at sending time from ``kind`` and ``subject`` (ids only)."""

    class State(models.TextChoices):
        PLANNED = "planned"
        SENDING = "sending"
        SENT = "sent"
        CANCELLED = "cancelled"
        LATE = "late"
        UNKNOWN = "unknown"
        FAILED = "failed"

    public_id = PublicId()
    kind = models.CharField(max_length=40)
    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="mails")
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="mails")
    holder = models.ForeignKey(Holder, on_delete=models.PROTECT, null=True, blank=True, related_name="mails")
    to_staff = models.BooleanField(default=False)
    subject = models.JSONField(default=dict, help_text="What it is about, as ids.")
    once = models.CharField(
        max_length=80, unique=True, help_text="What makes this mail this mail: asked twice, made once."
    )
    due_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State, default=State.PLANNED)
    tries = models.PositiveSmallIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    last_error = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(kitchen__isnull=False, buyer__isnull=True, holder__isnull=True, to_staff=False)
                | models.Q(kitchen__isnull=True, buyer__isnull=False, holder__isnull=True, to_staff=False)
                | models.Q(kitchen__isnull=True, buyer__isnull=True, holder__isnull=False, to_staff=False)
                | models.Q(kitchen__isnull=True, buyer__isnull=True, holder__isnull=True, to_staff=True),
                name="mail_has_one_receiver",
            )
        ]
        indexes = [
            models.Index(
                fields=["due_at"], name="mail_due", condition=models.Q(state__in=["planned", "sending", "unknown"])
            )
        ]

    def __str__(self) -> str:
        return self.public_id

    @property
    def message_id(self) -> str:
        """The same at every try, so that a receiver's program can tell a repeated mail."""
        return f"<{self.public_id.lower()}@{MESSAGE_ID_DOMAIN}>"


MESSAGE_ID_DOMAIN = "farm-orders.invalid"
