"""The farm itself: one row, one installation."""

from __future__ import annotations

from datetime import time

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fulfilment.models.base import PositiveAmount, PublicId


class SharingRule(models.TextChoices):
    PRO_RATA = "pro_rata", "Pro rata: everybody the same part of what they ordered"
    EQUAL_SHARES = "equal_shares", "Equal shares: everybody the same amount, up to what they ordered"
    EQUAL_LOSSES = "equal_losses", "Equal losses: everybody goes without the same amount"


class Farm(models.Model):
    """What holds for the whole farm.  ``seed`` keys every draw of the forecast, so that it can be repeated."""

    name = models.CharField(max_length=120)
    zone = models.CharField(max_length=60, default="Etc/UTC", help_text="Time zone by its IANA name.")
    currency = models.CharField(max_length=3, default="EUR", help_text="ISO 4217 code.")
    seed = models.PositiveIntegerField(default=1)
    delivery_weekdays = models.JSONField(default=list, help_text="Weekdays with a round, Monday 0 … Sunday 6.")
    holiday_country = models.CharField(max_length=2, blank=True, help_text="ISO 3166 code; empty: no public holidays.")
    holiday_region = models.CharField(max_length=10, blank=True)
    cut_off_days = models.PositiveSmallIntegerField(
        default=1, validators=[MaxValueValidator(14)], help_text="How many days before delivery the cut-off falls."
    )
    cut_off_time = models.TimeField(default=time(12, 0))
    night_at = models.TimeField(default=time(2, 0), help_text="Local time from which the nightly run is due.")
    harvest_before_packing = models.BooleanField(
        default=False, help_text="Whether a delivery day's own harvest can go out that day."
    )
    sharing_rule = models.CharField(max_length=16, choices=SharingRule, default=SharingRule.PRO_RATA)
    scenarios = models.PositiveIntegerField(default=1000, validators=[MinValueValidator(50), MaxValueValidator(10_000)])
    horizon_days = models.PositiveSmallIntegerField(default=35, validators=[MaxValueValidator(90)])
    roll_days = models.PositiveSmallIntegerField(default=28, validators=[MaxValueValidator(90)])
    allergen_wording = models.TextField(
        blank=True,
        help_text="What the bags hold besides coffee grounds, in the farm's own words, for leaflet and mails.",
    )
    mail_from = models.EmailField(default="farm@example.org")
    phone = models.CharField(max_length=40, blank=True, help_text="Where customers call after the cut-off.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="farm_is_one_row")]

    def __str__(self) -> str:
        return self.name


class ClosedDay(models.Model):
    """A day without deliveries beyond the public holidays."""

    on = models.DateField(unique=True)
    reason = models.CharField(max_length=120, blank=True)

    def __str__(self) -> str:
        return self.on.isoformat()


class Strain(models.Model):
    """What is grown, with its growth profile (see ``core.growth``) and its kit profile (see ``core.care``) as data."""

    public_id = PublicId()
    name = models.CharField(max_length=60, unique=True)
    species = models.CharField(max_length=80, blank=True)
    growth = models.JSONField()
    kit = models.JSONField()
    hardy = models.BooleanField(default=True, help_text="Grown-through bags may wait cold before they are opened.")
    cold_wait_days = models.PositiveSmallIntegerField(default=14)
    kit_weeks = models.PositiveSmallIntegerField(
        default=8, help_text="Weeks from the day a bag was fully colonised to the kit's start-by date."
    )
    version = models.PositiveIntegerField(default=1)

    def __str__(self) -> str:
        return self.name


class Keeping(models.Model):
    """How long a strain in a grade keeps once harvested; a grade with its own days is a product with its own book."""

    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="keeping")
    grade = models.CharField(max_length=20)
    best_before_days = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(30)])
    use_by = models.BooleanField(default=False, help_text='"Use by" has a meaning in law; past it is a hard stop.')

    class Meta:
        verbose_name_plural = "keeping"
        constraints = [models.UniqueConstraint(fields=["strain", "grade"], name="keeping_once_per_grade")]

    def __str__(self) -> str:
        return f"{self.strain} {self.grade}"


class Product(models.Model):
    """What a line names: a strain in a grade in a pack, or a kit of a strain (grade ``kit``, pack 1 piece)."""

    public_id = PublicId()
    name = models.CharField(max_length=80)
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="products")
    grade = models.CharField(max_length=20)
    pack = PositiveAmount(help_text="Grams of one pack; 1 for kits.")
    price_minor = models.PositiveIntegerField(help_text="Minor units per kilo (fresh) or per kit.")
    active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["strain", "grade", "pack"], name="product_once"),
            models.CheckConstraint(condition=models.Q(pack__gt=0), name="product_pack_positive"),
            models.CheckConstraint(
                condition=~models.Q(grade="kit") | models.Q(pack=1), name="product_kit_is_single_piece"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_kit(self) -> bool:
        return self.grade == "kit"
