"""Less comes than was promised: Cleo answers on her page, once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.urls import reverse

from fulfilment.models import Event, Farm, Line, Mail, ShortageOffer
from fulfilment.out import emails
from fulfilment.services import freezing
from tests.builders.kitchens import FRIDAY, NOW, THURSDAY, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain
from tests.pages.signed import kitchen_token, post, words

if TYPE_CHECKING:
    from django.test import Client

pytestmark = pytest.mark.django_db

CUT_OFF = NOW - timedelta(hours=18)
SOON = CUT_OFF + timedelta(minutes=20)


@pytest.fixture
def short() -> Iterator[Line]:
    """Cleo was promised 2 kg; 1.5 kg will come, and she has been told."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    strain = a_strain()
    product = a_product(strain)
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(a_kitchen(), product, 2_000)
    freezing.freeze(FRIDAY.isoformat(), now=CUT_OFF)
    with time_machine.travel(SOON, tick=False):
        yield line


def choice(client: Client, token: str, way: str) -> str:
    html = client.get(f"/k/{token}/").content.decode()
    start = html.index(f'value="{way}/') + len('value="')
    return html[start : html.index('"', start)]


def test_the_offer_is_first_on_the_page_and_answered_once(client: Client, short: Line) -> None:
    kitchen = short.order.kitchen
    assert kitchen is not None
    token, offer = kitchen_token(kitchen, now=SOON), ShortageOffer.objects.get()
    said = words(client.get(f"/k/{token}/"))
    assert "comes on Friday 8 May 2026" in said
    assert "2 kg was promised, 1.5 kg comes" in said
    assert "Tell us by Thu 7 May, 16:00." in said
    assert "%" not in said
    address = reverse("kitchen-answer-shortage", args=[token, offer.public_id])
    chosen = choice(client, token, "take_less")
    for name in ("one", "one", "two"):
        assert post(client, address, once=name, choice=chosen).status_code == 303
    offer.refresh_from_db()
    assert (offer.answer, offer.answered_by) == ("take_less", f"kitchen:{kitchen.public_id}")
    assert Event.objects.filter(kind="shortage_answered").count() == 1
    assert "comes on Friday 8 May 2026" not in words(client.get(f"/k/{token}/"))
    other = post(client, address, choice="drop/2026-05-08/X/0")
    assert other.status_code == 409
    assert "This was answered already" in words(other)


def test_an_answer_that_was_not_offered_or_comes_too_late_is_told(client: Client, short: Line) -> None:
    kitchen = short.order.kitchen
    assert kitchen is not None
    token, offer = kitchen_token(kitchen, now=SOON), ShortageOffer.objects.get()
    address = reverse("kitchen-answer-shortage", args=[token, offer.public_id])
    refused = post(client, address, choice="substitute/2026-05-08/K7Q2-M4XJ/250")
    assert refused.status_code == 422
    assert "That cannot be had any more: look again and choose." in words(refused)
    assert post(client, address).status_code == 422
    assert client.get(address).status_code == 405
    late = choice(client, token, "drop")
    with time_machine.travel(CUT_OFF + timedelta(hours=4), tick=False):
        answer = post(client, address, choice=late)
        assert answer.status_code == 409
        assert "The time to answer was over" in words(answer)
        assert post(client, address, choice="dance").status_code == 404
    offer.refresh_from_db()
    assert offer.answer == ""


def test_each_choice_of_the_mail_is_a_link_to_a_page_with_its_one_button(client: Client, short: Line) -> None:
    kitchen = short.order.kitchen
    assert kitchen is not None
    letter = emails.preview(Mail.objects.get(kind="shortage").public_id, now=SOON)
    address = f"/k/{kitchen_token(kitchen, now=SOON)}/shortages/{ShortageOffer.objects.get().public_id}"
    for way in ("take_less", "drop"):
        assert f"{address}/{way}/" in letter.text
        assert f"{address}/{way}/" in letter.html
        page = client.get(f"{address}/{way}/")
        assert page.status_code == 200
        assert page.content.decode().count("<button") == 1
    assert client.get(f"{address}/keep/").status_code == 400, "what comes short cannot be kept"
    assert Event.objects.filter(kind="shortage_answered").count() == 0
    html = client.get(f"{address}/drop/").content.decode()
    chosen = html[html.index('value="drop/') + len('value="') :].partition('"')[0]
    assert post(client, f"{address}/drop/", choice=chosen).status_code == 303
    assert ShortageOffer.objects.get().answer == "drop"
    assert "answered already: you want none of it" in words(client.get(f"{address}/take_less/"))


def test_another_kitchens_offer_does_not_exist(client: Client, short: Line) -> None:
    offer = ShortageOffer.objects.get()
    other = kitchen_token(a_kitchen("The Gannet", postcode="11"), now=SOON)
    assert "Less comes" not in words(client.get(f"/k/{other}/"))
    address = reverse("kitchen-answer-shortage", args=[other, offer.public_id])
    assert post(client, address, choice="drop/2026-05-08/X/0").status_code == 404
    offer.refresh_from_db()
    assert offer.answer == ""
