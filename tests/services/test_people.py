"""Olive lets Ada, Ben and a kitchen's Cleo in, and Eve out again."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.contrib.auth import authenticate
from django.contrib.auth.models import Group, User
from django.test import Client

from fulfilment.core.problems import Conflict, Invalid, Missing, Problem
from fulfilment.models import Event, Kitchen
from fulfilment.read.people import ROLES, actor_of
from fulfilment.services import people
from tests.builders.kitchens import a_kitchen

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
OLIVE = "user:olive"
SECRET = "straw-and-grounds-9"


def add(name: str = "ada", *, roles: tuple[str, ...] = ("grower",), **more: object) -> User:
    given = {"password": SECRET, "by": OLIVE, "now": NOW, **more}
    return people.add_user(name, roles=roles, **given)  # type: ignore[arg-type]  # bad ones too


def scopes(name: str) -> set[str]:
    actor = actor_of(User.objects.get(username=name))
    return set(actor.scopes) if actor is not None else set()


def test_roles_are_laid_once_and_bear_the_names_of_scopes() -> None:
    people.lay_roles()
    people.lay_roles()
    assert sorted(Group.objects.values_list("name", flat=True)) == sorted(ROLES) == ["grower", "office", "packing"]


def test_ada_signs_in_and_is_a_grower_and_nothing_else() -> None:
    ada = add()
    assert authenticate(username="ada", password=SECRET) == ada
    assert (ada.is_staff, ada.is_superuser, ada.date_joined) == (False, False, NOW)
    assert scopes("ada") == {"grower"}
    event = Event.objects.get(kind="user_added")
    assert (event.subject, event.by, event.at) == (f"login:{ada.pk}", OLIVE, NOW)
    assert event.data == {"roles": ["grower"]}
    assert SECRET not in ada.password


def test_somebody_can_have_two_roles_and_an_administrator_is_the_office() -> None:
    add("ben", roles=("packing", "grower", "packing"))
    olive = add("olive", roles=("office",), administrator=True)
    assert scopes("ben") == {"packing", "grower"}
    assert scopes("olive") == {"office"}
    assert olive.is_staff
    assert olive.is_superuser


def test_cleo_is_her_kitchen_and_has_no_role() -> None:
    kitchen = a_kitchen()
    cleo = add("cleo", roles=(), kitchen=kitchen.public_id)
    actor = actor_of(cleo)
    assert actor is not None
    assert (actor.scopes, actor.kitchen_id) == (frozenset({"kitchen"}), kitchen.pk)
    event = Event.objects.get(kind="kitchen_connected")
    assert (event.subject, event.kitchen, event.data) == (kitchen.public_id, kitchen, {"user": f"login:{cleo.pk}"})
    assert Kitchen.objects.get().version == kitchen.version + 1


@pytest.mark.parametrize(
    ("given", "where", "says"),
    [
        ({"name": ""}, "name", "must not be empty"),
        ({"name": "two words"}, "name", "one word"),
        ({"name": "a" * 36}, "name", "at most 35"),
        ({"name": "a\nb"}, "name", "one line"),
        ({"password": "short"}, "password", "at least 10"),
        ({"password": ""}, "password", "at least 10"),
        ({"password": "x" * 201}, "password", "at most 200"),
        ({"name": "mycelium-ada", "password": "mycelium-ada"}, "password", "too similar"),
        ({"roles": ("boss",)}, "roles", "grower, office, packing"),
        ({"roles": ()}, "roles", "one or more roles"),
        ({"roles": (), "kitchen": "K7Q2-M4XJ", "administrator": True}, "kitchen", "cannot be an administrator"),
        ({"kitchen": "K7Q2-M4XJ"}, "roles", "the one or the other"),
        ({"roles": (), "kitchen": "K7Q2-M4XJ"}, "kitchen", "There is no kitchen"),
    ],
)
def test_what_cannot_be_is_told_and_nobody_is_let_in(given: dict[str, object], where: str, says: str) -> None:
    with pytest.raises(Problem, match=says) as told:
        add(**given)  # type: ignore[arg-type]  # bad on purpose
    assert told.value.where == where
    assert not User.objects.exists()
    assert not Event.objects.exists()


def test_a_name_is_taken_once_however_it_is_written_and_by_somebody_who_left_too() -> None:
    add("olive", roles=("office",))
    add()
    with pytest.raises(Conflict, match="choose another name"):
        add("ADA")
    people.end_user("ada", by=OLIVE, now=NOW)
    with pytest.raises(Conflict, match="choose another name"):
        add()


def test_other_roles_take_the_place_of_those_before() -> None:
    add()
    group = Group.objects.create(name="choir")
    User.objects.get().groups.add(group)
    people.set_roles("ada", roles=["packing"], by=OLIVE, now=NOW)
    assert scopes("ada") == {"packing"}
    assert group in User.objects.get().groups.all()
    people.set_roles("ada", roles=["packing"], by=OLIVE, now=NOW)
    event = Event.objects.get(kind="roles_set")
    assert event.data == {"roles": ["packing"], "before": ["grower"]}
    with pytest.raises(Invalid, match="end the user"):
        people.set_roles("ada", roles=[], by=OLIVE, now=NOW)
    with pytest.raises(Missing, match="no user eve"):
        people.set_roles("eve", roles=["packing"], by=OLIVE, now=NOW)


def test_a_kitchens_own_user_gets_no_role_and_staff_get_no_kitchen() -> None:
    kitchen = a_kitchen()
    add("cleo", roles=(), kitchen=kitchen.public_id)
    add()
    with pytest.raises(Conflict, match="add another user"):
        people.set_roles("cleo", roles=["packing"], by=OLIVE, now=NOW)
    with pytest.raises(Conflict, match="works for the farm"):
        people.connect_kitchen("ada", kitchen.public_id, by=OLIVE, now=NOW)
    other = a_kitchen("The Swan")
    with pytest.raises(Conflict, match=kitchen.public_id):
        people.connect_kitchen("cleo", other.public_id, by=OLIVE, now=NOW)
    again = people.connect_kitchen("cleo", kitchen.public_id, by=OLIVE, now=NOW)
    assert Event.objects.filter(kind="kitchen_connected").count() == 1
    assert again.user == User.objects.get(username="cleo")


def test_the_next_chef_takes_the_kitchen_over() -> None:
    kitchen = a_kitchen()
    add("olive", roles=("office",))
    add("cleo", roles=(), kitchen=kitchen.public_id)
    people.end_user("cleo", by=OLIVE, now=NOW)
    kitchen.refresh_from_db()
    assert kitchen.user is None
    add("fay", roles=(), kitchen=kitchen.public_id)
    assert scopes("fay") == {"kitchen"}
    assert scopes("cleo") == set()


def test_who_is_ended_is_signed_out_at_once_and_cannot_come_back() -> None:
    add("olive", roles=("office",))
    add("eve", roles=("packing",))
    client = Client()
    assert client.login(username="eve", password=SECRET)
    people.end_user("eve", by=OLIVE, now=NOW)
    people.end_user("eve", by=OLIVE, now=NOW)
    assert Event.objects.filter(kind="user_ended").count() == 1
    assert authenticate(username="eve", password=SECRET) is None
    assert client.get("/admin/").status_code == 302
    assert User.objects.filter(username="eve").exists()


def test_the_farm_is_never_without_an_office() -> None:
    add("olive", roles=("office",))
    with pytest.raises(Conflict, match="last with the role office"):
        people.end_user("olive", by=OLIVE, now=NOW)
    with pytest.raises(Conflict, match="last with the role office"):
        people.set_roles("olive", roles=["grower"], by=OLIVE, now=NOW)
    add("root", roles=("grower",), administrator=True)
    people.set_roles("olive", roles=["grower"], by=OLIVE, now=NOW)
    with pytest.raises(Conflict, match="last with the role office"):
        people.end_user("root", by=OLIVE, now=NOW)
    people.set_roles("root", roles=["packing"], by=OLIVE, now=NOW)
    assert scopes("root") == {"office"}


def test_a_forgotten_password_is_replaced_and_the_old_one_ends() -> None:
    add()
    people.set_password("ada", password="pins-after-a-week", by=OLIVE, now=NOW)
    assert authenticate(username="ada", password=SECRET) is None
    assert authenticate(username="ada", password="pins-after-a-week") is not None
    with pytest.raises(Invalid, match="at least 10"):
        people.set_password("ada", password="pins", by=OLIVE, now=NOW)
    assert Event.objects.filter(kind="password_set").count() == 1
