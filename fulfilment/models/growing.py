"""Where food comes from: donors, intakes, spawn, batches, rooms, crops, what was seen, what was harvested."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from fulfilment.models.base import PositiveAmount, PublicId, exactly_one, positive
from fulfilment.models.farm import Strain


class Donor(models.Model):
    """Who gives coffee grounds; often a kitchen that buys mushrooms too."""

    public_id = PublicId()
    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    kitchen = models.OneToOneField(
        "fulfilment.Kitchen", on_delete=models.PROTECT, null=True, blank=True, related_name="donor"
    )

    def __str__(self) -> str:
        return self.public_id


class Supplier(models.Model):
    """Who sells spawn, straw, lime, bags."""

    public_id = PublicId()
    name = models.CharField(max_length=120, unique=True)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)

    def __str__(self) -> str:
        return self.public_id


class Intake(models.Model):
    """Grounds collected from one donor on one day."""

    public_id = PublicId()
    donor = models.ForeignKey(Donor, on_delete=models.PROTECT, related_name="intakes")
    collected_on = models.DateField(db_index=True)
    grams = PositiveAmount()
    hours_since_brewing = models.PositiveSmallIntegerField(validators=[MaxValueValidator(24 * 30)])
    accepted = models.BooleanField(default=True)
    refused_because = models.CharField(max_length=200, blank=True)
    allergens = models.CharField(max_length=200, blank=True)
    logged_by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            *positive("grams", table="intake"),
            models.CheckConstraint(
                condition=models.Q(accepted=True) | ~models.Q(refused_because=""), name="intake_refusal_has_reason"
            ),
        ]

    def __str__(self) -> str:
        return self.public_id


class SpawnDelivery(models.Model):
    """Spawn received from a supplier."""

    public_id = PublicId()
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="spawn_deliveries")
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="spawn_deliveries")
    received_on = models.DateField(db_index=True)
    grams = PositiveAmount()
    supplier_lot = models.CharField(max_length=60, blank=True)
    allergens = models.CharField(max_length=200, blank=True)
    logged_by = models.CharField(max_length=40)

    class Meta:
        verbose_name_plural = "spawn deliveries"
        constraints = positive("grams", table="spawn_delivery")

    def __str__(self) -> str:
        return self.public_id


class InputDelivery(models.Model):
    """Straw, lime, bags and whatever else goes into a batch, as received."""

    class Kind(models.TextChoices):
        STRAW = "straw"
        LIME = "lime"
        BAGS = "bags"
        BRAN = "bran"
        OTHER = "other"

    public_id = PublicId()
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="input_deliveries")
    kind = models.CharField(max_length=8, choices=Kind)
    received_on = models.DateField()
    amount = PositiveAmount(help_text="Grams; pieces for bags.")
    supplier_lot = models.CharField(max_length=60, blank=True)
    allergens = models.CharField(max_length=200, blank=True)
    logged_by = models.CharField(max_length=40)

    class Meta:
        verbose_name_plural = "input deliveries"
        constraints = positive("amount", table="input_delivery")

    def __str__(self) -> str:
        return self.public_id


class Room(models.Model):
    """An incubation, fruiting or cold room with the temperature it is kept at (tenths of a degree Celsius)."""

    class Kind(models.TextChoices):
        INCUBATION = "incubation"
        FRUITING = "fruiting"
        COLD = "cold"

    public_id = PublicId()
    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    set_point_tenths = models.SmallIntegerField(validators=[MinValueValidator(-100), MaxValueValidator(500)])

    def __str__(self) -> str:
        return self.name


class Reading(models.Model):
    """A room's temperature at an instant; append-only."""

    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="readings")
    at = models.DateTimeField()
    celsius_tenths = models.SmallIntegerField(validators=[MinValueValidator(-100), MaxValueValidator(500)])
    logged_by = models.CharField(max_length=40)

    class Meta:
        indexes = [models.Index(fields=["room", "at"])]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(celsius_tenths__gte=-100) & models.Q(celsius_tenths__lte=500),
                name="reading_is_a_room_temperature",
            )
        ]

    def __str__(self) -> str:
        return f"{self.room} {self.celsius_tenths / 10:.1f} °C"


