"""What customers want and what they were told: standing orders, orders, lines, shipments, promises, books."""

from __future__ import annotations

from django.db import models

from fulfilment.core.units import accepted
from fulfilment.models.base import PositiveAmount, PublicId, exactly_one, never_negative, positive
from fulfilment.models.customers import Address, Buyer, Kitchen
from fulfilment.models.farm import Product, Strain
from fulfilment.models.messages import Mail


class StandingOrder(models.Model):
    """A recurrence (RFC 5545 rule, weekly as a rule) of lines for a kitchen.

    ``on_closed`` says what becomes of a date on which the farm does not deliver.
    """

    class OnClosed(models.TextChoices):
        LEFT_OUT = "left_out"
        EARLIER = "earlier"
        LATER = "later"

    public_id = PublicId()
    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, related_name="standing_orders")
    address = models.ForeignKey(Address, on_delete=models.PROTECT, related_name="+")
    way = models.CharField(max_length=10, default="round")
    on_closed = models.CharField(
        max_length=8, choices=OnClosed, default=OnClosed.LEFT_OUT, db_default=OnClosed.LEFT_OUT.value
    )
    rule = models.CharField(max_length=200)
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True)
    placed_at = models.DateTimeField()
    placed_by = models.CharField(max_length=40)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_on__isnull=True) | models.Q(ends_on__gte=models.F("starts_on")),
                name="standing_order_ends_after_start",
            )
        ]

    def __str__(self) -> str:
        return self.public_id


class StandingLine(models.Model):
    """One product of a standing order, on its dates from ``first_on`` (None: the start) to ``last_on`` (None: the end).

    The spans of one product never overlap.
    """

    standing_order = models.ForeignKey(StandingOrder, on_delete=models.PROTECT, related_name="lines")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="+")
    amount = PositiveAmount()
    at_least = models.PositiveIntegerField(default=0)
    first_on = models.DateField(null=True, blank=True)
    last_on = models.DateField(null=True, blank=True)

    class Meta:
        constraints = [
            *positive("amount", table="standing_line"),
            models.UniqueConstraint(
                fields=["standing_order", "product"],
                condition=models.Q(last_on__isnull=True),
                name="standing_line_product_once",
            ),
            models.CheckConstraint(
                condition=models.Q(at_least__lte=models.F("amount")), name="standing_line_minimum_within_amount"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product} {self.amount}"


class Change(models.Model):
    """A skip or other amounts of a standing order on one date, or a pause from–to; append-only.

    The latest for a date holds, among those that no ``undo`` took back.
    """

    class Kind(models.TextChoices):
        SKIP = "skip"
        AMOUNTS = "amounts"
        PAUSE = "pause"
        AS_USUAL = "as_usual"
        UNDO = "undo"

    public_id = PublicId()
    standing_order = models.ForeignKey(StandingOrder, on_delete=models.PROTECT, related_name="changes")
    kind = models.CharField(max_length=8, choices=Kind)
    first_on = models.DateField()
    last_on = models.DateField()
    amounts = models.JSONField(default=dict, blank=True, help_text="Product id → grams, where the kind is amounts.")
    undoes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="undone_by",
        help_text="The change that this one takes back.",
    )  # fmt: skip
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last_on__gte=models.F("first_on")), name="change_span_runs_forward"
            ),
            models.CheckConstraint(
                condition=models.Q(kind="undo", undoes__isnull=False)
                | (~models.Q(kind="undo") & models.Q(undoes__isnull=True)),
                name="change_undoes_one",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.first_on}"


class Way(models.TextChoices):
    ROUND = "round"
    CARRIER = "carrier"
    COLLECTED = "collected"


class Shipment(models.Model):
    """One customer's address, one date, one way; made at placing, joined by later orders of the same.

    ``state`` moves only along ``fulfilment.models.states.SHIPMENT``.  "Frozen" is no state: it is ``now ≥ cut_off_at``.
    ``frozen_at`` only marks that the work due at cut-off was done.
    """

    class State(models.TextChoices):
        PLACED = "placed"
        PACKED = "packed"
        SENT = "sent"
        DELIVERED = "delivered"
        CANCELLED = "cancelled"

    public_id = PublicId()
    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="shipments")
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="shipments")
    address = models.ForeignKey(Address, on_delete=models.PROTECT, related_name="shipments")
    on = models.DateField()
    way = models.CharField(max_length=10, choices=Way)
    state = models.CharField(max_length=10, choices=State, default=State.PLACED)
    cut_off_at = models.DateTimeField()
    frozen_at = models.DateTimeField(null=True, blank=True)
    packed_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    delivered_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            exactly_one("kitchen", "buyer", table="shipment"),
            models.UniqueConstraint(
                fields=["address", "on", "way"], condition=models.Q(state="placed"), name="shipment_placed_once"
            ),
        ]
        indexes = [
            models.Index(fields=["on", "state"]),
            models.Index(
                fields=["cut_off_at"],
                name="shipment_to_freeze",
                condition=models.Q(frozen_at__isnull=True, state="placed"),
            ),
        ]

    def __str__(self) -> str:
        return self.public_id


