"""``/scores``: how the forecasts met what was picked, day by day and summed up, beside two naive rivals."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, inline_serializer
from rest_framework import serializers

from fulfilment.api import pages
from fulfilment.api.fields import Day, Flag, Id, Shape, Text
from fulfilment.api.keys import actor_of
from fulfilment.api.views import Endpoint
from fulfilment.core.forecast import COMING_WEEK, LEADS, WHOLE, Cause
from fulfilment.core.problems import Invalid
from fulfilment.models import Score, Strain
from fulfilment.read.farm import today
from fulfilment.read.scope import visible
from fulfilment.read.scores import SPAN, Rival, Summary, summaries
from fulfilment.services import rows

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from rest_framework.request import Request
    from rest_framework.response import Response

READERS: Final = frozenset({"office", "grower"})
LONGEST: Final = timedelta(weeks=26)
ALL_LEADS: Final = (COMING_WEEK, *LEADS)
LEAD: Final = "Days ahead; 0 is the sum of the seven days that begin with the day the forecast was made."


class RivalScore(Shape):
    """A naive forecast's mean miss, and how far below it ours lay on the same days."""

    miss_g = serializers.FloatField()
    below_pct = serializers.IntegerField(allow_null=True, help_text="Null where the rival missed nothing.")


class FlagScore(Shape):
    """Why a forecast should be taken with care: the likely cause, and so many days or percent of it."""

    cause = serializers.ChoiceField(choices=[str(cause) for cause in Cause])
    size = serializers.IntegerField(help_text="Days for times early or late, percent for yields high or low, else 0.")
    says = Text()


class ScoreSummary(Shape):
    """One strain at one lead over the days asked for; means over those days.

    ``calibrated_pct`` is the share of telling days (something was forecast or picked) whose randomised place lies
    between 0.1 and 0.9: about 80 for an honest forecast.  ``band_pct`` is plain coverage of P10 to P90 over all days,
    which days with nothing to pick flatter.
    """

    strain = Id()
    grade = Text(allow_null=True, help_text="Null: the strain's grades together.")
    lead_days = serializers.IntegerField(help_text=LEAD)
    days = serializers.IntegerField()
    crps_g = serializers.FloatField()
    pinball_10_g = serializers.FloatField()
    pinball_50_g = serializers.FloatField()
    pinball_90_g = serializers.FloatField()
    by_profile = RivalScore(allow_null=True, help_text="Every crop by its profile's averages, nothing learned.")
    by_weekday = RivalScore(allow_null=True, help_text="The mean of the four weeks before on that weekday.")
    forecast_g = serializers.FloatField(help_text="The sum of the forecasts' means.")
    picked_g = serializers.IntegerField()
    bias_pct = serializers.IntegerField(allow_null=True, help_text="Above 0 where too much was forecast.")
    telling_days = serializers.IntegerField()
    calibrated_pct = serializers.IntegerField(allow_null=True)
    band_pct = serializers.IntegerField()
    deciles = serializers.ListField(
        child=serializers.IntegerField(), help_text="Telling days by tenth of their place: even when honest."
    )
    flag = FlagScore(allow_null=True, help_text="Null: nothing is astray, or there are too few days to say so.")


class ScoreShape(Shape):
    """One day, or the week that ends on it.  What is null was not kept yet when the day was scored."""

    on = Day()
    strain = Id()
    grade = Text(allow_null=True)
    lead_days = serializers.IntegerField(help_text=LEAD)
    picked_g = serializers.IntegerField()
    p10_g = serializers.IntegerField()
    p50_g = serializers.IntegerField()
    p90_g = serializers.IntegerField()
    mean_g = serializers.FloatField(allow_null=True)
    pinball_10_g = serializers.FloatField()
    pinball_50_g = serializers.FloatField()
    pinball_90_g = serializers.FloatField()
    crps_g = serializers.FloatField()
    inside = Flag(help_text="Between P10 and P90.")
    place = serializers.FloatField(allow_null=True, help_text="Randomised probability integral transform, 0 to 1.")
    by_profile_g = serializers.FloatField(allow_null=True)
    by_weekday_g = serializers.FloatField(allow_null=True)


SCORES = inline_serializer(
    "Scores",
    {
        "from_on": Day(),
        "to_on": Day(),
        "summary": ScoreSummary(many=True),
        "items": ScoreShape(many=True),
        "next": serializers.URLField(allow_null=True),
    },
)


