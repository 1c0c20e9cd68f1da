"""Work that waits, and who may ask for it: jobs, idempotency records, keys, tries to sign in."""

from __future__ import annotations

from django.db import models
from rest_framework_api_key.models import AbstractAPIKey

from fulfilment.models.customers import Kitchen


class Job(models.Model):
    """A thing to do later or elsewhere.  It is due while ``planned < wanted``.

    Asking for it again adds one to ``wanted`` in the asker's commit; the worker stores the value it read before it
    began, so no earlier worker can take a later wish away.
    """

    kind = models.CharField(max_length=20)
    subject = models.CharField(max_length=40, blank=True)
    due_at = models.DateTimeField()
    wanted = models.PositiveIntegerField(default=1)
    planned = models.PositiveIntegerField(default=0)
    attempts = models.PositiveSmallIntegerField(default=0)
    lease = models.CharField(max_length=32, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    parked_at = models.DateTimeField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    last_error = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "subject"], name="job_once"),
            models.CheckConstraint(
                condition=models.Q(planned__lte=models.F("wanted")), name="job_planned_within_wanted"
            ),
        ]
        indexes = [
            models.Index(
                fields=["due_at"],
                name="job_due",
                condition=models.Q(planned__lt=models.F("wanted"), parked_at__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject}"


class ApiKey(AbstractAPIKey):
    """A bearer key, stored hashed: whose it is and what it may do (scopes: kitchen, shop, packing, grower, office)."""

    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="api_keys")
    replaces = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by",
        help_text="The key that this one was made in place of.",
    )  # fmt: skip
    scopes = models.JSONField(default=list)
    last_used_on = models.DateField(null=True, blank=True)

    class Meta(AbstractAPIKey.Meta):
        verbose_name = "API key"


class Once(models.Model):
    """An idempotency record: one effect and one stored answer for an owner's key; the body is kept as bytes."""

    owner = models.CharField(max_length=40)
    key = models.CharField(max_length=255)
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(default=b"")
    made_at = models.DateTimeField()

    class Meta:
        verbose_name = "idempotency record"
        constraints = [models.UniqueConstraint(fields=["owner", "key"], name="once_a_key")]
        indexes = [models.Index(fields=["made_at"])]

    def __str__(self) -> str:
        return self.key


class SignIn(models.Model):
    """Tries to sign in with one login name from one network address that have not succeeded, as instants.

    ``who`` is a keyed hash of the two: neither the name nor the address is stored.
    """

    who = models.CharField(max_length=64, unique=True)
    tried_at = models.JSONField(default=list)
    last_at = models.DateTimeField()
    locked_until = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{len(self.tried_at)} tries"
