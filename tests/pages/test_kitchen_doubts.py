"""A promise has become doubtful: Cleo reads it first thing on her page, and each choice leads where it is done."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import Batch, Crop, Doubt, Farm, Line, Product, Shipment, Substitute
from fulfilment.services import doubts, holds, planning
from tests.builders.kitchens import FRIDAY, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain
from tests.pages.signed import kitchen_token, post, words
from tests.people import BEN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db

TUESDAY = FRIDAY - timedelta(days=3)
NOON = datetime(2026, 5, 5, 10, 0, tzinfo=UTC)
CUT_OFF = datetime(2026, 5, 7, 10, 0, tzinfo=UTC)


@pytest.fixture
def line() -> Iterator[Line]:
    """2 kg promised for Friday; 500 g of it are held since, and 250 g of pink lie in store."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    strain, kitchen = a_strain(), a_kitchen()
    pink = a_product(a_strain("Pink oyster", tender=True))
    Product.objects.filter(pk=pink.pk).update(pack=250, name="Pink oyster")
    Substitute.objects.create(
        kitchen=kitchen, strain=strain, grade="a", instead_strain=pink.strain, instead_grade="a", position=1
    )
    held = [a_fresh_lot(strain, grams, harvested_on=TUESDAY) for grams in (1_500, 500)][1]
    a_fresh_lot(pink.strain, 250, harvested_on=TUESDAY)
    Batch.objects.update(bags_opened=40)
    Crop.objects.update(finished_on=TUESDAY, stage="finished")
    made = a_line(kitchen, a_product(strain), 2_000)
    Shipment.objects.update(cut_off_at=CUT_OFF)
    holds.hold("lot", held.public_id, reason="smells of beer", by=BEN, now=NOON)
    planning.replan(now=NOON)
    doubts.follow_plan(now=NOON)
    with time_machine.travel(NOON, tick=False):
        yield made


def test_it_is_said_on_the_page_in_words_and_until_when_she_can_choose(client: Client, line: Line) -> None:
    assert line.order.kitchen is not None
    said = words(client.get(f"/k/{kitchen_token(line.order.kitchen, now=NOON)}/"))
    assert "Less sure: Pearl oyster, a on Friday 8 May 2026" in said
    assert "Do not plan on all of it any more: you can count on 1.5 kg." in said
    assert "Until Thu 7 May, 12:00 you can also choose: Take 1.5 kg, which you can count on." in said
    assert "%" not in said


def test_its_choices_lead_to_the_pages_where_they_are_done(client: Client, line: Line) -> None:
    assert line.order.kitchen is not None
    token = kitchen_token(line.order.kitchen, now=NOON)
    html = client.get(f"/k/{token}/").content.decode()
    ways = re.findall(r'<li><a class="button quiet" href="([^"]+)">([^<]+)</a>', html)
    assert [said for _, said in ways] == [
        "Take 1.5 kg, which you can count on.",
        "Order 250 g of Pink oyster for the same day, and lower this one.",
    ]
    day, add = (address.replace("&amp;", "&") for address, _ in ways)
    assert client.get(day).status_code == 200
    asked = words(client.get(add))
    assert "Pink oyster" in asked
    assert "All of it." in asked, "what we could promise stands there at once"
    assert Line.objects.count() == 1, "looking keeps nothing"
    address = f"/k/{token}/orders/{line.order.public_id}/amounts/"
    assert post(client, address, **{line.product.public_id: "1500"}).status_code == 303
    planning.replan(now=NOON)
    doubts.follow_plan(now=NOON)
    assert Doubt.objects.get().sure_at == NOON
    assert "Less sure" not in words(client.get(f"/k/{token}/"))


def test_past_the_cut_off_she_is_asked_to_call(client: Client, line: Line) -> None:
    assert line.order.kitchen is not None
    with time_machine.travel(CUT_OFF, tick=False):
        said = words(client.get(f"/k/{kitchen_token(line.order.kitchen, now=NOON)}/"))
    assert "The time to change this delivery is over." in said
    assert "Take 1.5 kg" not in said


def test_another_kitchen_reads_nothing_of_it(client: Client, line: Line) -> None:
    assert "Less sure" not in words(client.get(f"/k/{kitchen_token(a_kitchen('The Gull'), now=NOON)}/"))