class Scores(Endpoint):
    scopes = {"GET": READERS}

    @extend_schema(
        operation_id="scores_list",
        parameters=[
            *pages.PARAMETERS,
            OpenApiParameter("strain", str, description="Only this strain, by its id."),
            OpenApiParameter("grade", str, description="One grade; without it a strain's grades together."),
            OpenApiParameter("lead_days", int, enum=ALL_LEADS, description=LEAD),
            OpenApiParameter("from", OpenApiTypes.DATE, description="First day scored; eight weeks back unless said."),
            OpenApiParameter("to", OpenApiTypes.DATE, description="Last day scored; today unless said."),
        ],
        responses=SCORES,
    )
    def get(self, request: Request) -> Response:
        """How forecasts made 1, 3, 7 and 14 days ahead, and of a week's sum, met the harvest: each day, newest first,
        and summed up by strain and lead over the days asked for.
        """
        pages.known(request, "strain", "grade", "lead_days", "from", "to")
        first, last = _span(request, today=today(datetime.now(UTC)))
        found = _asked(request, first, last)
        answer = pages.page(request, found, show=lambda scores: [_row(score) for score in scores])
        answer.data |= {"from_on": first, "to_on": last, "summary": _summaries(found)}
        return answer


def _span(request: Request, *, today: date) -> tuple[date, date]:
    last = pages.day(request, "to") or today
    first = pages.day(request, "from") or last - SPAN
    if first > last:
        raise Invalid("The first day lies after the last.", code="not_a_span", where="from")
    if last - first > LONGEST:
        raise Invalid(
            f"At most {LONGEST.days // 7} weeks at a time: ask for the others after them.",
            code="span_too_long",
            where="from",
        )
    return first, last


def _asked(request: Request, first: date, last: date) -> QuerySet[Score]:
    given = request.query_params
    found = Score.objects.filter(on__gte=first, on__lte=last, grade=given.get("grade", WHOLE)).select_related("strain")
    if "strain" in given:
        strain = rows.find_in(visible(Strain, actor_of(request)), given["strain"], where="strain")
        found = found.filter(strain=strain)
    if "lead_days" in given:
        if given["lead_days"] not in {str(lead) for lead in ALL_LEADS}:
            raise Invalid(
                f"Forecasts are scored {', '.join(map(str, LEADS))} days ahead, and 0 for the coming week's sum.",
                code="no_such_lead",
                where="lead_days",
            )
        found = found.filter(lead_days=int(given["lead_days"]))
    return found


def _summaries(found: QuerySet[Score]) -> list[dict[str, Any]]:
    by_strain: dict[tuple[str, str], list[Score]] = defaultdict(list)
    for row in found.order_by("strain_id", "on"):
        by_strain[row.strain.public_id, row.grade].append(row)
    return [
        _summary(strain, grade, summary) for (strain, grade), own in by_strain.items() for summary in summaries(own)
    ]


def _summary(strain: str, grade: str, told: Summary) -> dict[str, Any]:
    return {
        "strain": strain,
        "grade": grade or None,
        "lead_days": told.lead,
        "days": told.days,
        "crps_g": round(told.crps, 1),
        **{f"pinball_{level}_g": round(loss, 1) for level, loss in told.pinball.items()},
        "by_profile": _rival(told.by_profile),
        "by_weekday": _rival(told.by_weekday),
        "forecast_g": round(told.forecast, 1),
        "picked_g": told.picked,
        "bias_pct": told.bias_pct,
        "telling_days": told.telling,
        "calibrated_pct": told.coverage_pct,
        "band_pct": told.band_pct,
        "deciles": list(told.deciles),
        "flag": None
        if told.flag is None
        else {"cause": str(told.flag.cause), "size": told.flag.size, "says": told.flag.sentence},
    }


def _rival(told: Rival | None) -> dict[str, Any] | None:
    return None if told is None else {"miss_g": round(told.miss, 1), "below_pct": told.below_pct}


def _row(score: Score) -> dict[str, Any]:
    return {
        "on": score.on,
        "strain": score.strain.public_id,
        "grade": score.grade or None,
        "lead_days": score.lead_days,
        "picked_g": score.observed,
        "p10_g": score.p10,
        "p50_g": score.p50,
        "p90_g": score.p90,
        "mean_g": score.mean,
        **{f"pinball_{level}_g": round(loss, 1) for level, loss in score.pinball.items()},
        "crps_g": round(score.crps, 1),
        "inside": score.inside,
        "place": score.place,
        "by_profile_g": score.by_profile,
        "by_weekday_g": score.by_weekday,
    }
