"""What is told to other programs: where to, signed with which secrets, each message and each try."""

from __future__ import annotations

import secrets

from django.db import models

from fulfilment.models.base import PublicId
from fulfilment.models.customers import Kitchen
from fulfilment.models.messages import Event


def new_salt() -> str:
    """What makes a secret another one: 32 random bytes."""
    return secrets.token_hex(32)


def new_message_id() -> str:
    """128 random bits; without a full stop, which parts what is signed."""
    return f"msg_{secrets.token_hex(16)}"


class WebhookEndpoint(models.Model):
    """An address of somebody's program and the kinds of events it is told of.

    It sees what a key of its ``scope`` sees, and of a kitchen what is that kitchen's own.  Whoever posts to it holds
    it under ``lease`` until ``lease_until``; ``rests_until`` keeps one that is slow or fails from taking the worker's
    time.
    """

    class State(models.TextChoices):
        ENABLED = "enabled"
        DISABLED = "disabled"

    class Why(models.TextChoices):
        """Why it is disabled."""

        ASKED = "asked"
        GONE = "gone"
        FAILING = "failing"
        UNSIGNED = "unsigned"

    public_id = PublicId()
    scope = models.CharField(max_length=10)
    kitchen = models.ForeignKey(
        Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="webhook_endpoints"
    )
    address = models.CharField(max_length=500)
    kinds = models.JSONField(default=list)
    note = models.CharField(max_length=60, blank=True)
    state = models.CharField(max_length=10, choices=State, default=State.ENABLED)
    why_disabled = models.CharField(max_length=10, choices=Why, blank=True)
    disabled_at = models.DateTimeField(null=True, blank=True)
    failing_since = models.DateTimeField(null=True, blank=True)
    failures = models.PositiveIntegerField(default=0, help_text="In a row, up to now.")
    served_at = models.DateTimeField()
    rests_until = models.DateTimeField()
    lease = models.CharField(max_length=32, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(scope="kitchen", kitchen__isnull=False)
                | (~models.Q(scope="kitchen") & models.Q(kitchen__isnull=True)),
                name="webhook_endpoint_of_one_kitchen_or_none",
            ),
            models.CheckConstraint(
                condition=models.Q(state="enabled", why_disabled="", disabled_at__isnull=True)
                | (models.Q(state="disabled", disabled_at__isnull=False) & ~models.Q(why_disabled="")),
                name="webhook_endpoint_disabled_for_a_reason",
            ),
        ]
        indexes = [models.Index(fields=["kitchen", "scope"], name="webhook_on", condition=models.Q(state="enabled"))]

    def __str__(self) -> str:
        return self.public_id


class WebhookSecret(models.Model):
    """What a secret is made from (``read.webhooks.secret``); the secret itself is stored nowhere."""

    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.CASCADE, related_name="secrets")
    salt = models.CharField(max_length=64, default=new_salt, editable=False)
    key = models.CharField(max_length=16, help_text="The fingerprint of the installation's key it is made from.")
    made_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"secret of {self.endpoint}"


class WebhookMessage(models.Model):
    """One event for one endpoint.  The row is the queue: ``due_at`` says when it is posted (again)."""

    class State(models.TextChoices):
        WAITING = "waiting"
        DELIVERED = "delivered"
        FAILED = "failed"
        DROPPED = "dropped"

    message_id = models.CharField(max_length=40, unique=True, default=new_message_id, editable=False)
    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.CASCADE, related_name="messages")
    event = models.ForeignKey(Event, on_delete=models.PROTECT, related_name="webhook_messages")
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    due_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0, help_text="Since it was last asked for.")
    made_at = models.DateTimeField()
    delivered_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["endpoint", "event"], name="webhook_message_once")]
        indexes = [
            models.Index(fields=["endpoint", "due_at"], name="webhook_due", condition=models.Q(state="waiting")),
            models.Index(fields=["made_at"], name="webhook_made"),
        ]

    def __str__(self) -> str:
        return self.message_id


class WebhookTry(models.Model):
    """One post of one message and how it went; nothing of the answer but its status is kept."""

    message = models.ForeignKey(WebhookMessage, on_delete=models.CASCADE, related_name="attempts")
    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.CASCADE, related_name="attempts")
    at = models.DateTimeField()
    outcome = models.CharField(max_length=20)
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    took_ms = models.PositiveIntegerField()

    class Meta:
        verbose_name_plural = "webhook tries"
        indexes = [models.Index(fields=["endpoint", "id"], name="webhook_tries")]

    def __str__(self) -> str:
        return f"{self.message} {self.outcome}"
