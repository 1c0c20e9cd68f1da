"""Who orders and who is cared for: kitchens with their terms, buyers, holders, addresses."""

from __future__ import annotations

from datetime import time

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fulfilment.models.base import PublicId, exactly_one
from fulfilment.models.farm import Product, Strain


class Kitchen(models.Model):
    """A restaurant customer and its terms."""

    public_id = PublicId()
    name = models.CharField(max_length=120)
    email = models.EmailField()
    phone = models.CharField(max_length=40, blank=True)
    tier = models.PositiveSmallIntegerField(
        default=2,
        validators=[MinValueValidator(1), MaxValueValidator(5)],
        help_text="1 is served first of what is left.",
    )
    delivery_weekdays = models.JSONField(default=list, help_text="Monday 0 … Sunday 6; empty: every day with a round.")
    window_from = models.TimeField(default=time(9, 0))
    window_to = models.TimeField(default=time(12, 0))
    max_age_days = models.PositiveSmallIntegerField(
        default=3,
        validators=[MinValueValidator(1), MaxValueValidator(14)],
        help_text="Harvested at most n days before.",
    )
    chance_pct = models.PositiveSmallIntegerField(default=90, validators=[MinValueValidator(50), MaxValueValidator(99)])
    tolerance_pct = models.PositiveSmallIntegerField(
        default=5, validators=[MaxValueValidator(25)], help_text="How far a pick may weigh off."
    )
    tell_me_by = models.TimeField(
        default=time(16, 0), help_text="On the day before delivery: until when a shortage helps."
    )
    round_name = models.CharField(max_length=60, default="Town")
    active = models.BooleanField(default=True)
    crates_out = models.IntegerField(default=0, editable=False)
    link_version = models.PositiveIntegerField(default=1)
    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="kitchen"
    )
    made_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(window_from__lt=models.F("window_to")), name="kitchen_window_opens"
            ),
            models.CheckConstraint(
                condition=models.Q(chance_pct__gte=50) & models.Q(chance_pct__lte=99), name="kitchen_chance_50_to_99"
            ),
            models.CheckConstraint(condition=models.Q(tier__gte=1) & models.Q(tier__lte=5), name="kitchen_tier_1_to_5"),
        ]

    def __str__(self) -> str:
        return self.public_id


class Substitute(models.Model):
    """What a kitchen takes instead, in its order of preference."""

    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, related_name="substitutes")
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="+")
    grade = models.CharField(max_length=20)
    instead_strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="+")
    instead_grade = models.CharField(max_length=20)
    position = models.PositiveSmallIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kitchen", "strain", "grade", "instead_strain", "instead_grade"], name="substitute_once"
            ),
            models.CheckConstraint(
                condition=~models.Q(strain=models.F("instead_strain"), grade=models.F("instead_grade")),
                name="substitute_is_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instead_strain} for {self.strain}"


class AgreedPrice(models.Model):
    """What a kitchen pays for a product where the farm agreed another price with it than everybody's."""

    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, related_name="agreed_prices")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="+")
    price_minor = models.PositiveIntegerField(help_text="Minor units per kilo (fresh) or per kit.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["kitchen", "product"], name="agreed_price_once")]

    def __str__(self) -> str:
        return f"{self.kitchen} {self.product}"

    @property
    def price(self) -> str:
        return f"{self.price_minor // 100}.{self.price_minor % 100:02}"


class Buyer(models.Model):
    """Who paid for a kit."""

    public_id = PublicId()
    name = models.CharField(max_length=120)
    email = models.EmailField()
    phone = models.CharField(max_length=40, blank=True)
    zone = models.CharField(max_length=60, default="Etc/UTC")
    erased_at = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    def __str__(self) -> str:
        return self.public_id


class Holder(models.Model):
    """Who has the kit now and is told what it needs: the buyer, or whoever joined by the code on the box."""

    public_id = PublicId()
    name = models.CharField(max_length=120, blank=True)
    email = models.EmailField()
    zone = models.CharField(max_length=60, default="Etc/UTC")
    buyer = models.OneToOneField(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="holder")
    unsubscribed_at = models.DateTimeField(null=True, blank=True)
    erased_at = models.DateTimeField(null=True, blank=True)
    link_version = models.PositiveIntegerField(default=1)
    made_at = models.DateTimeField()
    version = models.PositiveIntegerField(default=1)

    def __str__(self) -> str:
        return self.public_id


class Address(models.Model):
    """Where a kitchen's stop or a buyer's parcel goes."""

    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="addresses")
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="addresses")
    name = models.CharField(max_length=120)
    street = models.CharField(max_length=160)
    postcode = models.CharField(max_length=16, blank=True)
    town = models.CharField(max_length=80)
    country = models.CharField(max_length=2, default="XX", help_text="ISO 3166 code.")
    latitude = models.FloatField(null=True, blank=True)
    longitude = models.FloatField(null=True, blank=True)
    instructions = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name_plural = "addresses"
        constraints = [exactly_one("kitchen", "buyer", table="address")]

    def __str__(self) -> str:
        return f"address {self.pk}"
