"""A promise has become doubtful: Cleo reads it first thing on her page and answers there, or by a link of the mail."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine

from fulfilment.models import Doubt, Event, Line, Mail, Order, Shipment
from fulfilment.out import emails
from fulfilment.services import doubts, ordering
from tests.builders.doubts import CUT_OFF, NOON, a_doubtful_line
from tests.builders.kitchens import a_kitchen
from tests.pages.signed import kitchen_token, post, words
from tests.people import ADA

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client

pytestmark = pytest.mark.django_db

STAYS = "1.5 kg of Pearl oyster, a stays ordered for Friday 8 May 2026"


@pytest.fixture
def line() -> Iterator[Line]:
    made = a_doubtful_line()
    with time_machine.travel(NOON, tick=False):
        yield made


def token(line: Line) -> str:
    assert line.order.kitchen is not None
    return kitchen_token(line.order.kitchen, now=NOON)


def link(line: Line, choice: str) -> str:
    return f"/k/{token(line)}/doubts/{Doubt.objects.get().public_id}/{choice}/"


def value(client: Client, address: str, choice: str) -> str:
    """What the page's form sends for a choice."""
    html = client.get(address).content.decode()
    found = re.search(rf'value="({choice}/[^"]+)"', html)
    assert found is not None, choice
    return found[1]


# ---- On her page ----------------------------------------------------------------------------------------------------


def test_it_is_said_on_the_page_in_words_and_until_when_she_can_choose(client: Client, line: Line) -> None:
    said = words(client.get(f"/k/{token(line)}/"))
    assert "Less sure: Pearl oyster, a on Friday 8 May 2026" in said
    assert "Do not plan on all of it any more: you can count on 1.5 kg." in said
    assert "Until Thu 7 May, 12:00 you can choose:" in said
    for way in (
        "Keep it as it is. All 2 kg",
        f"Take less. {STAYS}",
        f"Take something else with it. {STAYS}, and 250 g",
    ):
        assert way in said
    assert "%" not in said


def test_it_is_answered_on_the_page(client: Client, line: Line) -> None:
    home = f"/k/{token(line)}/"
    address = f"{home}doubts/{Doubt.objects.get().public_id}/"
    assert client.get(address).status_code == 405
    assert post(client, address).status_code == 422
    assert "Less sure" in words(post(client, address, choice="drop/2026-05-08/K7Q2-M4XJ/0"))
    assert Event.objects.filter(kind="doubt_answered").count() == 0
    assert post(client, address, choice=value(client, home, "take_less")).headers["Location"] == home
    said = words(client.get(home))
    assert f"Thank you, that is how it will be. {STAYS}, and nothing for the rest." in said
    assert "Less sure" not in said
    assert Line.objects.get().ordered == 1_500


def test_what_is_kept_says_so_and_can_still_be_changed_by_hand(client: Client, line: Line) -> None:
    home = f"/k/{token(line)}/"
    post(client, link(line, "keep"), choice=value(client, link(line, "keep"), "keep"))
    said = words(client.get(home))
    assert "Less sure: Pearl oyster" in said
    assert "You keep it as it is" in said
    assert "you can choose" not in said
    assert f'href="{home}2026-05-08/"' in client.get(home).content.decode()


def test_past_the_cut_off_she_is_asked_to_call(client: Client, line: Line) -> None:
    with time_machine.travel(CUT_OFF, tick=False):
        said = words(client.get(f"/k/{token(line)}/"))
    assert "The time to change this delivery is over." in said
    assert "1.5 kg of Pearl" not in said


def test_another_kitchen_reads_nothing_of_it(client: Client, line: Line) -> None:
    assert "Less sure" not in words(client.get(f"/k/{kitchen_token(a_kitchen('The Gull'), now=NOON)}/"))


# ---- By a link of the mail ------------------------------------------------------------------------------------------


def test_each_choice_of_the_mail_is_a_link_to_a_page_with_its_one_button(client: Client, line: Line) -> None:
    letter = emails.preview(Mail.objects.get(kind="promise_doubtful").public_id, now=NOON)
    for choice in ("keep", "take_less", "substitute", "drop"):
        for text in (letter.text, letter.html):
            assert link(line, choice) in text
        page = client.get(link(line, choice))
        html = page.content.decode()
        assert page.status_code == 200
        assert html.count("<button") == 1
        assert page.headers["Referrer-Policy"] == "same-origin"
    assert Doubt.objects.get().answer == "", "opening changes nothing"
    assert Event.objects.filter(kind="doubt_answered").count() == 0


