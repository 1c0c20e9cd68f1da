"""Packing on the page: the lists, taking, short and heavy, another lot, scanning, undoing."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine

from fulfilment.models import Hold, Kit, Kitchen, Line, Lot, Pick, PickList, Substitute
from fulfilment.read.packing.standing import standings
from fulfilment.services import packing
from tests.builders.kitchens import (
    BEN,
    FRIDAY,
    NOW,
    THURSDAY,
    a_farm,
    a_fresh_lot,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
    plan,
)
from tests.pages.packing import Friday, friday, kits_to_send, row, signed_in, words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from django.test import Client
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _friday_morning() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ben() -> Client:
    return signed_in()


def take(client: Client, day: Friday, amount: object, **more: object) -> Any:
    return client.post(day.address("picks/"), row(day.line, day.lot, amount, **more))


# ---- Standing -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "picked", "found"),
    [
        ([("A", 1000)], {}, [(0, 1000, "open")]),
        ([("A", 1000)], {"A": 960}, [(960, 40, "taken")]),
        ([("A", 1000)], {"A": 700}, [(700, 300, "short")]),
        ([("A", 1000)], {"A": 1200}, [(1200, 0, "taken")]),
        # What came from a lot that no row names counts for the rows in their order.
        ([("A", 1000), ("B", 500)], {"C": 1000}, [(0, 0, "covered"), (0, 500, "open")]),
        ([("A", 1000), ("B", 500)], {"A": 1500}, [(1500, 0, "taken"), (0, 0, "covered")]),
        ([("A", 1000), ("", 500)], {"A": 1000}, [(1000, 0, "taken"), (0, 500, "coming")]),
        ([("", 500)], {"A": 500}, [(0, 0, "covered")]),
    ],
)
def test_where_a_row_stands(
    rows: list[tuple[str, int]], picked: dict[str, int], found: list[tuple[int, int, str]]
) -> None:
    told = standings(rows, picked, tolerance_pct=5)
    assert [(each.picked, each.left, each.state) for each in told] == found


# ---- The lists ------------------------------------------------------------------------------------------------------


def test_the_lists_of_the_day_with_how_far_they_are(ben: Client) -> None:
    day = friday()
    kits_to_send()
    said = words(ben.get("/packing/"))
    assert "Packing Friday 8 May 2026" in said
    assert "Town Friday 8 May 2026 · 2 stops 0 of 2 rows done to pick" in said
    assert "Parcels Friday 8 May 2026 · 1 stop 0 of 1 row done to pick" in said
    assert "Nothing is out on a round." in said
    packing.pick(str(day.line), lot=day.lot.public_id, amount=700, by=BEN, now=NOW, today=FRIDAY)
    assert "1 of 2 rows done, 1 short begun" in words(ben.get("/packing/"))
    packing.pick(str(day.other), lot=day.lot.public_id, amount=2_000, by=BEN, now=NOW, today=FRIDAY)
    assert "2 of 2 rows done, 1 short packed, some short" in words(ben.get("/packing/"))


def test_yesterdays_open_list_and_tomorrows_are_told_apart(ben: Client) -> None:
    friday()
    with time_machine.travel(NOW + timedelta(days=1), tick=False):
        said = words(ben.get("/packing/"))
    assert "Today No list for today. Still open from before Town" in said
    with time_machine.travel(NOW - timedelta(days=1), tick=False):
        assert "Next Town Friday 8 May 2026" in words(ben.get("/packing/"))


def test_a_farm_without_lists_says_so(ben: Client) -> None:
    a_farm()
    said = words(ben.get("/packing/"))
    assert "No list for today." in said
    assert "Make lists now" not in said


def test_lists_that_a_frozen_day_lacks_are_made(ben: Client) -> None:
    a_farm()
    strain = a_strain()
    line = a_line(a_kitchen(), a_product(strain), 1_000)
    plan((line, a_fresh_lot(strain, 2_000), 1_000))
    assert "Friday 8 May 2026 is past its cut-off" in words(ben.get("/packing/"))
    answer = ben.post("/packing/lists/", {"once": "a", "day": FRIDAY.isoformat()}, follow=True)
    assert "The lists of Friday 8 May 2026 are made." in words(answer)
    assert PickList.objects.get().rows.count() == 1
    assert "past its cut-off" not in words(ben.get("/packing/"))


def test_a_day_that_is_none_makes_no_lists(ben: Client) -> None:
    a_farm()
    answer = ben.post("/packing/lists/", {"once": "a", "day": "someday"})
    assert answer.status_code == 422


# ---- Taking ---------------------------------------------------------------------------------------------------------


def test_a_row_says_from_which_lot_how_much_and_for_whom(ben: Client) -> None:
    day = friday()
    answer = ben.get(day.address())
    said = words(answer)
    assert "1. The Heron to pack Saltby" in said
    assert f"From lot {day.lot.public_id} 1 kg Pearl oyster, a · best before Tue 12 May · harvested Thu 7 May" in said
    assert "may weigh 5 % off" in said
    text = answer.content.decode()
    assert 'name="scale" value="1000"' in text
    assert text.count(">Taken</button>") == 2


def test_taken_as_it_is_due(ben: Client) -> None:
    day = friday()
    answer = take(ben, day, 1000)
    assert answer.status_code == 302
    assert answer.headers["Location"] == f"{day.address()}#line-{str(day.line).replace('/', '-')}"
    said = words(ben.get(day.address()))
    assert f"Taken: 1 kg of lot {day.lot.public_id} for The Heron." in said
    assert "1 of 2 rows done" in said
    pick = Pick.objects.get()
    assert (pick.amount, pick.by, pick.at) == (1_000, BEN, NOW)
    day.line.shipment.refresh_from_db()
    assert day.line.shipment.state == "packed"


def test_a_double_tap_does_it_once(ben: Client) -> None:
    day = friday()
    assert [take(ben, day, 1000).status_code for _ in range(2)] == [302, 302]
    assert Pick.objects.count() == 1


def test_the_same_name_with_another_weight_is_told(ben: Client) -> None:
    day = friday()
    take(ben, day, 500)
    answer = take(ben, day, 400)
    assert answer.status_code == 422
    assert "This form was saved already." in words(answer)
    assert Pick.objects.count() == 1


def test_short_is_recorded_as_it_is_and_more_can_be_taken(ben: Client) -> None:
    day = friday()
    take(ben, day, "0.7 kg")
    said = words(ben.get(day.address()))
    assert "short by 300 g" in said
    assert "Take more of it" in said
    assert 'name="scale" value="300"' in ben.get(day.address()).content.decode()
    take(ben, day, 300, once="second")
    assert Line.objects.get(pk=day.line.pk).picked == 1_000
    assert "short by" not in words(ben.get(day.address()))


def test_heavy_within_the_tolerance_is_not_asked(ben: Client) -> None:
    day = friday()
    assert take(ben, day, 1050).status_code == 302


def test_heavy_beyond_it_is_asked_once_and_then_recorded(ben: Client) -> None:
    day = friday()
    answer = take(ben, day, 1200)
    assert answer.status_code == 422
    said = words(answer)
    assert f"Line {day.line} is due 1000 grams and would have 1200." in said
    assert "Yes, it is so: save it" in said
    assert 'value="1200"' in answer.content.decode()
    assert not Pick.objects.exists()
    assert take(ben, day, 1200, confirmed="on").status_code == 302
    assert Pick.objects.get().amount == 1_200


def test_whose_promise_a_heavy_pick_would_eat_is_seen_before_it_is_done(ben: Client) -> None:
    day = friday()
    packing.pick(
        str(day.other), lot=day.lot.public_id, amount=500, confirmed=True, by=BEN, now=NOW, today=FRIDAY
    )  # fmt: skip
    answer = take(ben, day, 19_000)
    assert f"1000 grams of it would come out of what was promised to {day.other}." in words(answer)


def test_the_empty_crate_comes_off(ben: Client) -> None:
    day = friday()
    assert ben.post(day.address("tare/"), {"tare": "120"}).status_code == 302
    text = ben.get(day.address()).content.decode()
    assert 'name="scale" value="1120"' in text
    assert "with the crate of 120 g" in text
    take(ben, day, 1120, tare="120")
    assert Pick.objects.get().amount == 1_000
    ben.post(day.address("tare/"), {"tare": ""})
    assert "Nothing comes off." in words(ben.get(day.address()))


def test_a_scale_that_shows_less_than_the_crate(ben: Client) -> None:
    day = friday()
    answer = take(ben, day, 100, tare="120")
    assert "The scale shows 100 g and the empty crate weighs 120 g: nothing would be left." in words(answer)
    assert ben.post(day.address("tare/"), {"tare": "a lot"}).status_code == 422


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("", "Weigh it and write what the scale shows."),
        ("some", "is no weight: write grams as 1980, or 1.98 kg."),
        ("-5", "is no weight"),
        ("1.5", "is no whole number of grams"),
        ("0", "0 g is out of bounds"),
    ],
)
def test_what_is_no_weight_is_told_beside_its_field(ben: Client, typed: str, sentence: str) -> None:
    day = friday()
    answer = take(ben, day, typed)
    assert answer.status_code == 422
    assert sentence in words(answer)
    assert not Pick.objects.exists()


# ---- Other lots -----------------------------------------------------------------------------------------------------


def test_another_lot_is_chosen_from_the_suitable_ones_the_oldest_first(ben: Client) -> None:
    day = friday()
    newer = a_fresh_lot(day.lot.strain, 3_000, best_before=FRIDAY + timedelta(days=9))
    older = a_fresh_lot(day.lot.strain, 3_000, harvested_on=THURSDAY - timedelta(days=1))
    a_fresh_lot(day.lot.strain, 3_000, grade="b")
    held = a_fresh_lot(day.lot.strain, 3_000)
    Hold.objects.create(lot=held, reason="smell", placed_at=NOW, placed_by=BEN)
    text = ben.get(day.address()).content.decode()
    select = text[text.index('name="other_lot"') :].partition("</select>")[0]
    offered = [part.partition('"')[0] for part in select.split('<option value="')[1:]]
    assert offered == ["", older.public_id, newer.public_id]
    take(ben, day, 1000, other_lot=older.public_id)
    assert Pick.objects.get().lot == older
    said = words(ben.get(day.address()))
    assert "taken from another lot" in said
    assert f"Taken from other lots: 1 kg from {older.public_id}" in said
    assert "1 of 2 rows done" in said


def test_what_a_kitchen_takes_instead_is_offered(ben: Client) -> None:
    day = friday()
    grey = a_strain("Grey oyster")
    lot = a_fresh_lot(grey, 3_000)
    assert lot.public_id not in ben.get(day.address()).content.decode()
    Substitute.objects.create(
        kitchen=Kitchen.objects.get(name="The Heron"), strain=day.lot.strain, grade="a", instead_strain=grey,
        instead_grade="a",
    )  # fmt: skip
    assert f"{lot.public_id}, Grey oyster, a" in ben.get(day.address()).content.decode()


def test_a_held_lot_is_refused_with_the_services_sentence(ben: Client) -> None:
    day = friday()
    Hold.objects.create(lot=day.lot, reason="smell", placed_at=NOW, placed_by=BEN)
    assert "on hold: choose another lot" in words(ben.get(day.address()))
    answer = take(ben, day, 1000)
    assert f"Lot {day.lot.public_id} is on hold: nothing is picked from it" in words(answer)
    assert not Pick.objects.exists()


def test_past_best_before_wants_a_reason_and_past_use_by_is_never_taken(ben: Client) -> None:
    day = friday()
    Lot.objects.filter(pk=day.lot.pk).update(best_before=THURSDAY)
    assert "past its date" in words(ben.get(day.address()))
    answer = take(ben, day, 1000)
    assert "is past its best-before date, Thursday 7 May 2026: to pick it all the same, say why." in words(answer)
    Lot.objects.filter(pk=day.lot.pk).update(hard_stop=True)
    answer = take(ben, day, 1000, reason="looks fine")
    assert "it is not picked, whoever asks" in words(answer)
    Lot.objects.filter(pk=day.lot.pk).update(hard_stop=False)
    assert take(ben, day, 1000, reason="the kitchen agreed").status_code == 302
    assert Pick.objects.get().reason == "the kitchen agreed"


def test_a_lot_of_something_else_is_refused_beside_its_field(ben: Client) -> None:
    day = friday()
    lot = a_fresh_lot(a_strain("Grey oyster"), 3_000)
    answer = take(ben, day, 1000, other_lot=lot.public_id)
    assert f"Lot {lot.public_id} holds Grey oyster, a; line {day.line} takes Pearl oyster, a" in words(answer)


def test_what_is_still_to_be_harvested_cannot_be_taken(ben: Client) -> None:
    a_farm()
    strain = a_strain()
    line = a_line(a_kitchen(), a_product(strain), 1_000)
    plan((line, None, 1_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    address = f"/packing/{PickList.objects.get().public_id}/"
    answer = ben.get(address)
    assert "Comes with the harvest of Fri 8 May." in words(answer)
    assert "1 to come" in words(answer)
    assert ">Taken</button>" not in answer.content.decode()
    refused = ben.post(f"{address}picks/", {"once": "a", "for_line": str(line), "lot": "", "scale": "1000"})
    assert refused.status_code == 422
    assert "it is taken once its harvest is written down" in words(refused)


# ---- Kits -----------------------------------------------------------------------------------------------------------


def test_kits_are_counted_and_may_be_named(ben: Client) -> None:
    a_farm()
    lot, line = kits_to_send(2)
    address = f"/packing/{PickList.objects.get().public_id}/"
    text = ben.get(address).content.decode()
    assert 'type="number" name="scale" value="2"' in text
    assert "start by" in text
    kit = Kit.objects.filter(lot=lot).order_by("-pk")[0]
    wrong = ben.post(f"{address}picks/", row(line, lot, 2, kit_numbers=kit.public_id))
    assert "2 kits were to be picked, and 1 of the numbers named are kits" in words(wrong)
    ben.post(f"{address}picks/", row(line, lot, 1, kit_numbers=kit.public_id.lower()))
    assert [each.public_id for each in Kit.objects.filter(line=line)] == [kit.public_id]
    ben.post(f"{address}picks/", row(line, lot, 1, once="second"))
    assert Kit.objects.filter(line=line).count() == 2
    assert "1 of 1 row done" in words(ben.get(address))


# ---- Scanning -------------------------------------------------------------------------------------------------------


def test_a_scanned_lot_jumps_to_its_row(ben: Client) -> None:
    day = friday()
    typed = day.lot.public_id.replace("-", "").lower()
    answer = ben.get(day.address(), {"scan": typed})
    key = f"row-{str(day.line).replace('/', '-')}-{day.lot.public_id}"
    assert answer.status_code == 302
    assert answer.headers["Location"] == f"{day.address()}?open={key}#{key}"
    text = ben.get(answer.headers["Location"]).content.decode()
    assert f'class="pick scanned" id="{key}"' in text
    assert "autofocus" in text[text.index(key) :]
    # What is done is passed over for what is not.
    take(ben, day, 1000)
    onward = ben.get(day.address(), {"scan": typed}).headers["Location"]
    assert str(day.other).replace("/", "-") in onward


def test_a_scanned_kit_opens_its_lots_row_with_its_number(ben: Client) -> None:
    a_farm()
    lot, _ = kits_to_send(2)
    kit = Kit.objects.filter(lot=lot)[1]
    address = f"/packing/{PickList.objects.get().public_id}/"
    answer = ben.get(address, {"scan": kit.public_id}, follow=True)
    text = answer.content.decode()
    assert f'name="kit_numbers" value="{kit.public_id}"' in text
    assert 'name="scale" value="1"' in text


def test_a_code_that_is_not_on_the_list_gets_a_sentence(ben: Client) -> None:
    day = friday()
    suits = a_fresh_lot(day.lot.strain, 3_000)
    stranger = a_fresh_lot(a_strain("Grey oyster"), 3_000)
    kit_lot, _ = kits_to_send()
    kit = Kit.objects.filter(lot=kit_lot)[0]
    for code, sentence in (
        ("4006381333931", "is no code of this farm: they look like K7Q2-M4XJ."),
        (suits.public_id, f"Lot {suits.public_id} is not on this list. It suits {day.line} (The Heron)"),
        (stranger.public_id, f"Nothing on this list comes from {stranger.public_id}"),
        (kit.public_id, f"Kit {kit.public_id} is of lot {kit_lot.public_id}, and nothing on this list"),
    ):
        answer = ben.get(day.address(), {"scan": code})
        assert answer.status_code == 200
        assert sentence in words(answer)


# ---- Undoing --------------------------------------------------------------------------------------------------------


def test_a_pick_is_undone_with_a_reason(ben: Client) -> None:
    day = friday()
    take(ben, day, 1000)
    pick = Pick.objects.get()
    answer = ben.post(day.address("undone/"), {"once": "u", "undone": pick.public_id, "reason": ""})
    assert answer.status_code == 422
    assert "Say why: undoing a pick needs a reason." in words(answer)
    for _ in range(2):
        answer = ben.post(day.address("undone/"), {"once": "u", "undone": pick.public_id, "reason": "wrong crate"})
        assert answer.status_code == 302
    assert Pick.objects.get(reverses=pick).reason == "wrong crate"
    assert Line.objects.get(pk=day.line.pk).picked == 0
    again = ben.post(day.address("undone/"), {"once": "v", "undone": pick.public_id, "reason": "once more"})
    assert again.status_code == 404
    assert "This pick was undone already." in words(again)


def test_what_has_left_is_not_undone(ben: Client) -> None:
    day = friday()
    take(ben, day, 1000)
    packing.close_round(day.list.round.public_id, by=BEN, now=NOW, today=FRIDAY)  # type: ignore[union-attr]
    answer = ben.post(day.address("undone/"), {"once": "u", "undone": Pick.objects.get().public_id, "reason": "late"})
    assert "what has left the farm never comes back into store" in words(answer)
    assert "This round has left." in words(ben.get(day.address()))


def test_what_has_left_takes_no_more(ben: Client) -> None:
    day = friday()
    take(ben, day, 600)
    packing.close_round(day.list.round.public_id, by=BEN, now=NOW, today=FRIDAY)  # type: ignore[union-attr]
    answer = take(ben, day, 400, once="second")
    assert f"Line {day.line} is already sent: nothing more can be picked for it." in words(answer)


# ---- In place -------------------------------------------------------------------------------------------------------


def test_with_a_script_the_line_alone_comes_back(ben: Client) -> None:
    day = friday()
    answer = ben.post(
        day.address("picks/"), row(day.line, day.lot, 1000), headers={"HX-Request": "true"}
    )  # fmt: skip
    text = answer.content.decode()
    assert answer.status_code == 200
    assert "<html" not in text
    assert text.count('class="line"') == 1
    assert 'id="progress" hx-swap-oob="true"' in text
    assert "1 of 2 rows done" in words(answer)
    assert f"Taken: 1 kg of lot {day.lot.public_id} for The Heron." in words(answer)
    refused = ben.post(
        day.address("picks/"), row(day.other, day.lot, 9000, once="second"), headers={"HX-Request": "true"}
    )  # fmt: skip
    assert refused.status_code == 422
    assert "<html" not in refused.content.decode()
    assert "Yes, it is so: save it" in words(refused)


def test_a_line_that_is_no_longer_on_the_list_is_told(ben: Client) -> None:
    day = friday()
    answer = ben.post(day.address("picks/"), row(day.line, day.lot, 1000, for_line="K7Q2-M4XJ/1"))
    assert answer.status_code == 404
    assert "Line K7Q2-M4XJ/1 is no longer on this list" in words(answer)


def test_a_list_that_is_not_there(ben: Client) -> None:
    a_farm()
    assert ben.get("/packing/K7Q2-M4XJ/").status_code == 404
    assert ben.get("/packing/nonsense/").status_code == 404


# ---- Who, and how much it costs -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "role", "status"),
    [("olive", "office", 200), ("ada", "grower", 403), ("eve", "", 403)],
)
def test_who_may_pack(name: str, role: str, status: int) -> None:
    day = friday()
    client = signed_in(name, role)
    for address in ("/packing/", "/packing/crates/", day.address(), day.address("paper/"), day.address("close/")):
        assert client.get(address).status_code == status, address
    allowed = client.post(day.address("picks/"), row(day.line, day.lot, 1000)).status_code
    assert allowed == (302 if status == 200 else 403)


def test_nobody_is_asked_to_sign_in(client: Client) -> None:
    day = friday()
    answer = client.post(day.address("picks/"), row(day.line, day.lot, 1000))
    assert answer.headers["Location"].startswith("/sign-in/")
    assert not Pick.objects.exists()


def test_a_longer_list_costs_no_more_statements(
    ben: Client, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    day = friday()
    counts = []
    for more in (0, 12):
        for number in range(more):
            line = a_line(a_kitchen(f"Kitchen {number}", postcode=str(30 + number)), day.line.product, 500)
            plan((line, day.lot, 500))
        packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
        for address in ("/packing/", day.address(), day.address("paper/")):
            with django_assert_max_num_queries(30) as seen:
                assert ben.get(address).status_code == 200
            counts.append(len(seen.captured_queries))
    assert counts[:3] == counts[3:]
