import datetime

import django.core.validators
import django.db.models.deletion
import django.db.models.expressions
from django.conf import settings
from django.db import migrations, models

import fulfilment.core.codes
import fulfilment.models.base


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("auth", "__first__"),
    ]

    operations = [
        migrations.CreateModel(
            name="Buyer",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("email", models.EmailField(max_length=254)),
                ("phone", models.CharField(blank=True, max_length=40)),
                ("zone", models.CharField(default="Etc/UTC", max_length=60)),
                ("erased_at", models.DateTimeField(blank=True, null=True)),
                ("made_at", models.DateTimeField()),
                ("version", models.PositiveIntegerField(default=1)),
            ],
        ),
        migrations.CreateModel(
            name="CareStep",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("key", models.CharField(max_length=40, unique=True)),
                ("position", models.PositiveSmallIntegerField()),
                ("rule", models.JSONField()),
                ("active", models.BooleanField(default=True)),
            ],
            options={
                "ordering": ["position"],
            },
        ),
        migrations.CreateModel(
            name="ClosedDay",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("on", models.DateField(unique=True)),
                ("reason", models.CharField(blank=True, max_length=120)),
            ],
        ),
        migrations.CreateModel(
            name="Farm",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("name", models.CharField(max_length=120)),
                ("zone", models.CharField(default="Etc/UTC", help_text="Time zone by its IANA name.", max_length=60)),
                ("currency", models.CharField(default="EUR", help_text="ISO 4217 code.", max_length=3)),
                ("seed", models.PositiveIntegerField(default=1)),
                (
                    "delivery_weekdays",
                    models.JSONField(default=list, help_text="Weekdays with a round, Monday 0 … Sunday 6."),
                ),
                (
                    "holiday_country",
                    models.CharField(blank=True, help_text="ISO 3166 code; empty: no public holidays.", max_length=2),
                ),
                ("holiday_region", models.CharField(blank=True, max_length=10)),
                (
                    "cut_off_days",
                    models.PositiveSmallIntegerField(
                        default=1,
                        help_text="How many days before delivery the cut-off falls.",
                        validators=[django.core.validators.MaxValueValidator(14)],
                    ),
                ),
                ("cut_off_time", models.TimeField(default=datetime.time(12, 0))),
                (
                    "night_at",
                    models.TimeField(
                        default=datetime.time(2, 0), help_text="Local time from which the nightly run is due."
                    ),
                ),
                (
                    "harvest_before_packing",
                    models.BooleanField(
                        default=False, help_text="Whether a delivery day's own harvest can go out that day."
                    ),
                ),
                (
                    "sharing_rule",
                    models.CharField(
                        choices=[
                            ("pro_rata", "Pro rata: everybody the same part of what they ordered"),
                            ("equal_shares", "Equal shares: everybody the same amount, up to what they ordered"),
                            ("equal_losses", "Equal losses: everybody goes without the same amount"),
                        ],
                        default="pro_rata",
                        max_length=16,
                    ),
                ),
                (
                    "scenarios",
                    models.PositiveIntegerField(
                        default=1000,
                        validators=[
                            django.core.validators.MinValueValidator(50),
                            django.core.validators.MaxValueValidator(10000),
                        ],
                    ),
                ),
                (
                    "horizon_days",
                    models.PositiveSmallIntegerField(
                        default=35, validators=[django.core.validators.MaxValueValidator(90)]
                    ),
                ),
                (
                    "roll_days",
                    models.PositiveSmallIntegerField(
                        default=28, validators=[django.core.validators.MaxValueValidator(90)]
                    ),
                ),
                (
                    "allergen_wording",
                    models.TextField(
                        blank=True,
                        help_text="What the bags hold besides coffee grounds, in the farm's own words, for leaflet and mails.",
                    ),
                ),
                ("mail_from", models.EmailField(default="farm@example.org", max_length=254)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [models.CheckConstraint(condition=models.Q(("pk", 1)), name="farm_is_one_row")],
            },
        ),
        migrations.CreateModel(
            name="Forecast",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("made_at", models.DateTimeField()),
                ("first_on", models.DateField()),
                ("days", models.PositiveSmallIntegerField()),
                ("scenarios", models.PositiveIntegerField()),
                ("seed", models.PositiveIntegerField()),
                ("seen_entry", models.BigIntegerField(default=0)),
                ("digest", models.CharField(max_length=64)),
                (
                    "outlooks",
                    models.JSONField(default=dict, help_text="Key of a crop or batch → expected dates and grams."),
                ),
            ],
            options={
                "get_latest_by": "id",
            },
        ),
        migrations.CreateModel(
            name="Job",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("kind", models.CharField(max_length=20)),
                ("subject", models.CharField(blank=True, max_length=40)),
                ("due_at", models.DateTimeField()),
                ("wanted", models.PositiveIntegerField(default=1)),
                ("planned", models.PositiveIntegerField(default=0)),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("lease", models.CharField(blank=True, max_length=32)),
                ("lease_until", models.DateTimeField(blank=True, null=True)),
                ("parked_at", models.DateTimeField(blank=True, null=True)),
                ("done_at", models.DateTimeField(blank=True, null=True)),
                ("last_error", models.CharField(blank=True, max_length=300)),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("parked_at__isnull", True), ("planned__lt", models.F("wanted"))),
                        fields=["due_at"],
                        name="job_due",
                    )
                ],
                "constraints": [
                    models.UniqueConstraint(fields=("kind", "subject"), name="job_once"),
                    models.CheckConstraint(
                        condition=models.Q(("planned__lte", models.F("wanted"))), name="job_planned_within_wanted"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Kitchen",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("email", models.EmailField(max_length=254)),
                ("phone", models.CharField(blank=True, max_length=40)),
                (
                    "tier",
                    models.PositiveSmallIntegerField(
                        default=2,
                        help_text="1 is served first of what is left.",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(5),
                        ],
                    ),
                ),
                (
                    "delivery_weekdays",
                    models.JSONField(default=list, help_text="Monday 0 … Sunday 6; empty: every day with a round."),
                ),
                ("window_from", models.TimeField(default=datetime.time(9, 0))),
                ("window_to", models.TimeField(default=datetime.time(12, 0))),
                (
                    "max_age_days",
                    models.PositiveSmallIntegerField(
                        default=3,
                        help_text="Harvested at most n days before.",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(14),
                        ],
                    ),
                ),
                (
                    "chance_pct",
                    models.PositiveSmallIntegerField(
                        default=90,
                        validators=[
                            django.core.validators.MinValueValidator(50),
                            django.core.validators.MaxValueValidator(99),
                        ],
                    ),
                ),
                (
                    "tolerance_pct",
                    models.PositiveSmallIntegerField(
                        default=5,
                        help_text="How far a pick may weigh off.",
                        validators=[django.core.validators.MaxValueValidator(25)],
                    ),
                ),
                (
                    "tell_me_by",
                    models.TimeField(
                        default=datetime.time(16, 0),
                        help_text="On the day before delivery: until when a shortage helps.",
                    ),
                ),
                ("round_name", models.CharField(default="Town", max_length=60)),
                ("active", models.BooleanField(default=True)),
                ("crates_out", models.IntegerField(default=0, editable=False)),
                ("link_version", models.PositiveIntegerField(default=1)),
                (
                    "user",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="kitchen",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("made_at", models.DateTimeField()),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("window_from__lt", models.F("window_to"))), name="kitchen_window_opens"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("chance_pct__gte", 50), ("chance_pct__lte", 99)),
                        name="kitchen_chance_50_to_99",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("tier__gte", 1), ("tier__lte", 5)), name="kitchen_tier_1_to_5"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Night",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("on", models.DateField(unique=True)),
                ("begun_at", models.DateTimeField()),
                ("done_at", models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="Once",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("owner", models.CharField(max_length=40)),
                ("key", models.CharField(max_length=255)),
                ("fingerprint", models.CharField(max_length=64)),
                ("status", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("headers", models.JSONField(default=dict)),
                ("body", models.BinaryField(default=b"")),
                ("made_at", models.DateTimeField()),
            ],
            options={
                "verbose_name": "idempotency record",
                "indexes": [models.Index(fields=["made_at"], name="fulfilment__made_at_8a0662_idx")],
                "constraints": [models.UniqueConstraint(fields=("owner", "key"), name="once_a_key")],
            },
        ),
        migrations.CreateModel(
            name="Rank",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
            ],
        ),
        migrations.CreateModel(
            name="Room",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=60, unique=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[("incubation", "Incubation"), ("fruiting", "Fruiting"), ("cold", "Cold")],
                        max_length=12,
                    ),
                ),
                (
                    "set_point_tenths",
                    models.SmallIntegerField(
                        validators=[
                            django.core.validators.MinValueValidator(-100),
                            django.core.validators.MaxValueValidator(500),
                        ]
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="Round",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("on", models.DateField()),
                ("name", models.CharField(max_length=60)),
                ("closed_at", models.DateTimeField(blank=True, null=True)),
                ("closed_by", models.CharField(blank=True, max_length=40)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("on", "name"), name="round_once_a_day")],
            },
        ),
        migrations.CreateModel(
            name="Strain",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=60, unique=True)),
                ("species", models.CharField(blank=True, max_length=80)),
                ("growth", models.JSONField()),
                ("kit", models.JSONField()),
                (
                    "hardy",
                    models.BooleanField(
                        default=True, help_text="Grown-through bags may wait cold before they are opened."
                    ),
                ),
                ("cold_wait_days", models.PositiveSmallIntegerField(default=14)),
                (
                    "kit_weeks",
                    models.PositiveSmallIntegerField(
                        default=8, help_text="Weeks from the day a bag was fully colonised to the kit's start-by date."
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1)),
            ],
        ),
        migrations.CreateModel(
            name="Supplier",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=120, unique=True)),
                ("email", models.EmailField(blank=True, max_length=254)),
                ("phone", models.CharField(blank=True, max_length=40)),
            ],
        ),
        migrations.CreateModel(
            name="Address",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="addresses",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "buyer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="addresses",
                        to="fulfilment.buyer",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("street", models.CharField(max_length=160)),
                ("postcode", models.CharField(blank=True, max_length=16)),
                ("town", models.CharField(max_length=80)),
                ("country", models.CharField(default="XX", help_text="ISO 3166 code.", max_length=2)),
                ("latitude", models.FloatField(blank=True, null=True)),
                ("longitude", models.FloatField(blank=True, null=True)),
                ("instructions", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "verbose_name_plural": "addresses",
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("buyer__isnull", True), ("kitchen__isnull", False)),
                            models.Q(("buyer__isnull", False), ("kitchen__isnull", True)),
                            _connector="OR",
                        ),
                        name="address_belongs_to_one",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="ApiKey",
            fields=[
                (
                    "id",
                    models.CharField(editable=False, max_length=150, primary_key=True, serialize=False, unique=True),
                ),
                ("prefix", models.CharField(editable=False, max_length=8, unique=True)),
                ("hashed_key", models.CharField(editable=False, max_length=150)),
                ("created", models.DateTimeField(auto_now_add=True, db_index=True)),
                (
                    "name",
                    models.CharField(
                        default=None,
                        help_text="A free-form name for the API key. Need not be unique. 50 characters max.",
                        max_length=50,
                    ),
                ),
                (
                    "revoked",
                    models.BooleanField(
                        blank=True,
                        default=False,
                        help_text="If the API key is revoked, clients cannot use it anymore. (This cannot be undone.)",
                    ),
                ),
                (
                    "expiry_date",
                    models.DateTimeField(
                        blank=True,
                        help_text="Once API key expires, clients cannot use it anymore.",
                        null=True,
                        verbose_name="Expires",
                    ),
                ),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="api_keys",
                        to="fulfilment.kitchen",
                    ),
                ),
                ("scopes", models.JSONField(default=list)),
                ("last_used_on", models.DateField(blank=True, null=True)),
            ],
            options={
                "verbose_name": "API key",
                "verbose_name_plural": "API keys",
                "ordering": ("-created",),
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Batch",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="batches", to="fulfilment.strain"
                    ),
                ),
                ("mixed_on", models.DateField(db_index=True)),
                (
                    "bags",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "dry_g_per_bag",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "wet_g_per_bag",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "spawn_pct",
                    models.PositiveSmallIntegerField(validators=[django.core.validators.MaxValueValidator(60)]),
                ),
                ("heat_treatment", models.CharField(blank=True, max_length=120)),
                ("recipe", models.CharField(blank=True, max_length=200)),
                (
                    "room",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="batches", to="fulfilment.room"
                    ),
                ),
                ("kits_wanted", models.PositiveIntegerField(default=0)),
                ("kit_quota", models.PositiveIntegerField(default=0)),
                (
                    "kits_ready_on",
                    models.DateField(
                        blank=True, help_text="When its kits are practically sure to be ready.", null=True
                    ),
                ),
                ("opens_on", models.DateField(blank=True, null=True)),
                ("colonised_on", models.DateField(blank=True, help_text="When a full run was seen.", null=True)),
                ("bags_lost", models.PositiveIntegerField(default=0)),
                ("bags_opened", models.PositiveIntegerField(default=0)),
                ("bags_sealed", models.PositiveIntegerField(default=0)),
                ("logged_by", models.CharField(max_length=40)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "verbose_name_plural": "batches",
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("bags__gt", 0)), name="batch_bags_positive"),
                    models.CheckConstraint(
                        condition=models.Q(("dry_g_per_bag__gt", 0)), name="batch_dry_g_per_bag_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("wet_g_per_bag__gt", 0)), name="batch_wet_g_per_bag_positive"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "bags__gte",
                                django.db.models.expressions.CombinedExpression(
                                    django.db.models.expressions.CombinedExpression(
                                        models.F("bags_lost"), "+", models.F("bags_opened")
                                    ),
                                    "+",
                                    models.F("bags_sealed"),
                                ),
                            )
                        ),
                        name="batch_bags_are_used_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("wet_g_per_bag__gt", models.F("dry_g_per_bag"))), name="batch_wet_above_dry"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("kits_wanted__lte", models.F("bags"))), name="batch_kits_wanted_within_bags"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Book",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="books", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "forecast",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fulfilment.forecast",
                    ),
                ),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("strain", "grade"), name="book_once")],
            },
        ),
        migrations.CreateModel(
            name="Donor",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("email", models.EmailField(blank=True, max_length=254)),
                ("phone", models.CharField(blank=True, max_length=40)),
                (
                    "kitchen",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="donor",
                        to="fulfilment.kitchen",
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="Event",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("kind", models.CharField(max_length=40)),
                ("subject", models.CharField(help_text="The public id of what it is about, or a date.", max_length=20)),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="events",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "buyer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="events",
                        to="fulfilment.buyer",
                    ),
                ),
                ("data", models.JSONField(default=dict)),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["subject", "id"], name="fulfilment__subject_0eb29e_idx"),
                    models.Index(fields=["kind", "id"], name="fulfilment__kind_b1780f_idx"),
                ],
            },
        ),
        migrations.CreateModel(
            name="Holder",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(blank=True, max_length=120)),
                ("email", models.EmailField(max_length=254)),
                ("zone", models.CharField(default="Etc/UTC", max_length=60)),
                (
                    "buyer",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holder",
                        to="fulfilment.buyer",
                    ),
                ),
                ("unsubscribed_at", models.DateTimeField(blank=True, null=True)),
                ("erased_at", models.DateTimeField(blank=True, null=True)),
                ("link_version", models.PositiveIntegerField(default=1)),
                ("made_at", models.DateTimeField()),
                ("version", models.PositiveIntegerField(default=1)),
            ],
        ),
        migrations.CreateModel(
            name="InputDelivery",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "supplier",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="input_deliveries",
                        to="fulfilment.supplier",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("straw", "Straw"),
                            ("lime", "Lime"),
                            ("bags", "Bags"),
                            ("bran", "Bran"),
                            ("other", "Other"),
                        ],
                        max_length=8,
                    ),
                ),
                ("received_on", models.DateField()),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        help_text="Grams; pieces for bags.",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ],
                    ),
                ),
                ("supplier_lot", models.CharField(blank=True, max_length=60)),
                ("allergens", models.CharField(blank=True, max_length=200)),
                ("logged_by", models.CharField(max_length=40)),
            ],
            options={
                "verbose_name_plural": "input deliveries",
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="input_delivery_amount_positive")
                ],
            },
        ),
        migrations.CreateModel(
            name="Keeping",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="keeping", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "best_before_days",
                    models.PositiveSmallIntegerField(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(30),
                        ]
                    ),
                ),
                (
                    "use_by",
                    models.BooleanField(
                        default=False, help_text='"Use by" has a meaning in law; past it is a hard stop.'
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "keeping",
                "constraints": [models.UniqueConstraint(fields=("strain", "grade"), name="keeping_once_per_grade")],
            },
        ),
        migrations.CreateModel(
            name="NightStep",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "night",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="steps", to="fulfilment.night"
                    ),
                ),
                ("step", models.CharField(max_length=20)),
                ("done_at", models.DateTimeField()),
                ("figures", models.JSONField(default=dict)),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("night", "step"), name="night_step_once")],
            },
        ),
        migrations.CreateModel(
            name="PickList",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("on", models.DateField()),
                (
                    "round",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="pick_list",
                        to="fulfilment.round",
                    ),
                ),
                ("way", models.CharField(max_length=10)),
                ("made_at", models.DateTimeField()),
                ("done_at", models.DateTimeField(blank=True, null=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("round__isnull", True)),
                        fields=("on", "way"),
                        name="pick_list_once_a_day_and_way",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Plan",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("made_at", models.DateTimeField()),
                ("cause", models.CharField(max_length=40)),
                (
                    "forecast",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="plans",
                        to="fulfilment.forecast",
                    ),
                ),
                ("figures", models.JSONField(default=dict)),
            ],
        ),
        migrations.CreateModel(
            name="Product",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("name", models.CharField(max_length=80)),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="products", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "pack",
                    fulfilment.models.base.PositiveAmount(
                        help_text="Grams of one pack; 1 for kits.",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ],
                    ),
                ),
                ("price_minor", models.PositiveIntegerField(help_text="Minor units per kilo (fresh) or per kit.")),
                ("active", models.BooleanField(default=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("strain", "grade", "pack"), name="product_once"),
                    models.CheckConstraint(condition=models.Q(("pack__gt", 0)), name="product_pack_positive"),
                    models.CheckConstraint(
                        condition=models.Q(models.Q(("grade", "kit"), _negated=True), ("pack", 1), _connector="OR"),
                        name="product_kit_is_single_piece",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Reading",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "room",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="readings", to="fulfilment.room"
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "celsius_tenths",
                    models.SmallIntegerField(
                        validators=[
                            django.core.validators.MinValueValidator(-100),
                            django.core.validators.MaxValueValidator(500),
                        ]
                    ),
                ),
                ("logged_by", models.CharField(max_length=40)),
            ],
            options={
                "indexes": [models.Index(fields=["room", "at"], name="fulfilment__room_id_bdde3f_idx")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("celsius_tenths__gte", -100), ("celsius_tenths__lte", 500)),
                        name="reading_is_a_room_temperature",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Score",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("on", models.DateField()),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                ("lead_days", models.PositiveSmallIntegerField()),
                ("observed", models.IntegerField()),
                ("p10", models.IntegerField()),
                ("p50", models.IntegerField()),
                ("p90", models.IntegerField()),
                ("pinball", models.JSONField(help_text="Level → loss in grams.")),
                ("crps", models.FloatField()),
                ("inside", models.BooleanField()),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("on", "strain", "grade", "lead_days"), name="score_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="SpawnDelivery",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "supplier",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="spawn_deliveries",
                        to="fulfilment.supplier",
                    ),
                ),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="spawn_deliveries",
                        to="fulfilment.strain",
                    ),
                ),
                ("received_on", models.DateField(db_index=True)),
                (
                    "grams",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("supplier_lot", models.CharField(blank=True, max_length=60)),
                ("allergens", models.CharField(blank=True, max_length=200)),
                ("logged_by", models.CharField(max_length=40)),
            ],
            options={
                "verbose_name_plural": "spawn deliveries",
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("grams__gt", 0)), name="spawn_delivery_grams_positive")
                ],
            },
        ),
        migrations.CreateModel(
            name="Substitute",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kitchen",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="substitutes", to="fulfilment.kitchen"
                    ),
                ),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "instead_strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.strain"
                    ),
                ),
                ("instead_grade", models.CharField(max_length=20)),
                ("position", models.PositiveSmallIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("kitchen", "strain", "grade", "instead_strain", "instead_grade"), name="substitute_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("grade", models.F("instead_grade")), ("strain", models.F("instead_strain")), _negated=True
                        ),
                        name="substitute_is_another",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Supply",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "forecast",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="supplies", to="fulfilment.forecast"
                    ),
                ),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                ("packed", models.BinaryField()),
                ("p10", models.JSONField()),
                ("p50", models.JSONField()),
                ("p90", models.JSONField()),
                ("mean", models.JSONField()),
            ],
            options={
                "verbose_name_plural": "supplies",
                "constraints": [models.UniqueConstraint(fields=("forecast", "strain", "grade"), name="supply_once")],
            },
        ),
        migrations.CreateModel(
            name="BatchInput",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="from_inputs", to="fulfilment.batch"
                    ),
                ),
                (
                    "input_delivery",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="into_batches",
                        to="fulfilment.inputdelivery",
                    ),
                ),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="batch_input_amount_positive"),
                    models.UniqueConstraint(fields=("batch", "input_delivery"), name="batch_input_once"),
                ],
            },
        ),
        migrations.CreateModel(
            name="BatchSpawn",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="from_spawn", to="fulfilment.batch"
                    ),
                ),
                (
                    "spawn_delivery",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="into_batches",
                        to="fulfilment.spawndelivery",
                    ),
                ),
                (
                    "grams",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("grams__gt", 0)), name="batch_spawn_grams_positive"),
                    models.UniqueConstraint(fields=("batch", "spawn_delivery"), name="batch_spawn_once"),
                ],
            },
        ),
        migrations.CreateModel(
            name="Crop",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="crops", to="fulfilment.batch"
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="crops", to="fulfilment.room"
                    ),
                ),
                ("opened_on", models.DateField(db_index=True)),
                (
                    "bags",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("bags_lost", models.PositiveIntegerField(default=0)),
                ("flush", models.PositiveSmallIntegerField(default=1)),
                ("stage", models.CharField(default="pinning", help_text="See core.growth.Stage.", max_length=12)),
                ("stage_since", models.DateField(help_text="The day the stage began.")),
                ("finished_on", models.DateField(blank=True, null=True)),
                ("logged_by", models.CharField(max_length=40)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("bags__gt", 0)), name="crop_bags_positive"),
                    models.CheckConstraint(
                        condition=models.Q(("bags_lost__lte", models.F("bags"))), name="crop_lost_within_bags"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("flush__gte", 1), ("flush__lte", 3)), name="crop_flush_1_to_3"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Intake",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "donor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="intakes", to="fulfilment.donor"
                    ),
                ),
                ("collected_on", models.DateField(db_index=True)),
                (
                    "grams",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "hours_since_brewing",
                    models.PositiveSmallIntegerField(validators=[django.core.validators.MaxValueValidator(720)]),
                ),
                ("accepted", models.BooleanField(default=True)),
                ("refused_because", models.CharField(blank=True, max_length=200)),
                ("allergens", models.CharField(blank=True, max_length=200)),
                ("logged_by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("grams__gt", 0)), name="intake_grams_positive"),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("accepted", True), models.Q(("refused_because", ""), _negated=True), _connector="OR"
                        ),
                        name="intake_refusal_has_reason",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Mail",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("kind", models.CharField(max_length=40)),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="mails",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "buyer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="mails",
                        to="fulfilment.buyer",
                    ),
                ),
                (
                    "holder",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="mails",
                        to="fulfilment.holder",
                    ),
                ),
                ("to_staff", models.BooleanField(default=False)),
                ("subject", models.JSONField(default=dict, help_text="What it is about, as ids.")),
                (
                    "once",
                    models.CharField(
                        help_text="What makes this mail this mail: asked twice, made once.", max_length=80, unique=True
                    ),
                ),
                ("due_at", models.DateTimeField()),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("planned", "Planned"),
                            ("sending", "Sending"),
                            ("sent", "Sent"),
                            ("cancelled", "Cancelled"),
                            ("late", "Late"),
                            ("unknown", "Unknown"),
                            ("failed", "Failed"),
                        ],
                        default="planned",
                        max_length=10,
                    ),
                ),
                ("tries", models.PositiveSmallIntegerField(default=0)),
                ("lease_until", models.DateTimeField(blank=True, null=True)),
                ("sent_at", models.DateTimeField(blank=True, null=True)),
                ("last_error", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("state__in", ["planned", "sending", "unknown"])),
                        fields=["due_at"],
                        name="mail_due",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("buyer__isnull", True),
                                ("holder__isnull", True),
                                ("kitchen__isnull", False),
                                ("to_staff", False),
                            ),
                            models.Q(
                                ("buyer__isnull", False),
                                ("holder__isnull", True),
                                ("kitchen__isnull", True),
                                ("to_staff", False),
                            ),
                            models.Q(
                                ("buyer__isnull", True),
                                ("holder__isnull", False),
                                ("kitchen__isnull", True),
                                ("to_staff", False),
                            ),
                            models.Q(
                                ("buyer__isnull", True),
                                ("holder__isnull", True),
                                ("kitchen__isnull", True),
                                ("to_staff", True),
                            ),
                            _connector="OR",
                        ),
                        name="mail_has_one_receiver",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Shipment",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="shipments",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "buyer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="shipments",
                        to="fulfilment.buyer",
                    ),
                ),
                (
                    "address",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="shipments", to="fulfilment.address"
                    ),
                ),
                ("on", models.DateField()),
                (
                    "way",
                    models.CharField(
                        choices=[("round", "Round"), ("carrier", "Carrier"), ("collected", "Collected")], max_length=10
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("placed", "Placed"),
                            ("packed", "Packed"),
                            ("sent", "Sent"),
                            ("delivered", "Delivered"),
                            ("cancelled", "Cancelled"),
                        ],
                        default="placed",
                        max_length=10,
                    ),
                ),
                ("cut_off_at", models.DateTimeField()),
                ("frozen_at", models.DateTimeField(blank=True, null=True)),
                ("packed_at", models.DateTimeField(blank=True, null=True)),
                ("sent_at", models.DateTimeField(blank=True, null=True)),
                ("delivered_at", models.DateTimeField(blank=True, null=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["on", "state"], name="fulfilment__on_1ac13b_idx"),
                    models.Index(
                        condition=models.Q(("frozen_at__isnull", True), ("state", "placed")),
                        fields=["cut_off_at"],
                        name="shipment_to_freeze",
                    ),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("buyer__isnull", True), ("kitchen__isnull", False)),
                            models.Q(("buyer__isnull", False), ("kitchen__isnull", True)),
                            _connector="OR",
                        ),
                        name="shipment_belongs_to_one",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("state", "placed")),
                        fields=("address", "on", "way"),
                        name="shipment_placed_once",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="StandingOrder",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "kitchen",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="standing_orders",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "address",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.address"
                    ),
                ),
                ("way", models.CharField(default="round", max_length=10)),
                ("rule", models.CharField(max_length=200)),
                ("starts_on", models.DateField()),
                ("ends_on", models.DateField(blank=True, null=True)),
                ("placed_at", models.DateTimeField()),
                ("placed_by", models.CharField(max_length=40)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("ends_on__isnull", True), ("ends_on__gte", models.F("starts_on")), _connector="OR"
                        ),
                        name="standing_order_ends_after_start",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="BatchIntake",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="from_intakes", to="fulfilment.batch"
                    ),
                ),
                (
                    "intake",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="into_batches", to="fulfilment.intake"
                    ),
                ),
                (
                    "grams",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("grams__gt", 0)), name="batch_intake_grams_positive"),
                    models.UniqueConstraint(fields=("batch", "intake"), name="batch_intake_once"),
                ],
            },
        ),
        migrations.CreateModel(
            name="Change",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "standing_order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="changes",
                        to="fulfilment.standingorder",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("skip", "Skip"),
                            ("amounts", "Amounts"),
                            ("pause", "Pause"),
                            ("as_usual", "As Usual"),
                        ],
                        max_length=8,
                    ),
                ),
                ("first_on", models.DateField()),
                ("last_on", models.DateField()),
                (
                    "amounts",
                    models.JSONField(
                        blank=True, default=dict, help_text="Product id → grams, where the kind is amounts."
                    ),
                ),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("last_on__gte", models.F("first_on"))), name="change_span_runs_forward"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="CrateEntry",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kitchen",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="crate_entries",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "shipment",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="crate_entries",
                        to="fulfilment.shipment",
                    ),
                ),
                ("crates", models.IntegerField()),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "verbose_name_plural": "crate entries",
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("crates", 0), _negated=True), name="crate_entry_moves_something"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="DeliveryNote",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "shipment",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="delivery_note",
                        to="fulfilment.shipment",
                    ),
                ),
                ("number", models.PositiveIntegerField(unique=True)),
                ("made_at", models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name="Harvest",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "crop",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="harvests", to="fulfilment.crop"
                    ),
                ),
                ("flush", models.PositiveSmallIntegerField()),
                ("harvested_on", models.DateField(db_index=True)),
                ("grade", models.CharField(max_length=20)),
                (
                    "weighed_g",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "trimmed_g",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("logged_by", models.CharField(max_length=40)),
                ("logged_at", models.DateTimeField()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("weighed_g__gt", 0)), name="harvest_weighed_g_positive"),
                    models.CheckConstraint(condition=models.Q(("trimmed_g__gt", 0)), name="harvest_trimmed_g_positive"),
                    models.CheckConstraint(
                        condition=models.Q(("trimmed_g__lte", models.F("weighed_g"))),
                        name="harvest_trimming_takes_away",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("flush__gte", 1), ("flush__lte", 3)), name="harvest_flush_1_to_3"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Observation",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "batch",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="observations",
                        to="fulfilment.batch",
                    ),
                ),
                (
                    "crop",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="observations",
                        to="fulfilment.crop",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("run_quarter", "Run a quarter"),
                            ("run_half", "Run half"),
                            ("run_full", "Run full"),
                            ("core_temperature", "Core temperature"),
                            ("pins", "Pins"),
                            ("rewatered", "Rewatered"),
                            ("bags_lost", "Bags lost"),
                            ("flush_ended", "Last mushroom of the flush taken"),
                            ("finished", "Finished"),
                            ("seen", "Looked at, nothing new"),
                        ],
                        max_length=20,
                    ),
                ),
                ("seen_on", models.DateField()),
                ("flush", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("bags", models.PositiveIntegerField(blank=True, null=True)),
                (
                    "cause",
                    models.CharField(
                        blank=True,
                        choices=[("mould", "Mould"), ("wet", "Wet"), ("flies", "Flies"), ("other", "Other")],
                        max_length=8,
                    ),
                ),
                ("celsius_tenths", models.SmallIntegerField(blank=True, null=True)),
                ("note", models.CharField(blank=True, max_length=300)),
                ("logged_by", models.CharField(max_length=40)),
                ("logged_at", models.DateTimeField()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("batch__isnull", False), ("crop__isnull", True)),
                            models.Q(("batch__isnull", True), ("crop__isnull", False)),
                            _connector="OR",
                        ),
                        name="observation_belongs_to_one",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "bags_lost"), _negated=True),
                            models.Q(("bags__gt", 0), models.Q(("cause", ""), _negated=True)),
                            _connector="OR",
                        ),
                        name="observation_loss_has_bags_and_cause",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "core_temperature"), _negated=True),
                            ("celsius_tenths__isnull", False),
                            _connector="OR",
                        ),
                        name="observation_temperature_has_degrees",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Order",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "kitchen",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="orders",
                        to="fulfilment.kitchen",
                    ),
                ),
                (
                    "buyer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="orders",
                        to="fulfilment.buyer",
                    ),
                ),
                (
                    "standing_order",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="orders",
                        to="fulfilment.standingorder",
                    ),
                ),
                ("on", models.DateField(db_index=True)),
                ("reference", models.CharField(blank=True, help_text="The customer's own number.", max_length=60)),
                ("gift", models.BooleanField(default=False)),
                ("greeting", models.CharField(blank=True, max_length=300)),
                ("placed_at", models.DateTimeField()),
                ("placed_by", models.CharField(max_length=40)),
                ("cancelled_at", models.DateTimeField(blank=True, null=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["kitchen", "-id"], name="fulfilment__kitchen_1badc9_idx"),
                    models.Index(fields=["buyer", "-id"], name="fulfilment__buyer_i_4a5890_idx"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("buyer__isnull", True), ("kitchen__isnull", False)),
                            models.Q(("buyer__isnull", False), ("kitchen__isnull", True)),
                            _connector="OR",
                        ),
                        name="order_belongs_to_one",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("standing_order__isnull", False)),
                        fields=("standing_order", "on"),
                        name="order_rolled_once_a_date",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Parcel",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "shipment",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="parcel", to="fulfilment.shipment"
                    ),
                ),
                ("carrier", models.CharField(max_length=60)),
                ("tracking", models.CharField(blank=True, max_length=60)),
                ("handed_at", models.DateTimeField()),
                ("handed_by", models.CharField(max_length=40)),
            ],
        ),
        migrations.CreateModel(
            name="StandingLine",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "standing_order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lines", to="fulfilment.standingorder"
                    ),
                ),
                (
                    "product",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.product"
                    ),
                ),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("at_least", models.PositiveIntegerField(default=0)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="standing_line_amount_positive"),
                    models.UniqueConstraint(fields=("standing_order", "product"), name="standing_line_product_once"),
                    models.CheckConstraint(
                        condition=models.Q(("at_least__lte", models.F("amount"))),
                        name="standing_line_minimum_within_amount",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Stop",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "round",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stops", to="fulfilment.round"
                    ),
                ),
                (
                    "shipment",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stop", to="fulfilment.shipment"
                    ),
                ),
                ("position", models.PositiveSmallIntegerField()),
                ("collects_grounds", models.BooleanField(default=False)),
            ],
        ),
        migrations.CreateModel(
            name="Line",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "order",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lines", to="fulfilment.order"
                    ),
                ),
                (
                    "shipment",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lines", to="fulfilment.shipment"
                    ),
                ),
                ("number", models.PositiveSmallIntegerField()),
                (
                    "product",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lines", to="fulfilment.product"
                    ),
                ),
                (
                    "price_minor",
                    models.PositiveIntegerField(help_text="Per kilo or per kit, as agreed when the line was placed."),
                ),
                ("ordered", models.IntegerField()),
                ("at_least", models.PositiveIntegerField(default=0, help_text="All or nothing below this amount.")),
                ("promised", models.IntegerField(default=0)),
                (
                    "chance_pct",
                    models.PositiveSmallIntegerField(blank=True, help_text="As the last replan sees it.", null=True),
                ),
                ("allocated", models.IntegerField(default=0)),
                ("picked", models.IntegerField(default=0)),
                ("refused", models.IntegerField(default=0)),
                (
                    "account",
                    models.JSONField(
                        blank=True, default=dict, help_text="Why it gets what it gets: the last plan's numbers."
                    ),
                ),
                ("cancelled_at", models.DateTimeField(blank=True, null=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("order", "number"), name="line_number_once"),
                    models.CheckConstraint(condition=models.Q(("ordered__gte", 0)), name="line_ordered_not_negative"),
                    models.CheckConstraint(condition=models.Q(("promised__gte", 0)), name="line_promised_not_negative"),
                    models.CheckConstraint(
                        condition=models.Q(("allocated__gte", 0)), name="line_allocated_not_negative"
                    ),
                    models.CheckConstraint(condition=models.Q(("picked__gte", 0)), name="line_picked_not_negative"),
                    models.CheckConstraint(condition=models.Q(("refused__gte", 0)), name="line_refused_not_negative"),
                    models.CheckConstraint(
                        condition=models.Q(("cancelled_at__isnull", False), ("ordered__gt", 0), _connector="OR"),
                        name="line_orders_something",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("promised__lte", models.F("ordered"))), name="line_promised_within_ordered"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("refused__lte", models.F("picked"))), name="line_refused_within_picked"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Lot",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                ("kind", models.CharField(choices=[("fresh", "Fresh"), ("kits", "Kits")], max_length=5)),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lots", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "harvest",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="lot",
                        to="fulfilment.harvest",
                    ),
                ),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="lots", to="fulfilment.batch"
                    ),
                ),
                ("ready_on", models.DateField(help_text="Fresh: the day of harvest. Kits: the day of sealing.")),
                ("best_before", models.DateField(help_text="Fresh: best before. Kits: start by.")),
                (
                    "hard_stop",
                    models.BooleanField(
                        default=False, help_text='"Use by": nothing is picked past the date, whoever asks.'
                    ),
                ),
                ("quantity", models.IntegerField(default=0, editable=False)),
                ("made_at", models.DateTimeField()),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("quantity__gt", 0)),
                        fields=["strain", "grade", "best_before"],
                        name="lot_in_store",
                    )
                ],
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("quantity__gte", 0)), name="lot_quantity_not_negative"),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("harvest__isnull", False), ("kind", "fresh"), models.Q(("grade", "kit"), _negated=True)
                            ),
                            models.Q(("grade", "kit"), ("harvest__isnull", True), ("kind", "kits")),
                            _connector="OR",
                        ),
                        name="lot_fresh_has_harvest",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("best_before__gte", models.F("ready_on"))),
                        name="lot_best_before_after_ready",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Allocation",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="allocations", to="fulfilment.line"
                    ),
                ),
                (
                    "strain",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.strain"
                    ),
                ),
                ("grade", models.CharField(max_length=20)),
                (
                    "lot",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="allocations",
                        to="fulfilment.lot",
                    ),
                ),
                ("coming_on", models.DateField(blank=True, null=True)),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                (
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="allocations", to="fulfilment.plan"
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="allocation_amount_positive"),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("coming_on__isnull", True), ("lot__isnull", False)),
                            models.Q(("coming_on__isnull", False), ("lot__isnull", True)),
                            _connector="OR",
                        ),
                        name="allocation_belongs_to_one",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("lot__isnull", False)),
                        fields=("line", "lot"),
                        name="allocation_lot_once_a_line",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("coming_on__isnull", False)),
                        fields=("line", "strain", "grade", "coming_on"),
                        name="allocation_coming_once_a_line",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Kit",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "joining_code",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "batch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="kits", to="fulfilment.batch"
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="kits", to="fulfilment.lot"
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        default="sealed", help_text="See core.care: follows from the kit's events.", max_length=12
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="kits",
                        to="fulfilment.line",
                    ),
                ),
                (
                    "holder",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="kits",
                        to="fulfilment.holder",
                    ),
                ),
                (
                    "warmth",
                    models.CharField(
                        choices=[("cool", "Cool"), ("normal", "Normal"), ("warm", "Warm")],
                        default="normal",
                        max_length=6,
                    ),
                ),
                ("room_celsius_tenths", models.SmallIntegerField(blank=True, null=True)),
                ("finished_on", models.DateField(blank=True, null=True)),
                ("version", models.PositiveIntegerField(default=1)),
            ],
            options={
                "indexes": [models.Index(fields=["lot", "state"], name="fulfilment__lot_id_fdab37_idx")],
            },
        ),
        migrations.CreateModel(
            name="PickRow",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "pick_list",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="rows", to="fulfilment.picklist"
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="pick_rows", to="fulfilment.line"
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="fulfilment.lot",
                    ),
                ),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("position", models.PositiveSmallIntegerField()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="pick_row_amount_positive"),
                    models.UniqueConstraint(
                        condition=models.Q(("lot__isnull", False)),
                        fields=("pick_list", "line", "lot"),
                        name="pick_row_once_a_lot",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("lot__isnull", True)),
                        fields=("pick_list", "line"),
                        name="pick_row_to_come_once",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Promise",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="promises", to="fulfilment.line"
                    ),
                ),
                ("number", models.PositiveSmallIntegerField()),
                (
                    "status",
                    models.CharField(
                        choices=[("full", "Full"), ("partial", "Partial"), ("declined", "Declined")], max_length=8
                    ),
                ),
                ("wanted", models.IntegerField()),
                ("amount", models.IntegerField()),
                ("asked_pct", models.PositiveSmallIntegerField()),
                ("chance_pct", models.PositiveSmallIntegerField()),
                (
                    "below_asked",
                    models.BooleanField(default=False, help_text="Staff promised below the asked chance on purpose."),
                ),
                ("largest", models.IntegerField(default=0)),
                ("first_full_on", models.DateField(blank=True, null=True)),
                ("why", models.JSONField(default=dict)),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("line", "number"), name="promise_chain_has_no_fork"),
                    models.CheckConstraint(condition=models.Q(("amount__gte", 0)), name="promise_amount_not_negative"),
                    models.CheckConstraint(
                        condition=models.Q(("amount__lte", models.F("wanted"))), name="promise_within_wanted"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("amount", models.F("wanted")), ("status", "full")),
                            models.Q(("amount__gt", 0), ("amount__lt", models.F("wanted")), ("status", "partial")),
                            models.Q(("amount", 0), ("status", "declined")),
                            _connector="OR",
                        ),
                        name="promise_status_fits_amount",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Refusal",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="refusals", to="fulfilment.line"
                    ),
                ),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("reason", models.CharField(max_length=200)),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="refusal_amount_positive"),
                    models.CheckConstraint(
                        condition=models.Q(("reason", ""), _negated=True), name="refusal_has_reason"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="StockEntry",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "lot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="entries", to="fulfilment.lot"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("harvested", "Harvested"),
                            ("sealed", "Sealed"),
                            ("picked", "Picked"),
                            ("pick_undone", "Pick Undone"),
                            ("dried_out", "Dried Out"),
                            ("wasted", "Wasted"),
                            ("sample", "Sample"),
                            ("own_use", "Own Use"),
                            ("given_away", "Given Away"),
                            ("sold_at_gate", "Sold At Gate"),
                            ("corrected", "Corrected"),
                        ],
                        max_length=12,
                    ),
                ),
                ("quantity", models.IntegerField()),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
                ("reason", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "verbose_name_plural": "stock entries",
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("quantity", 0), _negated=True), name="stock_entry_moves_something"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind__in", ["harvested", "sealed", "pick_undone"]), ("quantity__gt", 0)),
                            ("kind", "corrected"),
                            models.Q(
                                (
                                    "kind__in",
                                    [
                                        "picked",
                                        "dried_out",
                                        "wasted",
                                        "sample",
                                        "own_use",
                                        "given_away",
                                        "sold_at_gate",
                                    ],
                                ),
                                ("quantity__lt", 0),
                            ),
                            _connector="OR",
                        ),
                        name="stock_entry_sign_fits_kind",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "corrected"), _negated=True),
                            models.Q(("reason", ""), _negated=True),
                            _connector="OR",
                        ),
                        name="stock_entry_correction_has_reason",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="CareMail",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kit",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="care_mails", to="fulfilment.kit"
                    ),
                ),
                ("step", models.CharField(max_length=40)),
                ("cycle", models.PositiveSmallIntegerField(default=1)),
                ("due_at", models.DateTimeField()),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("planned", "Planned"),
                            ("queued", "Queued"),
                            ("cancelled", "Cancelled"),
                            ("late", "Late"),
                        ],
                        default="planned",
                        max_length=10,
                    ),
                ),
                ("safety", models.BooleanField(default=False)),
                (
                    "mail",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="care_mails",
                        to="fulfilment.mail",
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(condition=models.Q(("state", "planned")), fields=["due_at"], name="care_mail_due")
                ],
                "constraints": [
                    models.UniqueConstraint(fields=("kit", "step", "cycle"), name="care_mail_once_a_step_and_cycle"),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("mail__isnull", False), ("state", "queued")),
                            models.Q(("state", "queued"), _negated=True),
                            _connector="OR",
                        ),
                        name="care_mail_queued_has_mail",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Hold",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "intake",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.intake",
                    ),
                ),
                (
                    "spawn_delivery",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.spawndelivery",
                    ),
                ),
                (
                    "input_delivery",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.inputdelivery",
                    ),
                ),
                (
                    "batch",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.batch",
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.lot",
                    ),
                ),
                (
                    "kit",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="holds",
                        to="fulfilment.kit",
                    ),
                ),
                ("reason", models.CharField(max_length=200)),
                ("placed_at", models.DateTimeField()),
                ("placed_by", models.CharField(max_length=40)),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
                ("ended_by", models.CharField(blank=True, max_length=40)),
                (
                    "outcome",
                    models.CharField(
                        blank=True, choices=[("released", "Released"), ("destroyed", "Destroyed")], max_length=10
                    ),
                ),
            ],
            options={
                "indexes": [
                    models.Index(
                        condition=models.Q(("ended_at__isnull", True)), fields=["placed_at"], name="hold_in_force"
                    )
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("batch__isnull", True),
                                ("input_delivery__isnull", True),
                                ("intake__isnull", False),
                                ("kit__isnull", True),
                                ("lot__isnull", True),
                                ("spawn_delivery__isnull", True),
                            ),
                            models.Q(
                                ("batch__isnull", True),
                                ("input_delivery__isnull", True),
                                ("intake__isnull", True),
                                ("kit__isnull", True),
                                ("lot__isnull", True),
                                ("spawn_delivery__isnull", False),
                            ),
                            models.Q(
                                ("batch__isnull", True),
                                ("input_delivery__isnull", False),
                                ("intake__isnull", True),
                                ("kit__isnull", True),
                                ("lot__isnull", True),
                                ("spawn_delivery__isnull", True),
                            ),
                            models.Q(
                                ("batch__isnull", False),
                                ("input_delivery__isnull", True),
                                ("intake__isnull", True),
                                ("kit__isnull", True),
                                ("lot__isnull", True),
                                ("spawn_delivery__isnull", True),
                            ),
                            models.Q(
                                ("batch__isnull", True),
                                ("input_delivery__isnull", True),
                                ("intake__isnull", True),
                                ("kit__isnull", True),
                                ("lot__isnull", False),
                                ("spawn_delivery__isnull", True),
                            ),
                            models.Q(
                                ("batch__isnull", True),
                                ("input_delivery__isnull", True),
                                ("intake__isnull", True),
                                ("kit__isnull", False),
                                ("lot__isnull", True),
                                ("spawn_delivery__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="hold_belongs_to_one",
                    ),
                    models.CheckConstraint(condition=models.Q(("reason", ""), _negated=True), name="hold_has_reason"),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("ended_at__isnull", True), ("ended_by", ""), ("outcome", "")),
                            models.Q(
                                ("ended_at__isnull", False),
                                models.Q(("outcome", ""), _negated=True),
                                models.Q(("ended_by", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="hold_is_ended_by_somebody",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="KitEvent",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kit",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="events", to="fulfilment.kit"
                    ),
                ),
                ("kind", models.CharField(help_text="See core.care.KitEvent.", max_length=20)),
                ("on", models.DateField()),
                ("cycle", models.PositiveSmallIntegerField(default=1)),
                ("trouble", models.CharField(blank=True, max_length=20)),
                ("note", models.CharField(blank=True, max_length=300)),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(
                            ("kind__in", ["sealed", "sent", "pins", "rewatered", "finished", "replaced"])
                        ),
                        fields=("kit", "kind", "cycle"),
                        name="kit_event_once_a_cycle",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Pick",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "public_id",
                    fulfilment.models.base.PublicId(
                        default=fulfilment.core.codes.new, editable=False, max_length=9, unique=True
                    ),
                ),
                (
                    "line",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="picks", to="fulfilment.line"
                    ),
                ),
                (
                    "lot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="picks", to="fulfilment.lot"
                    ),
                ),
                ("amount", models.IntegerField()),
                (
                    "entry",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="pick", to="fulfilment.stockentry"
                    ),
                ),
                (
                    "reverses",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reversed_by",
                        to="fulfilment.pick",
                    ),
                ),
                ("reason", models.CharField(blank=True, max_length=200)),
                ("at", models.DateTimeField()),
                ("by", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("amount__gt", 0), ("reverses__isnull", True)),
                            models.Q(("amount__lt", 0), ("reverses__isnull", False)),
                            _connector="OR",
                        ),
                        name="pick_takes_or_reverses",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="PromisePart",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "promise",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="parts", to="fulfilment.promise"
                    ),
                ),
                (
                    "book",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="parts", to="fulfilment.book"
                    ),
                ),
                (
                    "amount",
                    fulfilment.models.base.PositiveAmount(
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100000000),
                        ]
                    ),
                ),
                ("first_on", models.DateField(help_text="First harvest day accepted.")),
                ("last_on", models.DateField(help_text="Last harvest day accepted.")),
                (
                    "rank",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="fulfilment.rank"
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("amount__gt", 0)), name="promise_part_amount_positive"),
                    models.CheckConstraint(
                        condition=models.Q(("last_on__gte", models.F("first_on"))), name="promise_part_window"
                    ),
                ],
            },
        ),
        migrations.AddField(
            model_name="line",
            name="promise",
            field=models.OneToOneField(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="current_of",
                to="fulfilment.promise",
            ),
        ),
    ]