class Batch(models.Model):
    """Bags mixed on one day.  ``bags`` is what was filled; ``bags_lost``, ``bags_opened`` and ``bags_sealed`` follow
    it.

    ``kits_wanted`` is the grower's wish; ``kit_quota`` and ``opens_on`` are what the last plan fixed: how many of the
    bags not yet opened are meant as kits, sealed ones included until they are picked, and when the rest are opened.
    ``fresh_minor`` is what one bag more would bring as fresh mushrooms within the horizon, ``fresh_g`` what it is
    expected to give and ``fresh_sold_g`` what of that somebody has ordered.
    """

    public_id = PublicId()
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="batches")
    mixed_on = models.DateField(db_index=True)
    bags = PositiveAmount()
    dry_g_per_bag = PositiveAmount()
    wet_g_per_bag = PositiveAmount()
    spawn_pct = models.PositiveSmallIntegerField(validators=[MaxValueValidator(60)])
    heat_treatment = models.CharField(max_length=120, blank=True)
    recipe = models.CharField(max_length=200, blank=True)
    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="batches")
    kits_wanted = models.PositiveIntegerField(default=0)
    kit_quota = models.PositiveIntegerField(default=0)
    kits_ready_on = models.DateField(null=True, blank=True, help_text="When its kits are practically sure to be ready.")
    opens_on = models.DateField(null=True, blank=True)
    fresh_minor = models.PositiveIntegerField(null=True, blank=True, help_text="A bag's fresh value, in minor units.")
    fresh_g = models.PositiveIntegerField(null=True, blank=True)
    fresh_sold_g = models.PositiveIntegerField(null=True, blank=True)
    colonised_on = models.DateField(null=True, blank=True, help_text="When a full run was seen.")
    bags_lost = models.PositiveIntegerField(default=0)
    bags_opened = models.PositiveIntegerField(default=0)
    bags_sealed = models.PositiveIntegerField(default=0)
    logged_by = models.CharField(max_length=40)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        verbose_name_plural = "batches"
        constraints = [
            *positive("bags", "dry_g_per_bag", "wet_g_per_bag", table="batch"),
            models.CheckConstraint(
                condition=models.Q(bags__gte=models.F("bags_lost") + models.F("bags_opened") + models.F("bags_sealed")),
                name="batch_bags_are_used_once",
            ),
            models.CheckConstraint(
                condition=models.Q(wet_g_per_bag__gt=models.F("dry_g_per_bag")), name="batch_wet_above_dry"
            ),
            models.CheckConstraint(
                condition=models.Q(kits_wanted__lte=models.F("bags")), name="batch_kits_wanted_within_bags"
            ),
        ]

    def __str__(self) -> str:
        return self.public_id

    @property
    def bags_left(self) -> int:
        """Bags that are neither lost, opened nor sealed."""
        return self.bags - self.bags_lost - self.bags_opened - self.bags_sealed


class BatchIntake(models.Model):
    """How much of an intake went into a batch."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="from_intakes")
    intake = models.ForeignKey(Intake, on_delete=models.PROTECT, related_name="into_batches")
    grams = PositiveAmount()

    class Meta:
        constraints = [
            *positive("grams", table="batch_intake"),
            models.UniqueConstraint(fields=["batch", "intake"], name="batch_intake_once"),
        ]

    def __str__(self) -> str:
        return f"{self.intake} → {self.batch}"


class BatchSpawn(models.Model):
    """How much of a spawn delivery went into a batch."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="from_spawn")
    spawn_delivery = models.ForeignKey(SpawnDelivery, on_delete=models.PROTECT, related_name="into_batches")
    grams = PositiveAmount()

    class Meta:
        constraints = [
            *positive("grams", table="batch_spawn"),
            models.UniqueConstraint(fields=["batch", "spawn_delivery"], name="batch_spawn_once"),
        ]

    def __str__(self) -> str:
        return f"{self.spawn_delivery} → {self.batch}"


