"""What all pages stand on: doors, forms that are done once, fields, words."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest
from django.contrib.auth.models import AnonymousUser, Group, User
from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpResponse
from django.test import RequestFactory

from fulfilment.core.problems import Conflict, Forbidden, Invalid, Missing, Unconfirmed
from fulfilment.models import Donor, Once
from fulfilment.read.people import actor_of
from fulfilment.read.scope import Actor
from fulfilment.services import growing
from fulfilment.web.ground import words
from fulfilment.web.ground.doors import OFFICE, anybody, staff
from fulfilment.web.ground.forms import Celsius, Day, Grams, PageForm, attempt
from tests import world
from tests.people import ADA
from tests.world import NOW

if TYPE_CHECKING:
    from django.http import HttpRequest


class WeighForm(PageForm):
    places = {"grades.0.weighed_g": "weighed"}
    weighed = Grams()
    seen_on = Day(required=False)
    celsius = Celsius(required=False)


def user(name: str, *roles: str, is_superuser: bool = False, is_active: bool = True) -> User:
    made = User.objects.create_user(
        name, password="long enough", is_superuser=is_superuser, is_active=is_active
    )  # fmt: skip
    made.groups.set(Group.objects.get_or_create(name=role)[0] for role in roles)
    return made


def asked(who: User | AnonymousUser, path: str = "/somewhere/") -> HttpRequest:
    request = RequestFactory().get(path)
    request.user = who
    request.session = SessionBase()
    return request


@staff(OFFICE)
def office_page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    return HttpResponse(f"{actor.name} {now:%Y}")


# ---- Doors ----------------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_who_is_who() -> None:
    made = world.build()
    assert actor_of(AnonymousUser()) is None
    assert actor_of(user("eve")) is None
    assert actor_of(user("ada", "grower")) == Actor("user:ada", frozenset({"grower"}))
    assert actor_of(user("both", "grower", "packing")) == Actor("user:both", frozenset({"grower", "packing"}))
    assert actor_of(user("root", is_superuser=True)) == Actor("user:root", frozenset({"office"}))
    assert actor_of(user("gone", "office", is_active=False)) is None
    made.kitchen.user = user("cleo")
    made.kitchen.save()
    assert actor_of(made.kitchen.user) == Actor("user:cleo", frozenset({"kitchen"}), kitchen_id=made.kitchen.pk)
    made.kitchen.active = False
    made.kitchen.save()
    assert actor_of(made.kitchen.user) is None


@pytest.mark.django_db
def test_a_staff_page_opens_to_its_role_only() -> None:
    made = world.build()
    assert office_page(asked(user("olive", "office"))).content.startswith(b"user:olive 20")
    nobody = office_page(asked(AnonymousUser()))
    assert (nobody.status_code, nobody["Location"]) == (302, "/sign-in/?next=/somewhere/")
    other = office_page(asked(user("ada", "grower")))
    assert other.status_code == 403
    assert "This page needs the role office" in other.content.decode()
    none = office_page(asked(user("eve")))
    assert none.status_code == 403
    assert "You have no role" in none.content.decode()
    made.kitchen.user = user("cleo")
    made.kitchen.save()
    assert office_page(asked(made.kitchen.user))["Location"].startswith("/admin/")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("problem", "status"),
    [(Missing("It is gone."), 404), (Forbidden("No."), 403), (Conflict("Late."), 409), (Invalid("Wrong."), 400)],
)
def test_a_problem_that_no_form_shows_is_a_page_with_its_sentence(problem: Exception, status: int) -> None:
    @anybody
    def page(request: HttpRequest, *, now: datetime) -> HttpResponse:
        raise problem

    response = page(asked(AnonymousUser()))
    assert response.status_code == status
    assert str(problem) in response.content.decode()
    assert response["Referrer-Policy"] == "same-origin"


# ---- Forms ----------------------------------------------------------------------------------------------------------


def sent(**typed: str) -> tuple[HttpRequest, WeighForm]:
    request = RequestFactory().post("/weigh/", typed)
    return request, WeighForm(request.POST)


@pytest.mark.django_db
def test_a_form_sent_twice_is_done_once() -> None:
    typed = {"weighed": "1980", "once": "a-name"}
    places = []
    for _ in range(2):
        request, form = sent(**typed)
        places.append(
            attempt(
                request, form, lambda: f"/donors/{growing.add_donor('Café', by=ADA, now=NOW).public_id}/",
                by=ADA, now=NOW,
            )
        )  # fmt: skip
    assert places[0] is not None
    assert places[0] == places[1]
    assert Donor.objects.count() == 1
    request, form = sent(weighed="5", once="a-name")
    assert attempt(request, form, lambda: "/elsewhere/", by=ADA, now=NOW) is None
    assert form.non_field_errors() == ["This form was saved already. Look at what it did, then fill in a new one."]


@pytest.mark.django_db
def test_a_refusal_stands_beside_its_field_and_keeps_nothing() -> None:
    def refuse() -> str:
        growing.add_donor("Café", by=ADA, now=NOW)
        raise Invalid("40,000 g from ten bags cannot be.", where="grades.0.weighed_g")

    request, form = sent(weighed="40 kg", once="x")
    assert attempt(request, form, refuse, by=ADA, now=NOW) is None
    assert form.errors == {"weighed": ["40,000 g from ten bags cannot be."]}
    assert (Donor.objects.count(), Once.objects.count()) == (0, 0)


@pytest.mark.django_db
def test_what_is_unlikely_is_asked_once() -> None:
    def ask(form: WeighForm) -> str:
        if not form.yes:
            raise Unconfirmed("More than ten bags ever gave: is it so?")
        return "/done/"

    request, form = sent(weighed="9000", once="y")
    assert attempt(request, form, lambda: ask(form), by=ADA, now=NOW) is None
    assert form.asks == "More than ten bags ever gave: is it so?"
    assert not form.errors
    assert 'type="checkbox"' in str(form["confirmed"])
    request, form = sent(weighed="9000", once="y", confirmed="on")
    assert attempt(request, form, lambda: ask(form), by=ADA, now=NOW) == "/done/"


@pytest.mark.parametrize(
    ("typed", "grams"),
    [("1980", 1980), (" 1980 g", 1980), ("1.98 kg", 1980), ("1,98kg", 1980), ("0.5 KG", 500), ("1", 1)],
)
def test_a_weight_is_read_as_the_scale_shows_it(typed: str, grams: int) -> None:
    assert Grams().clean(typed) == grams


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("1.98", "1.98 is no whole number of grams: write 2, or 1.98 kg."),
        ("two", "'two' is no weight: write grams as 1980, or 1.98 kg."),
        ("-5", "'-5' is no weight: write grams as 1980, or 1.98 kg."),
        ("1e308", "'1e308' is no weight: write grams as 1980, or 1.98 kg."),
        ("0", "0 g is out of bounds: from 1 to"),
        ("999999999 kg", "is out of bounds"),
    ],
)
def test_what_is_no_weight_is_told(typed: str, sentence: str) -> None:
    _, form = sent(weighed=typed)
    assert sentence in form.errors["weighed"][0]


def test_a_date_and_a_temperature_are_told_too() -> None:
    _, form = sent(weighed="1", seen_on="4 May", celsius="warm")
    assert form.errors["seen_on"] == ["This is no date: write it as 2026-05-04."]
    assert "celsius" in form.errors
    _, form = sent(weighed="1", seen_on="2026-05-04", celsius="17,5 °C")
    assert form.is_valid()
    assert float(form.cleaned_data["celsius"]) == 17.5


# ---- Words ----------------------------------------------------------------------------------------------------------


def test_words() -> None:
    friday, monday, june = date(2026, 5, 1), date(2026, 5, 4), date(2026, 6, 1)
    assert words.day_range((friday, monday)) == "Fri 1 – Mon 4 May"
    assert words.day_range((friday, june)) == "Fri 1 May – Mon 1 Jun"
    assert words.day_range((friday, friday)) == "Fri 1 May"
    assert words.day_range(()) == ""
    assert (words.amount(2, True), words.amount(1500, False), words.kg(1540)) == ("2 kits", "1.5 kg", "1.5")
    assert words.when(datetime(2026, 5, 1, 14, 5, tzinfo=UTC)) == "Fri 1 May, 14:05"
    assert words.chance_words(None) == ""
    assert words.who("user:ada") == "ada"