class Purchase(models.Model):
    """What a buyer bought at once in a shop: one payment, one order for each receiver.

    No money moves here.  ``payment`` is what the shop told last, along ``fulfilment.models.states.PAYMENT``.
    """

    class Payment(models.TextChoices):
        UNPAID = "unpaid"
        AUTHORISED = "authorised"
        PAID = "paid"
        PART_REFUNDED = "part_refunded"
        REFUNDED = "refunded"

    public_id = PublicId()
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, related_name="purchases")
    reference = models.CharField(max_length=60, blank=True, help_text="The shop's own number.")
    payment = models.CharField(max_length=13, choices=Payment, default=Payment.UNPAID)
    payment_told_at = models.DateTimeField(null=True, blank=True)
    refund_minor = models.PositiveIntegerField(default=0, help_text="What the shop says it gave back.")
    refund_note = models.CharField(max_length=300, blank=True)
    placed_at = models.DateTimeField()
    placed_by = models.CharField(max_length=40)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    def __str__(self) -> str:
        return self.public_id


class Order(models.Model):
    """What one customer wants on one date.  Its state is that of its least advanced live shipment.

    ``standing_on`` is the date of the standing order that it was made for: its own, or a closed one it was moved from.
    """

    public_id = PublicId()
    kitchen = models.ForeignKey(Kitchen, on_delete=models.PROTECT, null=True, blank=True, related_name="orders")
    buyer = models.ForeignKey(Buyer, on_delete=models.PROTECT, null=True, blank=True, related_name="orders")
    standing_order = models.ForeignKey(
        StandingOrder, on_delete=models.PROTECT, null=True, blank=True, related_name="orders"
    )
    standing_on = models.DateField(null=True, blank=True)
    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, null=True, blank=True, related_name="orders")
    on = models.DateField(db_index=True)
    reference = models.CharField(max_length=60, blank=True, help_text="The customer's own number.")
    note = models.CharField(max_length=300, blank=True, db_default="", help_text="What the packer should know.")
    gift = models.BooleanField(default=False)
    greeting = models.CharField(max_length=300, blank=True)
    start_on = models.DateField(null=True, blank=True, help_text="A gift's own day: the kit is to be started then.")
    placed_at = models.DateTimeField()
    placed_by = models.CharField(max_length=40)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            exactly_one("kitchen", "buyer", table="order"),
            models.UniqueConstraint(
                fields=["standing_order", "standing_on"],
                condition=models.Q(standing_order__isnull=False, cancelled_at__isnull=True),
                name="order_rolled_once_a_date",
            ),
            models.CheckConstraint(
                condition=models.Q(standing_order__isnull=False) | models.Q(standing_on__isnull=True),
                name="order_rolled_for_a_date",
            ),
        ]
        indexes = [models.Index(fields=["kitchen", "-id"]), models.Index(fields=["buyer", "-id"])]

    def __str__(self) -> str:
        return self.public_id


