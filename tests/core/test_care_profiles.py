"""How long a kit takes, against what growers say, and what a programme may hold."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, time

import pytest

from fulfilment.core.care import (
    GOLDEN,
    PEARL,
    PINK,
    PROFILES,
    PROGRAMME,
    Advice,
    Anchor,
    CareStep,
    EventKind,
    KitProfile,
    MailKind,
    Warmth,
    advise,
    check_programme,
    rehearse,
    room_warning,
)
from fulfilment.core.problems import Invalid


@pytest.mark.parametrize("profile", PROFILES.values(), ids=PROFILES)
def test_defaults_are_what_growers_say(profile: KitProfile) -> None:
    # Common practice, no source: pins after about a week; picking within two; water again after about ten days (7-14)
    # for the second flush; several flushes.
    pins, ripe = profile.pins[Warmth.NORMAL], profile.ripe[Warmth.NORMAL]
    assert 5 <= pins[0] <= 7 <= pins[2]
    assert pins[1] == 7
    assert pins[1] + ripe[1] <= 14
    assert ripe[1] == 5  # once you see pins you have about five days
    assert profile.rewater_after == (7, 10, 14)
    assert profile.flushes >= 3


def test_pink_is_never_cold() -> None:
    # A producer's strain sheet for P. salmoneo-stramineus M 2708: fruits at 18-28 °C; culture, spawn and grown
    # substrate die below 8-10 °C. From 12 °C with a margin: common practice, no source.
    assert PINK.fruiting_c == (18.0, 28.0)
    assert PINK.keep_c == (12.0, 25.0)
    assert PINK.keep_c[0] > 10


def test_each_strain_has_its_own_best_warmth() -> None:
    # Pearl fruits at 10 to 20 °C and pink at 18 to 28 (common practice, and the sheet above).
    assert PINK.pins[Warmth.WARM] < PINK.pins[Warmth.NORMAL] < PINK.pins[Warmth.COOL]
    assert PEARL.pins[Warmth.NORMAL][1] < PEARL.pins[Warmth.WARM][1]


def test_who_orders_a_tender_strain_for_a_cool_room_is_warned() -> None:
    assert "hardly fruit in a cool room" in room_warning(PINK, Warmth.COOL)
    assert "12 °C" in room_warning(PINK, Warmth.COOL)
    assert "too warm" in room_warning(PEARL, Warmth.WARM)
    assert not room_warning(PEARL, Warmth.COOL)
    assert not room_warning(PINK, Warmth.NORMAL)


@pytest.mark.parametrize(
    ("room_c", "advice"),
    [
        (None, Advice.ASK),
        (17.9, Advice.WARMER),
        (18.0, Advice.MOISTER),
        (28.0, Advice.MOISTER),
        (28.1, Advice.COOLER),
    ],
)
def test_nothing_seen_the_rooms_temperature_comes_first(room_c: float | None, advice: Advice) -> None:
    found, sentence = advise(PINK, room_c=room_c)
    assert found is advice
    assert "ask for a replacement now" in sentence


def test_two_hundred_degrees_are_no_room() -> None:
    with pytest.raises(Invalid, match="200 °C is no room"):
        advise(PEARL, room_c=200)


@pytest.mark.parametrize("profile", [PEARL, PINK, GOLDEN])
def test_a_profile_survives_its_json(profile: KitProfile) -> None:
    assert KitProfile.from_data(json.loads(json.dumps(profile.as_data()))) == profile


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"picking": [3, 2, 4]}, "picking"),
        ({"picking": [0, 2]}, "picking"),
        ({"picking": [0, 2, 400]}, "picking"),
        ({"picking": [0, 1.5, 2]}, "picking"),
        ({"pins": {"cool": [1, 2, 3]}}, "pins"),
        ({"pins": {"cool": [1, 2, 3], "normal": [3, 2, 1], "warm": [1, 2, 3]}}, "pins.normal"),
        ({"fruiting_c": [28, 18]}, "fruiting_c"),
        ({"fruiting_c": [18, 200]}, "fruiting_c"),
        ({"keep_c": ["cold", 20]}, "keep_c"),
        ({"flushes": 0}, "flushes"),
        ({"life_days": True}, "life_days"),
        ({"colour": "pink"}, "colour"),
    ],
)
def test_an_impossible_profile_is_refused(change: dict[str, object], where: str) -> None:
    with pytest.raises(Invalid) as refused:
        KitProfile.from_data(PEARL.as_data() | change)
    assert refused.value.where == where
    with pytest.raises(Invalid, match="needs ripe"):
        KitProfile.from_data({name: value for name, value in PEARL.as_data().items() if name != "ripe"})


@pytest.mark.parametrize("step", PROGRAMME, ids=lambda step: step.key)
def test_a_step_survives_its_json(step: CareStep) -> None:
    assert CareStep.from_data(json.loads(json.dumps(step.as_data()))) == step


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"at": "20:00"}, "outside_hours"),
        ({"at": "07:59"}, "outside_hours"),
        ({"at": None}, "outside_hours"),
        ({"at": "25:00"}, "unreadable_step"),
        ({"mail": "order", "at": None}, "missing_time"),
        ({"anchor": "moonrise"}, "unreadable_step"),
        ({"needs": ["moonrise"]}, "unreadable_step"),
        ({"needs": "pins"}, "unreadable_step"),
        ({"cycles": []}, "out_of_range"),
        ({"cycles": [7]}, "out_of_range"),
        ({"anchor": "arrived", "cycles": [1, 2]}, "out_of_range"),
        ({"offset_days": 999}, "out_of_range"),
        ({"offset_days": "2"}, "unreadable_step"),
        ({"colour": "pink"}, "unknown_field"),
    ],
)
def test_an_impossible_step_is_refused(fields: dict[str, object], code: str) -> None:
    data = {"key": "air", "anchor": "pins", "title": "Give it air", "at": "09:00"} | fields
    with pytest.raises(Invalid) as refused:
        CareStep.from_data(data)
    assert refused.value.reason_code == code


def test_a_step_needs_its_key_and_no_two_share_one() -> None:
    with pytest.raises(Invalid):
        CareStep.from_data({"anchor": "pins", "title": "Give it air"})
    with pytest.raises(Invalid, match="Two steps are called misting"):
        check_programme([*PROGRAMME, next(step for step in PROGRAMME if step.key == "misting")])
    assert check_programme(PROGRAMME) == PROGRAMME


def test_the_whole_programme_of_a_pearl_kit_whose_holder_reports_all() -> None:
    found = rehearse(PEARL, warmth=Warmth.NORMAL, sent_on=date(2026, 2, 27), zone="Europe/Berlin", reporting=True)
    assert [each.step.key for each in found] == [
        "order_received", "sent", "arrived", "misting", "pins_due", "doubling", "ready", "rest", "rewater",
        "second_pins", "second_picking", "rest", "third_flush", "compost",
    ]  # fmt: skip
    days = {(each.step.key, each.cycle): each.due_at.date() for each in found}
    assert (days["rewater", 1] - days["rest", 1]).days == 9  # ten days after the last mushroom, rest the day after it
    assert days["ready", 1] == date(2026, 3, 12)


def test_the_whole_programme_of_a_kit_whose_holder_says_nothing() -> None:
    found = rehearse(PEARL, warmth=Warmth.NORMAL, sent_on=date(2026, 2, 27), zone="Europe/Berlin", reporting=False)
    assert [each.step.key for each in found] == [
        "order_received", "sent", "arrived", "misting", "pins_due", "pins_to_picking", "nothing_seen",
        "harvest_question", "compost",
    ]  # fmt: skip


def test_every_default_step_is_met_by_some_holder() -> None:
    # For who never starts, and for a gift with a day of its own: see the tests of the plan.
    met = {"not_started", "start_by", "gift_day"}
    for profile in PROFILES.values():
        for warmth in Warmth:
            for reporting in (True, False):
                found = rehearse(profile, warmth=warmth, sent_on=date(2026, 1, 5), zone="UTC", reporting=reporting)
                met |= {each.step.key for each in found}
                care = [each.due_at.date() for each in found if each.step.mail is MailKind.CARE]
                assert len(care) == len(set(care))  # nothing to be pushed to another day
    assert met == {step.key for step in PROGRAMME}


def test_a_step_of_the_farms_own_appears_in_the_rehearsal() -> None:
    air = CareStep("air", Anchor.PINS, "Give it air", offset_days=1, at=time(18), needs=frozenset({EventKind.PINS}))
    quiet = replace(air, key="quiet", anchor=Anchor.END)
    found = rehearse(
        PINK, warmth=Warmth.WARM, sent_on=date(2026, 6, 1), zone="UTC", programme=[air, quiet], reporting=True
    )
    assert [each.step.key for each in found] == ["air", "quiet"]
