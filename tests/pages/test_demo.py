"""The commands a new machine begins with: the invented farm, a farm of one's own, and its first night as a table."""

from __future__ import annotations

from datetime import time
from io import StringIO
from typing import TYPE_CHECKING

import pytest
from django.contrib.auth import authenticate
from django.contrib.auth.models import User
from django.core.management import call_command
from django.core.management.base import CommandError

from fulfilment.management.commands.own_farm import cut_off, weekdays, zone_named
from fulfilment.models import CareStep, Crop, Farm, Forecast, Lot, Night, Order, Reading, Score
from fulfilment.read.people import actor_of

if TYPE_CHECKING:
    from pathlib import Path

    from django.conf import LazySettings


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch, settings: LazySettings, tmp_path: Path) -> None:
    monkeypatch.setattr("sys.stdin", StringIO())
    settings.VAR_DIR = tmp_path


def said(command: str, *arguments: str) -> str:
    out = StringIO()
    call_command(command, *arguments, stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_the_invented_farm_has_lived_and_its_night_is_a_table(tmp_path: Path) -> None:
    told = said("demo_farm", "--days", "3")
    note = tmp_path / "demo_login.txt"
    assert note.stat().st_mode & 0o777 == 0o600
    scopes: dict[str, frozenset[str]] = {}
    for line in note.read_text().splitlines():
        name, password = line.split()[:2]
        assert password in told
        user = authenticate(username=name, password=password)
        actor = actor_of(user) if user is not None else None
        assert actor is not None
        scopes[name] = actor.scopes
    assert {name: set(found) for name, found in scopes.items()} == {
        "olive": {"office"},
        "ada": {"grower"},
        "ben": {"packing"},
        "cleo": {"kitchen"},
    }
    assert User.objects.get(username="cleo").kitchen.name == "The Copper Ladle"
    assert Crop.objects.count() > 5
    assert Lot.objects.filter(kind="fresh").exists()
    assert Order.objects.filter(standing_order__isnull=False).exists()
    assert not Reading.objects.exclude(room__kind="incubation").filter(celsius_tenths__gt=300).exists()
    assert Farm.objects.get().scenarios == 1000

    table = said("night", "--report", "--scenarios", "60")
    assert Night.objects.latest("on").done_at is not None
    assert Forecast.objects.filter(scenarios=60).exists()
    for words in (
        "Pearl oyster",
        "Pink oyster",
        "Golden oyster",
        "P10 / P50 / P90",
        "Papers:",
        "Mails:",
        "Seconds: score",
    ):
        assert words in table

    scored = Score.objects.filter(grade="")
    assert set(scored.values_list("lead_days", flat=True)) == {1}, "three days have one lead that is over"
    assert not scored.filter(by_profile=None).exists()
    assert not scored.filter(place=None).exists()

    assert said("demo_farm", "--if-empty") == ""
    with pytest.raises(CommandError, match="There is a farm in this database already"):
        call_command("demo_farm")


@pytest.mark.django_db
def test_ones_own_farm_is_asked_for_by_options_environment_or_defaults(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FARM_CUT_OFF", "2 days before at 9:30")
    monkeypatch.setenv("FARM_PASSWORD", "a quiet cellar in the hills")
    told = said("own_farm", "--name", "Ada’s cellar", "--zone", "Europe/Oslo", "--delivery-days", "tue, Fri")
    whose = Farm.objects.get()
    assert (whose.name, whose.zone, whose.delivery_weekdays) == ("Ada’s cellar", "Europe/Oslo", [1, 4])
    assert (whose.cut_off_days, f"{whose.cut_off_time:%H:%M}") == (2, "09:30")
    assert CareStep.objects.exists()
    first = authenticate(username="office", password="a quiet cellar in the hills")
    assert first is not None
    assert list(first.groups.values_list("name", flat=True)) == ["office"]
    assert "a quiet cellar" not in told
    assert said("own_farm", "--if-empty") == ""
    with pytest.raises(CommandError, match="change it on its pages"):
        call_command("own_farm")


@pytest.mark.django_db
def test_a_farm_that_cannot_be_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CommandError, match="zone"):
        call_command("own_farm", "--zone", "Nowhere/Atall")
    monkeypatch.setenv("FARM_PASSWORD", "short")
    with pytest.raises(CommandError, match="too short"):
        call_command("own_farm")
    assert not Farm.objects.exists()
    with pytest.raises(CommandError, match="There is no farm yet"):
        call_command("night")


@pytest.mark.parametrize("text", ["someday", "Mon,xx", "T"])
def test_a_word_that_is_no_weekday_is_told(text: str) -> None:
    with pytest.raises(CommandError, match="is no weekday"):
        weekdays(text)


@pytest.mark.parametrize("text", ["noon", "1 day", "at 12:00", "1 day before at 25:00"])
def test_words_that_are_no_cut_off_are_told(text: str) -> None:
    with pytest.raises(CommandError, match=r"is no (cut-off|time of day)"):
        cut_off(text)


def test_what_a_grower_says_at_a_terminal_is_understood() -> None:
    assert weekdays("Tuesday and Friday") == [1, 4]
    assert cut_off("noon the day before") == (1, time(12, 0))
    assert zone_named("London") == "Europe/London"


@pytest.mark.django_db
def test_a_night_to_come_is_refused() -> None:
    said("own_farm")
    with pytest.raises(CommandError, match="has not come yet"):
        call_command("night", "--day", "2999-01-01")