class Book(models.Model):
    """What has been promised of a (strain, grade) against its forecast.  The row is what placing orders lock."""

    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="books")
    grade = models.CharField(max_length=20)
    forecast = models.ForeignKey(
        "fulfilment.Forecast", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        constraints = [models.UniqueConstraint(fields=["strain", "grade"], name="book_once")]

    def __str__(self) -> str:
        return f"{self.strain} {self.grade}"


class Rank(models.Model):
    """The farm-wide order of promises: a number drawn once all book locks are held.

    Its rows are from before the numbers were drawn without one; PostgreSQL goes on counting where they ended.
    """

    def __str__(self) -> str:
        return str(self.pk)


class Line(models.Model):
    """One product of an order, with its five amounts.

    Each is a sum kept beside what it sums, written only by the service that writes the rows it sums: ``ordered``;
    ``promised`` (the latest promise); ``allocated`` (tonight's plan); ``picked`` (sum of picks); ``refused`` (at the
    door).  Accepted is picked less refused, and is what is billed.
    """

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="lines")
    shipment = models.ForeignKey(Shipment, on_delete=models.PROTECT, related_name="lines")
    number = models.PositiveSmallIntegerField()
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="lines")
    price_minor = models.PositiveIntegerField(help_text="Per kilo or per kit, as agreed when the line was placed.")
    ordered = models.IntegerField()
    at_least = models.PositiveIntegerField(default=0, help_text="All or nothing below this amount.")
    promise = models.OneToOneField(
        "fulfilment.Promise", on_delete=models.PROTECT, null=True, blank=True, related_name="current_of"
    )
    promised = models.IntegerField(default=0)
    chance_pct = models.PositiveSmallIntegerField(null=True, blank=True, help_text="As the last replan sees it.")
    allocated = models.IntegerField(default=0)
    picked = models.IntegerField(default=0)
    refused = models.IntegerField(default=0)
    account = models.JSONField(default=dict, blank=True, help_text="Why it gets what it gets: the last plan's numbers.")
    cancelled_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["order", "number"], name="line_number_once"),
            *never_negative("ordered", "promised", "allocated", "picked", "refused", table="line"),
            models.CheckConstraint(
                condition=models.Q(cancelled_at__isnull=False) | models.Q(ordered__gt=0), name="line_orders_something"
            ),
            models.CheckConstraint(
                condition=models.Q(promised__lte=models.F("ordered")), name="line_promised_within_ordered"
            ),
            models.CheckConstraint(
                condition=models.Q(refused__lte=models.F("picked")), name="line_refused_within_picked"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order}/{self.number}"

    @property
    def accepted(self) -> int:
        return accepted(picked=self.picked, refused=self.refused)


class Promise(models.Model):
    """What we said a line will get; append-only: never edited, only followed by another (``number`` counts up)."""

    class Status(models.TextChoices):
        FULL = "full"
        PARTIAL = "partial"
        DECLINED = "declined"

    public_id = PublicId()
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="promises")
    number = models.PositiveSmallIntegerField()
    status = models.CharField(max_length=8, choices=Status)
    wanted = models.IntegerField()
    amount = models.IntegerField()
    asked_pct = models.PositiveSmallIntegerField()
    chance_pct = models.PositiveSmallIntegerField()
    below_asked = models.BooleanField(default=False, help_text="Staff promised below the asked chance on purpose.")
    largest = models.IntegerField(default=0)
    first_full_on = models.DateField(null=True, blank=True)
    why = models.JSONField(default=dict)
    at = models.DateTimeField()
    by = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["line", "number"], name="promise_chain_has_no_fork"),
            *never_negative("amount", table="promise"),
            models.CheckConstraint(condition=models.Q(amount__lte=models.F("wanted")), name="promise_within_wanted"),
            models.CheckConstraint(
                condition=models.Q(status="full", amount=models.F("wanted"))
                | models.Q(status="partial", amount__gt=0, amount__lt=models.F("wanted"))
                | models.Q(status="declined", amount=0),
                name="promise_status_fits_amount",
            ),
        ]

    def __str__(self) -> str:
        return self.public_id


class PromisePart(models.Model):
    """One part of a promise in one book: the accepted run of harvest days, the amount, its rank; append-only.

    A part lives while its promise is its line's latest; what is still to come of it is ``amount`` less what was picked.
    """

    promise = models.ForeignKey(Promise, on_delete=models.PROTECT, related_name="parts")
    book = models.ForeignKey(Book, on_delete=models.PROTECT, related_name="parts")
    amount = PositiveAmount()
    first_on = models.DateField(help_text="First harvest day accepted.")
    last_on = models.DateField(help_text="Last harvest day accepted.")
    rank = models.BigIntegerField(
        db_column="rank_id", db_index=True, help_text="Its place in the farm-wide order of promises."
    )

    class Meta:
        constraints = [
            *positive("amount", table="promise_part"),
            models.CheckConstraint(condition=models.Q(last_on__gte=models.F("first_on")), name="promise_part_window"),
        ]

    def __str__(self) -> str:
        return f"{self.promise} {self.amount}"


