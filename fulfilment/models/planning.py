"""What is expected and what was planned: forecasts, plans, nights and their steps, scores."""

from __future__ import annotations

from django.db import models

from fulfilment.models.base import PublicId
from fulfilment.models.farm import Strain


class Forecast(models.Model):
    """A published forecast: the state up to ``seen_entry`` (the newest stock entry it knows), and the scenarios by
    book.
    """

    made_at = models.DateTimeField()
    first_on = models.DateField()
    days = models.PositiveSmallIntegerField()
    scenarios = models.PositiveIntegerField()
    seed = models.PositiveIntegerField()
    seen_entry = models.BigIntegerField(default=0)
    digest = models.CharField(max_length=64)
    outlooks = models.JSONField(default=dict, help_text="Key of a crop or batch → expected dates and grams.")
    basis = models.BinaryField(null=True, help_text="What it was made of, for a later one of the same morning.")

    class Meta:
        get_latest_by = "id"

    def __str__(self) -> str:
        return f"{self.first_on} +{self.days}"


class Learned(models.Model):
    """What was known of a strain on the morning of ``on``: that day's forecasts all draw from it.

    It is made of the farm's own logs and can be made again, but logs move on during the day.
    """

    strain = models.OneToOneField(Strain, on_delete=models.CASCADE, related_name="+")
    on = models.DateField()
    packed = models.BinaryField()

    class Meta:
        verbose_name_plural = "learned"

    def __str__(self) -> str:
        return f"{self.strain} {self.on}"


class Supply(models.Model):
    """The coming grams of one (strain, grade): an integer array [scenario, day], packed, with its quantiles by day.

    ``by_profile`` and ``by_weekday`` [day] are what two naive forecasts said the same morning (core.forecast.rivals);
    null where the forecast is older than they are.
    """

    forecast = models.ForeignKey(Forecast, on_delete=models.CASCADE, related_name="supplies")
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="+")
    grade = models.CharField(max_length=20)
    packed = models.BinaryField()
    p10 = models.JSONField()
    p50 = models.JSONField()
    p90 = models.JSONField()
    mean = models.JSONField()
    by_profile = models.JSONField(null=True, blank=True)
    by_weekday = models.JSONField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "supplies"
        constraints = [models.UniqueConstraint(fields=["forecast", "strain", "grade"], name="supply_once")]

    def __str__(self) -> str:
        return f"{self.strain} {self.grade}"


class Plan(models.Model):
    """One run of the allocation, with what it changed against the plan before."""

    public_id = PublicId()
    made_at = models.DateTimeField()
    cause = models.CharField(max_length=40)
    forecast = models.ForeignKey(Forecast, on_delete=models.SET_NULL, null=True, blank=True, related_name="plans")
    figures = models.JSONField(default=dict)
    bags = models.JSONField(
        null=True, help_text="Of each batch with bags left: how many to seal, to open and when, and what one is worth."
    )  # fmt: skip

    def __str__(self) -> str:
        return self.public_id


class Night(models.Model):
    """A farm's night, by the local date it belongs to."""

    on = models.DateField(unique=True)
    begun_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.on.isoformat()


class NightStep(models.Model):
    """A step of a night, stamped when done: a killed night goes on where it stopped."""

    night = models.ForeignKey(Night, on_delete=models.CASCADE, related_name="steps")
    step = models.CharField(max_length=20)
    done_at = models.DateTimeField()
    figures = models.JSONField(default=dict)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["night", "step"], name="night_step_once")]

    def __str__(self) -> str:
        return f"{self.night} {self.step}"


class Score(models.Model):
    """How a forecast of ``lead_days`` ahead met what was harvested on a day, in grams; written once.

    ``grade`` is empty for a strain's grades together, and ``lead_days`` 0 for the sum of the seven days that begin
    with the day the forecast was made, of which ``on`` is the last.  What is null was not kept yet when it was scored.
    """

    on = models.DateField()
    strain = models.ForeignKey(Strain, on_delete=models.PROTECT, related_name="+")
    grade = models.CharField(max_length=20, blank=True, help_text="Empty: the strain's grades together.")
    lead_days = models.PositiveSmallIntegerField(help_text="0: the sum of seven days up to this one.")
    observed = models.IntegerField()
    p10 = models.IntegerField()
    p50 = models.IntegerField()
    p90 = models.IntegerField()
    mean = models.FloatField(null=True, blank=True)
    pinball = models.JSONField(help_text="Level → loss in grams.")
    crps = models.FloatField()
    inside = models.BooleanField()
    place = models.FloatField(null=True, blank=True, help_text="Randomised probability integral transform, 0 to 1.")
    by_profile = models.FloatField(null=True, blank=True, help_text="What the profile's averages alone said.")
    by_weekday = models.FloatField(null=True, blank=True, help_text="Mean of the four weeks before on that weekday.")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["on", "strain", "grade", "lead_days"], name="score_once")]

    def __str__(self) -> str:
        return f"{self.on} {self.strain} {self.grade}".rstrip()
