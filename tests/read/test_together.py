"""Several questions in one statement give what each gives by itself, on both databases."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext

from fulfilment.models import Address, Farm, Forecast, Hold, Keeping, Kitchen, Lot, Product
from fulfilment.read.together import together
from tests import world
from tests.world import MONDAY

pytestmark = pytest.mark.django_db

Asked = dict[str, QuerySet[Any, Any]]


def whole_rows() -> Asked:
    return {"farm": Farm.objects.all(), "kitchens": Kitchen.objects.order_by("pk"), "holds": Hold.objects.all()}


def chosen(*, codes: Any, strains: Any, until: Any, name: Any, kits: bool) -> Asked:
    asked: Asked = {
        "named": Product.objects.filter(public_id__in=codes).order_by("-pk").values_list("pk", "name"),
        "of strains": Product.objects.filter(strain__in=strains).order_by("pk").values_list("pk"),
        "made": Forecast.objects.filter(first_on__lte=until).values_list("pk", "made_at", "first_on", "outlooks"),
        "called": Kitchen.objects.filter(name=name).values_list("active", "window_from"),
        "nothing": Lot.objects.filter(pk__in=[]),
    }
    return asked | {"kits": Keeping.objects.filter(grade="kit")} if kits else asked


def numbers() -> Asked:
    return {"where": Address.objects.values_list("latitude")}


def test_whole_rows_are_the_models_rows() -> None:
    world.build()
    found = together(whole_rows)
    assert found["holds"] == []
    for model, rows in ((Farm, found["farm"]), (Kitchen, found["kitchens"])):
        (row,), (real,) = rows, model._default_manager.all()
        for field in model._meta.concrete_fields:
            assert getattr(row, field.attname) == getattr(real, field.attname), field


def test_chosen_columns_are_what_each_question_gives_by_itself() -> None:
    farm = world.build()
    world.plan()
    codes, name = [farm.product.public_id, farm.kit.public_id, "K7Q2-M4XJ"], "The Heron"
    for until in (MONDAY, MONDAY - timedelta(days=1)):
        for strains in ([farm.strain.pk], [farm.strain.pk, 404], []):
            with CaptureQueriesContext(connection) as seen:
                found = together(chosen, codes=codes, strains=strains, until=until, name=name, kits=False)
            assert len([query for query in seen if not query["sql"].startswith("PREPARE")]) == 1
            alone = chosen(codes=codes, strains=strains, until=until, name=name, kits=False)
            assert found == {each: list(rows) for each, rows in alone.items()}
    assert "kits" in together(chosen, codes=codes, strains=[], until=MONDAY, name=name, kits=True)


def test_what_json_would_not_bring_back_is_refused() -> None:
    with pytest.raises(AssertionError, match="FloatField"):
        together(numbers)