class Allocation(models.Model):
    """Which lot, or which coming harvest day of a (strain, grade), serves which line; tonight's plan."""

    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="allocations")
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="+")
    grade = models.CharField(max_length=20)
    lot = models.ForeignKey(
        "fulfilment.Lot", on_delete=models.PROTECT, null=True, blank=True, related_name="allocations"
    )
    coming_on = models.DateField(null=True, blank=True)
    amount = PositiveAmount()
    plan = models.ForeignKey("fulfilment.Plan", on_delete=models.PROTECT, related_name="allocations")

    class Meta:
        constraints = [
            *positive("amount", table="allocation"),
            exactly_one("lot", "coming_on", table="allocation"),
            models.UniqueConstraint(
                fields=["line", "lot"], condition=models.Q(lot__isnull=False), name="allocation_lot_once_a_line"
            ),
            models.UniqueConstraint(
                fields=["line", "strain", "grade", "coming_on"],
                condition=models.Q(coming_on__isnull=False),
                name="allocation_coming_once_a_line",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.line} {self.amount}"


class Answerable(models.Model):
    """What every answer of a kitchen leaves, whatever it was told of a line; ``answer`` itself is each table's own."""

    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.CharField(max_length=40, blank=True, db_default="")
    order = models.ForeignKey(
        Order, on_delete=models.PROTECT, null=True, blank=True, related_name="+",
        help_text="What was placed instead, of a substitute or for the next date.",
    )  # fmt: skip

    class Meta:
        abstract = True


def answered_whole(table: str) -> models.CheckConstraint:
    """An answer has its time, and what was placed by it, or there is none of either."""
    return models.CheckConstraint(
        condition=models.Q(answer="", answered_at__isnull=True, answered_by="", order__isnull=True)
        | models.Q(answer__gt="", answered_at__isnull=False),
        name=f"{table}_answered_whole",
    )


class ShortageOffer(Answerable):
    """A kitchen was told that less of a line comes than its latest promise says, and what it may answer.

    It is open as long as nothing is answered, that promise is still the line's latest and not kept after all, nothing
    of the line is picked, and ``closes_at`` (where there is one) has not come; ``read.shortages`` says which are.
    """

    class Answer(models.TextChoices):
        TAKE_LESS = "take_less"
        SUBSTITUTE = "substitute"
        NEXT_DATE = "next_date"
        DROP = "drop"

    public_id = PublicId()
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="shortage_offers")
    promise = models.ForeignKey(Promise, on_delete=models.PROTECT, related_name="+")
    comes = models.IntegerField(help_text="What was to come of the line when the kitchen was told.")
    reason = models.CharField(max_length=20, help_text="Why, in a word that read.shortages makes a sentence of.")
    told_at = models.DateTimeField()
    closes_at = models.DateTimeField(null=True, blank=True, help_text="Empty: open until the line is packed.")
    filled_at = models.DateTimeField(null=True, blank=True, help_text="A later plan keeps the promise after all.")
    answer = models.CharField(max_length=10, choices=Answer, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["line", "promise"], name="shortage_offer_once_a_promise"),
            *never_negative("comes", table="shortage_offer"),
            answered_whole("shortage_offer"),
        ]
        indexes = [models.Index(fields=["line"], name="shortage_offer_open", condition=models.Q(answer=""))]

    def __str__(self) -> str:
        return self.public_id


class Doubt(Answerable):
    """A promise of a kitchen's line has become less sure than it was made, and the kitchen is told so, once.

    It is open (:meth:`is_open`) until the line is as sure again as it was promised (``sure_at``), or the kitchen's
    answer has made another order of it; "keep" leaves it as it is.  A line has one open doubt at a time.
    ``promise`` is the one that ``chance_pct`` and ``sure`` speak of, all three as the last plan sees them.
    """

    class Answer(models.TextChoices):
        KEEP = "keep", "Keep it as it is"
        TAKE_LESS = "take_less", "Take less"
        SUBSTITUTE = "substitute", "Take something else with it"
        NEXT_DATE = "next_date", "The rest on another day"
        DROP = "drop", "Take none of it"

    public_id = PublicId()
    line = models.ForeignKey(Line, on_delete=models.PROTECT, related_name="doubts")
    promise = models.ForeignKey(Promise, on_delete=models.PROTECT, related_name="+")
    chance_pct = models.PositiveSmallIntegerField(help_text="Of all that was promised, in percent.")
    sure = models.IntegerField(help_text="What of it can be counted on at the chance it was promised at.")
    told_at = models.DateTimeField()
    mail = models.ForeignKey(Mail, on_delete=models.SET_NULL, null=True, blank=True, related_name="doubts")
    sure_at = models.DateTimeField(null=True, blank=True, help_text="As sure again as it was promised.")
    sure_mail = models.ForeignKey(
        Mail, on_delete=models.SET_NULL, null=True, blank=True, related_name="doubts_over", help_text="Which says so."
    )  # fmt: skip
    answer = models.CharField(max_length=10, choices=Answer, blank=True, db_default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["line"],
                condition=models.Q(sure_at__isnull=True, answer__in=["", "keep"]),
                name="doubt_open_once_a_line",
            ),
            *never_negative("sure", table="doubt"),
            answered_whole("doubt"),
        ]

    def __str__(self) -> str:
        return self.public_id

    @staticmethod
    def is_open(of: str = "") -> models.Q:
        """The doubts that are open; ``of`` is the way to them, ``doubts__`` from a line."""
        return models.Q(**{f"{of}sure_at__isnull": True, f"{of}answer__in": ["", "keep"]})