ANSWERED = {
    "keep": (2_000, 1, "All 2 kg of Pearl oyster, a stays ordered"),
    "take_less": (1_500, 1, f"{STAYS}, and nothing for the rest."),
    "substitute": (1_500, 2, f"{STAYS}, and 250 g of Pink oyster with it."),
    "drop": (None, 1, "Nothing of Pearl oyster, a is ordered for Friday 8 May 2026 any more."),
}


@pytest.mark.parametrize("choice", ANSWERED)
def test_a_press_is_honoured_and_a_second_says_what_was_answered(client: Client, line: Line, choice: str) -> None:
    ordered, orders, says = ANSWERED[choice]
    address, home = link(line, choice), f"/k/{token(line)}/"
    assert says in words(client.get(address))
    chosen = value(client, address, choice)
    for once in ("one", "one"):
        pressed = post(client, address, once=once, choice=chosen)
        assert (pressed.status_code, pressed.headers["Location"]) == (303, home)
    assert says in words(client.get(home))
    line.refresh_from_db()
    assert (None if line.cancelled_at else line.ordered, Order.objects.count()) == (ordered, orders)
    again = post(client, address, choice=chosen)
    assert again.status_code == 303
    assert "Thank you, we had your answer already: you " in words(client.get(home))
    for other in ANSWERED.keys() - {choice}:
        refused = post(client, link(line, other), choice=f"{other}/2026-05-08/x/0")
        assert refused.status_code == 409
        assert "This was answered already: you " in words(refused)
        assert "you can change the order yourself" in words(client.get(link(line, other)))
    assert Event.objects.filter(kind="doubt_answered").count() == 1


@pytest.mark.parametrize("choice", ["keep", "take_less", "drop"])
def test_a_press_that_comes_too_late_says_why_and_what_to_do(client: Client, line: Line, choice: str) -> None:
    chosen = value(client, link(line, choice), choice)
    Shipment.objects.update(cut_off_at=NOON)
    for answer in (client.get(link(line, choice)), post(client, link(line, choice), choice=chosen)):
        assert answer.status_code == 409
        assert "The cut-off for Friday 8 May 2026 was on Tuesday 5 May 2026 at 12:00" in words(answer)
        assert "please call the farm" in words(answer)
        assert b"<button" not in answer.content
    assert Doubt.objects.get().answer == ""


def test_a_line_changed_meanwhile_is_looked_at_first(client: Client, line: Line) -> None:
    chosen = value(client, link(line, "take_less"), "take_less")
    ordering.change_line(line.order.public_id, number=1, to=1_000, by=ADA, now=NOON)
    for answer in (client.get(link(line, "take_less")), post(client, link(line, "take_less"), choice=chosen)):
        assert answer.status_code == 409
        assert "was changed since you were told: look at the order as it is now." in words(answer)
    assert Line.objects.get().ordered == 1_000


def test_what_was_shown_and_is_gone_shows_what_is_left(client: Client, line: Line) -> None:
    """Somebody else orders the pink between the page and the press."""
    chosen = value(client, link(line, "substitute"), "substitute")
    pink = chosen.split("/")[2]
    ordering.place(
        [ordering.Asked(pink, 250)], kitchen=a_kitchen("The Gull").public_id, on=line.shipment.on, by=ADA, now=NOON
    )
    answer = post(client, link(line, "substitute"), choice=chosen)
    said = words(answer)
    assert answer.status_code == 409
    assert "That cannot be had any more" in said
    assert f"Take less {STAYS}" in said, "what is left is there to choose"
    assert Order.objects.count() == 2


def test_links_that_are_nothing(client: Client, line: Line) -> None:
    home = f"/k/{token(line)}/"
    for rest in ("doubts/K7Q2-M4XJ/keep/", f"doubts/{Doubt.objects.get().public_id}/dance/", "doubts/x/keep/"):
        assert client.get(f"{home}{rest}").status_code == 404
        assert post(client, f"{home}{rest}", choice="keep/2026-05-08/x/1").status_code == 404
    theirs = kitchen_token(a_kitchen("The Gull"), now=NOON)
    stolen = f"/k/{theirs}/doubts/{Doubt.objects.get().public_id}/drop/"
    assert client.get(stolen).status_code == 404
    assert post(client, stolen, choice="drop/2026-05-08/x/0").status_code == 404
    assert Doubt.objects.get().answer == ""


def test_sure_again_there_is_nothing_to_press(client: Client, line: Line) -> None:
    Line.objects.update(chance_pct=95)
    doubts.follow_plan(now=NOON + timedelta(minutes=1))
    told = client.get(link(line, "drop"))
    assert told.status_code == 409
    assert "is as sure again as it was promised" in words(told)