class BatchInput(models.Model):
    """How much of another delivery went into a batch."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="from_inputs")
    input_delivery = models.ForeignKey(InputDelivery, on_delete=models.PROTECT, related_name="into_batches")
    amount = PositiveAmount()

    class Meta:
        constraints = [
            *positive("amount", table="batch_input"),
            models.UniqueConstraint(fields=["batch", "input_delivery"], name="batch_input_once"),
        ]

    def __str__(self) -> str:
        return f"{self.input_delivery} → {self.batch}"


class Crop(models.Model):
    """Bags of one batch opened for fruiting on one day; ``flush`` is the one it is in."""

    public_id = PublicId()
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="crops")
    room = models.ForeignKey(Room, on_delete=models.PROTECT, related_name="crops")
    opened_on = models.DateField(db_index=True)
    bags = PositiveAmount()
    bags_lost = models.PositiveIntegerField(default=0)
    flush = models.PositiveSmallIntegerField(default=1)
    stage = models.CharField(max_length=12, default="pinning", help_text="See core.growth.Stage.")
    stage_since = models.DateField(help_text="The day the stage began.")
    finished_on = models.DateField(null=True, blank=True)
    logged_by = models.CharField(max_length=40)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            *positive("bags", table="crop"),
            models.CheckConstraint(condition=models.Q(bags_lost__lte=models.F("bags")), name="crop_lost_within_bags"),
            models.CheckConstraint(condition=models.Q(flush__gte=1) & models.Q(flush__lte=3), name="crop_flush_1_to_3"),
        ]

    def __str__(self) -> str:
        return self.public_id

    @property
    def bags_alive(self) -> int:
        return self.bags - self.bags_lost


class Observation(models.Model):
    """Something seen or done on a batch or a crop on a day; append-only."""

    class Kind(models.TextChoices):
        RUN_QUARTER = "run_quarter", "Run a quarter"
        RUN_HALF = "run_half", "Run half"
        RUN_FULL = "run_full", "Run full"
        CORE_TEMPERATURE = "core_temperature", "Core temperature"
        PINS = "pins", "Pins"
        REWATERED = "rewatered", "Rewatered"
        BAGS_LOST = "bags_lost", "Bags lost"
        FLUSH_ENDED = "flush_ended", "Last mushroom of the flush taken"
        FINISHED = "finished", "Finished"
        SEEN = "seen", "Looked at, nothing new"

    class Cause(models.TextChoices):
        MOULD = "mould"
        WET = "wet"
        FLIES = "flies"
        OTHER = "other"

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, blank=True, related_name="observations")
    crop = models.ForeignKey(Crop, on_delete=models.PROTECT, null=True, blank=True, related_name="observations")
    kind = models.CharField(max_length=20, choices=Kind)
    seen_on = models.DateField()
    flush = models.PositiveSmallIntegerField(null=True, blank=True)
    bags = models.PositiveIntegerField(null=True, blank=True)
    cause = models.CharField(max_length=8, choices=Cause, blank=True)
    celsius_tenths = models.SmallIntegerField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    logged_by = models.CharField(max_length=40)
    logged_at = models.DateTimeField()

    class Meta:
        constraints = [
            exactly_one("batch", "crop", table="observation"),
            models.CheckConstraint(
                condition=~models.Q(kind="bags_lost") | (models.Q(bags__gt=0) & ~models.Q(cause="")),
                name="observation_loss_has_bags_and_cause",
            ),
            models.CheckConstraint(
                condition=~models.Q(kind="core_temperature") | models.Q(celsius_tenths__isnull=False),
                name="observation_temperature_has_degrees",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.seen_on}"


class Harvest(models.Model):
    """Grams of one grade taken off a crop in a flush on a day, as weighed and after trimming; append-only, makes a
    lot.

    A weight that was written down wrong is put right by another row that names the one it ``corrects``: grams more or
    less, of the same crop, flush, day and grade, without a lot of its own.  Sums stay true by themselves.
    """

    public_id = PublicId()
    crop = models.ForeignKey(Crop, on_delete=models.PROTECT, related_name="harvests")
    corrects = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrections")
    flush = models.PositiveSmallIntegerField()
    harvested_on = models.DateField(db_index=True)
    grade = models.CharField(max_length=20)
    weighed_g = models.IntegerField()
    trimmed_g = models.IntegerField()
    reason = models.CharField(max_length=200, blank=True, db_default="")
    logged_by = models.CharField(max_length=40)
    logged_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(
                    corrects__isnull=True, weighed_g__gt=0, trimmed_g__gt=0, trimmed_g__lte=models.F("weighed_g")
                )
                | models.Q(corrects__isnull=False) & ~models.Q(weighed_g=0, trimmed_g=0),
                name="harvest_weighs_something",
            ),
            models.CheckConstraint(
                condition=models.Q(corrects__isnull=True) | ~models.Q(reason=""), name="harvest_correction_has_reason"
            ),
            models.CheckConstraint(
                condition=models.Q(flush__gte=1) & models.Q(flush__lte=3), name="harvest_flush_1_to_3"
            ),
        ]

    def __str__(self) -> str:
        return self.public_id
