"""A frozen day comes short: the kitchen is offered a choice, and its answer is honoured once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from threading import Barrier

import pytest
from django.db import close_old_connections, connections

from fulfilment.core.allocation import Code
from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import (
    Allocation,
    Book,
    Event,
    Farm,
    Kitchen,
    Line,
    Mail,
    Order,
    PickRow,
    Product,
    Promise,
    PromisePart,
    Shipment,
    ShortageOffer,
    Strain,
    Substitute,
)
from fulfilment.read import shortages as reading
from fulfilment.services import freezing, holds, ordering, packing, planning, shortages, stock
from tests.builders.kitchens import (
    FRIDAY,
    NOW,
    THURSDAY,
    a_buyer,
    a_farm,
    a_fresh_lot,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
)
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db

CUT_OFF = NOW - timedelta(hours=18)
"""Thursday, 13:00 on the farm's clock; the kitchens can be told until 16:00."""
TELL_ME_BY = CUT_OFF + timedelta(hours=3)
SOON = CUT_OFF + timedelta(minutes=20)
MONDAY = FRIDAY + timedelta(days=3)
ON = FRIDAY.isoformat()
CLEO = "kitchen:cleo"


@pytest.fixture
def strain() -> Strain:
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    return a_strain()


@pytest.fixture
def product(strain: Strain) -> Product:
    return a_product(strain)


@pytest.fixture
def kitchen() -> Kitchen:
    return a_kitchen()


@pytest.fixture
def short(strain: Strain, product: Product, kitchen: Kitchen) -> Line:
    """Cleo was promised 2 kg; 1.5 kg will come, and she has been told."""
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    return line


def offer_of(line: Line) -> ShortageOffer:
    return ShortageOffer.objects.get(line=line)


def seen(line: Line, *, now: datetime = SOON) -> reading.Offer:
    (found,) = [each for each in reading.open_offers(None, now=now) if each.line == str(line)]
    return found


def choices(line: Line) -> list[str]:
    return [way.choice for way in seen(line).ways]


def answer(line: Line, choice: str, *, now: datetime = SOON, **more: object) -> ShortageOffer:
    return shortages.answer(offer_of(line).public_id, choice=choice, by=CLEO, now=now, **more)  # type: ignore[arg-type]  # test data


def pink_instead(kitchen: Kitchen, strain: Strain, *, pack: int = 250) -> Product:
    """Pink oysters, which Cleo takes instead."""
    pink = a_strain("Pink oyster", tender=True)
    Substitute.objects.create(
        kitchen=kitchen, strain=strain, grade="a", instead_strain=pink, instead_grade="a", position=1
    )
    made = a_product(pink)
    Product.objects.filter(pk=made.pk).update(pack=pack, name="Pink oyster")
    made.refresh_from_db()
    return made


# ---- What is offered ------------------------------------------------------------------------------------------------


def test_who_is_told_of_a_shortage_is_offered_a_choice_in_the_same_breath(short: Line, kitchen: Kitchen) -> None:
    made = offer_of(short)
    assert (made.promise_id, made.comes, made.told_at, made.closes_at) == (short.promise_id, 1_500, CUT_OFF, TELL_ME_BY)
    told = Mail.objects.get(kind="shortage")
    assert told.subject["offers"] == {"1": made.public_id}
    assert told.subject["reasons"] == {"1": "harvest_short"}
    (found,) = reading.open_offers(kitchen.pk, now=SOON)
    assert (found.ordered, found.promised, found.comes, found.missing) == (2_000, 2_000, 1_500, 500)
    assert (found.code, found.line, found.on, found.open_until) == (made.public_id, str(short), FRIDAY, TELL_ME_BY)
    assert found.says == "Less was harvested than we expected when we promised it."
    assert [(way.choice, way.amount, way.says) for way in found.ways] == [
        ("take_less", 1_500, "1.5 kg of Pearl oyster, a will come on Friday 8 May 2026, and nothing for the rest."),
        ("drop", 0, "Nothing of Pearl oyster, a will come on Friday 8 May 2026."),
    ]


def test_an_offer_is_made_once_a_promise(short: Line) -> None:
    freezing.freeze(ON, now=SOON)
    freezing.follow_plan(now=SOON)
    assert ShortageOffer.objects.count() == 1


def test_the_kitchen_s_own_time_closes_an_offer(short: Line) -> None:
    assert reading.open_offers(None, now=TELL_ME_BY - timedelta(seconds=1))
    assert reading.open_offers(None, now=TELL_ME_BY) == ()


@pytest.mark.parametrize("tell_me_by", ["11:00", "13:59"])
def test_told_too_late_for_that_time_it_is_open_until_it_is_packed(
    strain: Strain, product: Product, tell_me_by: str
) -> None:
    """13:00 on the farm's clock: past, or with less than an hour to answer in."""
    lot = a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(a_kitchen(tell_me_by=tell_me_by), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    assert seen(line, now=NOW).open_until is None
    packing.pick(str(line), lot=lot.public_id, amount=500, by=BEN, now=NOW, today=FRIDAY)
    assert reading.open_offers(None, now=NOW) == ()
    with pytest.raises(Conflict, match="is packed already, so it comes as it is") as told:
        answer(line, "take_less", now=NOW)
    assert told.value.reason_code == "already_packed"


def test_a_buyer_s_kits_are_staff_s_to_settle(strain: Strain) -> None:
    a_line(a_buyer(), a_product(strain, grade="kit"), 1)
    freezing.freeze(ON, now=CUT_OFF)
    assert Mail.objects.filter(kind="shortage").count() == 1
    assert not ShortageOffer.objects.exists()


def test_what_was_packed_light_is_told_and_offers_nothing(strain: Strain, product: Product) -> None:
    lot = a_fresh_lot(strain, 2_000, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(a_kitchen(), product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    packing.pick(str(line), lot=lot.public_id, amount=500, by=BEN, now=SOON, today=THURSDAY)
    stock.waste(lot.public_id, quantity=1_500, reason="wet", by=BEN, now=SOON, today=THURSDAY)
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    assert freezing.follow_plan(now=SOON) == 1
    assert not ShortageOffer.objects.exists()


def test_a_reason_names_nobody_else(strain: Strain, product: Product, kitchen: Kitchen) -> None:
    """The Gull was promised before, and is served before; Cleo reads nothing of it."""
    a_fresh_lot(strain, 2_000, harvested_on=THURSDAY - timedelta(days=1))
    a_line(a_kitchen("The Gull", tier=1), product, 2_000)
    line = a_line(kitchen, product, 1_000)
    freezing.freeze(ON, now=CUT_OFF)
    found = seen(line)
    assert (found.comes, found.reason) == (0, "harvest_short")
    for text in (found.says, *(way.says for way in found.ways)):
        assert "Gull" not in text
        assert "2 kg" not in text
        assert "tier" not in text.lower()
    assert choices(line) == ["drop"], "nothing comes, so there is no less to take"


def test_what_was_set_aside_and_is_held_has_its_reason(strain: Strain, product: Product, kitchen: Kitchen) -> None:
    """What is looked into is the farm's to say, not the notice's: the chef reads that part of it cannot be sent."""
    a_fresh_lot(strain, 1_000, harvested_on=THURSDAY - timedelta(days=1))
    lot = a_fresh_lot(strain, 1_000, harvested_on=THURSDAY - timedelta(days=2))
    line = a_line(kitchen, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    holds.hold("lot", lot.public_id, reason="smells of beer", by=BEN, now=SOON)
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    freezing.follow_plan(now=SOON)
    found = seen(line)
    assert (found.reason, found.says) == ("taken_out", "Part of what was set aside for you cannot be sent.")
    assert found.comes == 1_000


def test_every_reason_a_plan_can_give_is_one_of_ours() -> None:
    for code in Code:
        assert reading.reason_of(Line(account={"code": str(code)})) in reading.REASONS


# ---- The next date and the substitute -------------------------------------------------------------------------------


def test_the_next_date_is_the_first_on_which_all_that_is_missing_can_be_promised(short: Line) -> None:
    planning.publish(today=THURSDAY, now=CUT_OFF)
    way = seen(short).way("next_date")
    assert way is not None
    assert (way.on, way.amount, way.product) == (MONDAY, 500, short.product.public_id)
    assert way.chance is not None
    assert way.chance >= 90, "as surely as this kitchen asks"
    assert way.says.startswith("1.5 kg of Pearl oyster, a will come on Friday 8 May 2026, and 500 g on Monday 11 May")


def test_a_date_on_which_this_kitchen_takes_nothing_is_none(short: Line) -> None:
    planning.publish(today=THURSDAY, now=CUT_OFF)
    Kitchen.objects.update(delivery_weekdays=[1, 4])
    way = seen(short).way("next_date")
    assert way is None or way.on.weekday() in (1, 4)
    Kitchen.objects.update(delivery_weekdays=[3])
    assert "next_date" not in choices(short), "the next Thursday that is still known is too far for the forecast"


def test_a_substitute_is_offered_with_what_can_be_had_of_it_now(
    strain: Strain, product: Product, kitchen: Kitchen
) -> None:
    """A pack of pearl is 500 g, so the plan could not use the 250 g of pink that are there."""
    pink = pink_instead(kitchen, strain)
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    way = seen(line).way("substitute")
    assert way is not None
    assert (way.product, way.amount, way.on) == (pink.public_id, 250, FRIDAY)
    assert way.says.endswith("and 250 g of Pink oyster with it.")


def test_what_the_plan_gives_to_others_is_no_substitute(strain: Strain, product: Product, kitchen: Kitchen) -> None:
    pink = pink_instead(kitchen, strain)
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    a_line(a_kitchen("The Gull"), pink, 250, promised=0)
    freezing.freeze(ON, now=CUT_OFF)
    assert "substitute" not in choices(line), "promised to nobody, but shared out"


def test_what_this_kitchen_does_not_accept_is_not_offered(strain: Strain, product: Product, kitchen: Kitchen) -> None:
    pink = pink_instead(a_kitchen("The Gull"), strain)
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    assert choices(line) == ["take_less", "drop"]


# ---- The answer -----------------------------------------------------------------------------------------------------


def test_taking_less_lowers_the_line_to_what_comes_and_moves_nothing(short: Line) -> None:
    before = list(Allocation.objects.values("line", "lot", "amount"))
    ranks = set(PromisePart.objects.filter(promise=short.promise_id).values_list("rank", flat=True))
    made = answer(short, "take_less")
    assert (made.answer, made.answered_at, made.answered_by, made.order) == ("take_less", SOON, CLEO, None)
    line = Line.objects.get()
    assert (line.ordered, line.promised, line.allocated, line.cancelled_at) == (1_500, 1_500, 1_500, None)
    assert list(Allocation.objects.values("line", "lot", "amount")) == before
    assert set(PromisePart.objects.filter(promise=line.promise_id).values_list("rank", flat=True)) == ranks
    changed = Event.objects.get(kind="line_changed")
    assert (changed.by, changed.data["because"], changed.data["answers"]) == (CLEO, "", made.public_id)
    answered = Event.objects.get(kind="shortage_answered")
    assert (answered.by, answered.data["answer"], answered.data["comes"]) == (CLEO, "take_less", 1_500)
    assert reading.open_offers(None, now=SOON) == ()
    freezing.freeze(ON, now=SOON)
    assert [row.amount for row in PickRow.objects.all()] == [1_500]
    assert Mail.objects.filter(kind="shortage").count() == 1, "what was agreed is no shortage"


def test_if_still_less_comes_than_was_agreed_it_is_told_and_offered_anew(short: Line) -> None:
    lot = Allocation.objects.get().lot
    assert lot is not None
    first = answer(short, "take_less")
    stock.waste(lot.public_id, quantity=500, reason="wet", by=BEN, now=SOON, today=THURSDAY)
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    assert freezing.follow_plan(now=SOON) == 1
    (again,) = reading.open_offers(None, now=SOON)
    assert (again.promised, again.comes) == (1_500, 1_000)
    assert again.code != first.public_id
    shortages.answer(again.code, choice="take_less", by=CLEO, now=SOON)
    assert Line.objects.get().ordered == 1_000


def test_what_was_ordered_and_never_promised_is_not_missing(strain: Strain, product: Product, kitchen: Kitchen) -> None:
    """It was said when the order was placed."""
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 3_000, promised=2_000)
    freezing.freeze(ON, now=CUT_OFF)
    assert (seen(line).comes, seen(line).missing) == (1_500, 500)
    planning.publish(today=THURSDAY, now=CUT_OFF)
    made = answer(line, "next_date")
    assert made.order is not None
    assert made.order.lines.get().ordered == 500


def test_a_promise_in_two_goods_is_lowered_where_it_came_short(
    strain: Strain, product: Product, kitchen: Kitchen
) -> None:
    """1 kg of pearl and 1 kg of pink were promised, and half of the pearl is gone: the pink stays promised."""
    pink = pink_instead(kitchen, strain)
    a_fresh_lot(strain, 500, harvested_on=THURSDAY - timedelta(days=1))
    a_fresh_lot(pink.strain, 1_000, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    two = Promise.objects.create(
        line=line, number=2, status="full", wanted=2_000, amount=2_000, asked_pct=90, chance_pct=95, at=NOW, by=ADA
    )
    rank = PromisePart.objects.get(promise=line.promise_id).rank
    for of in (strain, pink.strain):
        PromisePart.objects.create(
            promise=two, book=Book.objects.get(strain=of, grade="a"), amount=1_000, first_on=FRIDAY - timedelta(days=3),
            last_on=FRIDAY, rank=rank,
        )  # fmt: skip
    Line.objects.filter(pk=line.pk).update(promise=two)
    freezing.freeze(ON, now=CUT_OFF)
    answer(line, "take_less")
    line.refresh_from_db()
    parts = PromisePart.objects.filter(promise=line.promise_id).order_by("book")
    assert [(part.book.strain, part.amount) for part in parts] == [(strain, 500), (pink.strain, 1_000)]


def test_what_comes_need_not_be_whole_packs(strain: Strain, product: Product, short: Line) -> None:
    lot = Allocation.objects.get().lot
    assert lot is not None
    stock.waste(lot.public_id, quantity=120, reason="wet", by=BEN, now=SOON, today=THURSDAY)
    Line.objects.update(allocated=1_380)
    Allocation.objects.update(amount=1_380)
    answer(short, "take_less")
    assert Line.objects.get().ordered == 1_380


def test_dropping_cancels_the_line_and_with_the_last_its_order(short: Line) -> None:
    answer(short, "drop")
    line = Line.objects.get()
    assert (line.cancelled_at, line.allocated) == (SOON, 0)
    assert Order.objects.get().cancelled_at == SOON
    assert Shipment.objects.get().state == "cancelled"
    assert Event.objects.get(kind="line_dropped").data["answers"] == offer_of(short).public_id


def test_the_rest_on_the_next_date_is_an_order_of_its_own(short: Line, kitchen: Kitchen) -> None:
    planning.publish(today=THURSDAY, now=CUT_OFF)
    made = answer(short, "next_date", on=MONDAY)
    assert Line.objects.get(pk=short.pk).ordered == 1_500
    placed = made.order
    assert placed is not None
    line = placed.lines.get()
    assert (placed.kitchen, placed.on, line.ordered, line.promised) == (kitchen, MONDAY, 500, 500)
    assert line.shipment.address_id == short.shipment.address_id
    event = Event.objects.get(kind="order_placed")
    assert (event.data["answers"], event.data["because"]) == (made.public_id, "")
    assert Mail.objects.filter(kind="order_received", kitchen=kitchen).count() == 1


def test_a_date_that_is_no_longer_the_one_shown_is_asked_again(short: Line) -> None:
    planning.publish(today=THURSDAY, now=CUT_OFF)
    with pytest.raises(Conflict, match="is now Monday 11 May 2026, no longer Tuesday 12 May 2026") as told:
        answer(short, "next_date", on=MONDAY + timedelta(days=1))
    assert told.value.reason_code == "other_date"
    assert Order.objects.count() == 1


def test_the_substitute_comes_on_the_same_day_though_it_is_frozen(
    strain: Strain, product: Product, kitchen: Kitchen
) -> None:
    pink = pink_instead(kitchen, strain)
    a_fresh_lot(strain, 1_500, harvested_on=THURSDAY - timedelta(days=1))
    lot = a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 2_000)
    freezing.freeze(ON, now=CUT_OFF)
    made = answer(line, "substitute", product=pink.public_id)
    assert made.order is not None
    instead = made.order.lines.get()
    assert (instead.product, instead.ordered, instead.promised) == (pink, 250, 250)
    assert instead.shipment_id == line.shipment_id
    assert Line.objects.get(pk=line.pk).ordered == 1_500
    freezing.freeze(ON, now=SOON)
    assert {(row.line_id, row.lot_id, row.amount) for row in PickRow.objects.filter(line=instead)} == {
        (instead.pk, lot.pk, 250)
    }
    assert Mail.objects.filter(kind="shortage").count() == 1


def test_where_nothing_comes_the_substitute_takes_the_line_s_place(
    strain: Strain, product: Product, kitchen: Kitchen
) -> None:
    pink = pink_instead(kitchen, strain)
    a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    line = a_line(kitchen, product, 500)
    freezing.freeze(ON, now=CUT_OFF)
    assert choices(line) == ["substitute", "drop"]
    made = answer(line, "substitute")
    line.refresh_from_db()
    assert line.cancelled_at == SOON
    assert made.order is not None
    assert made.order.lines.get().shipment_id == line.shipment_id
    assert Shipment.objects.get().state == "placed", "the delivery goes on with what comes instead"


def test_said_twice_it_is_done_once(short: Line) -> None:
    first = answer(short, "take_less")
    again = answer(short, "take_less", now=SOON + timedelta(minutes=1))
    assert (again.pk, again.answered_at) == (first.pk, SOON)
    assert Event.objects.filter(kind="shortage_answered").count() == 1
    assert Promise.objects.count() == 2


def test_a_second_answer_that_is_another_is_refused(short: Line) -> None:
    answer(short, "take_less")
    with pytest.raises(Conflict, match=r"This was answered already: you take less, and nothing") as told:
        answer(short, "drop")
    assert (told.value.reason_code, told.value.where) == ("already_answered", "choice")
    assert Line.objects.get().cancelled_at is None


def test_after_its_time_an_answer_is_too_late(short: Line) -> None:
    with pytest.raises(Conflict, match=r"was over on Thursday 7 May 2026 at 16:00: 1\.5 kg") as told:
        answer(short, "drop", now=TELL_ME_BY)
    assert told.value.reason_code == "too_late"
    assert Line.objects.get().ordered == 2_000, "unanswered, what comes is sent"


def test_what_comes_in_full_after_all_closes_its_offer(strain: Strain, short: Line) -> None:
    a_fresh_lot(strain, 500, harvested_on=THURSDAY - timedelta(days=1))
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    with pytest.raises(Conflict, match="comes in full after all: 2 kg on Friday 8 May 2026"):
        answer(short, "take_less")
    freezing.follow_plan(now=SOON)
    assert offer_of(short).filled_at == SOON
    event = Event.objects.get(kind="shortage_filled")
    assert (event.subject, event.data["comes"]) == (short.order.public_id, 2_000)
    freezing.follow_plan(now=SOON)
    assert Event.objects.filter(kind="shortage_filled").count() == 1


def test_short_again_it_is_open_again(strain: Strain, short: Line) -> None:
    lot = a_fresh_lot(strain, 500, harvested_on=THURSDAY - timedelta(days=1))
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    freezing.follow_plan(now=SOON)
    stock.waste(lot.public_id, quantity=500, reason="wet", by=BEN, now=SOON, today=THURSDAY)
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    freezing.follow_plan(now=SOON)
    assert seen(short).comes == 1_500
    assert answer(short, "take_less").filled_at is None


def test_an_offer_shows_what_comes_now(strain: Strain, short: Line) -> None:
    lot = Allocation.objects.get().lot
    assert lot is not None
    stock.waste(lot.public_id, quantity=500, reason="wet", by=BEN, now=SOON, today=THURSDAY)
    planning.allot(today=THURSDAY, now=SOON, cause="test")
    assert (seen(short).comes, offer_of(short).comes) == (1_000, 1_500)
    answer(short, "take_less")
    assert Line.objects.get().ordered == 1_000


def test_an_order_that_staff_changed_meanwhile_is_looked_at_again(short: Line) -> None:
    ordering.change_line(short.order.public_id, number=1, to=1_000, because="the chef rang", by=ADA, now=SOON)
    assert reading.open_offers(None, now=SOON) == ()
    with pytest.raises(Conflict, match="was changed since you were told") as told:
        answer(short, "take_less")
    assert told.value.reason_code == "changed_since"


def test_what_cannot_be_had_cannot_be_chosen(short: Line) -> None:
    with pytest.raises(Conflict, match="choose one of take_less, drop") as told:
        answer(short, "substitute")
    assert told.value.reason_code == "not_to_be_had"
    with pytest.raises(Invalid, match="must be one of"):
        answer(short, "shrug")


def test_another_kitchen_s_offer_is_not_there(short: Line, kitchen: Kitchen) -> None:
    eve = a_kitchen("Eve's")
    made = offer_of(short)
    with pytest.raises(Missing, match=f"There is no shortage offer {made.public_id}"):
        answer(short, "drop", kitchen=eve.public_id)
    assert reading.open_offers(eve.pk, now=SOON) == ()
    answer(short, "take_less", kitchen=kitchen.public_id)


def test_the_offers_of_many_lines_take_as_many_statements_as_that_of_one(
    strain: Strain, product: Product, django_assert_max_num_queries: Callable[..., object]
) -> None:
    lines = [a_line(a_kitchen(f"Kitchen {n}"), product, 1_000) for n in range(6)]
    freezing.freeze(ON, now=CUT_OFF)
    assert len(lines) == 6
    with django_assert_max_num_queries(20):  # type: ignore[attr-defined]  # a context
        assert len(reading.open_offers(None, now=SOON)) == 6


# ---- At once --------------------------------------------------------------------------------------------------------


def at_once(*what: Callable[[], object]) -> list[object]:
    """All of these at the same time: what each returned or raised."""
    together = Barrier(len(what))

    def one(each: Callable[[], object]) -> object:
        try:
            together.wait(timeout=20)
            return each()
        except Conflict as problem:
            return problem
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(what)) as pool:
        found = list(pool.map(one, what))
    close_old_connections()
    return found


@pytest.mark.django_db(transaction=True)
def test_two_different_answers_at_once_are_one_answer(short: Line) -> None:
    first, second = at_once(lambda: answer(short, "take_less"), lambda: answer(short, "drop"))
    kept = [each for each in (first, second) if isinstance(each, ShortageOffer)]
    refused = [each for each in (first, second) if isinstance(each, Conflict)]
    assert (len(kept), len(refused)) == (1, 1)
    assert refused[0].reason_code == "already_answered"
    line = Line.objects.get()
    assert (line.cancelled_at is None) is (kept[0].answer == "take_less")
    assert Event.objects.filter(kind="shortage_answered").count() == 1


@pytest.mark.django_db(transaction=True)
def test_the_same_answer_many_times_at_once_places_one_order(short: Line) -> None:
    planning.publish(today=THURSDAY, now=CUT_OFF)
    found = at_once(*[partial(answer, short, "next_date")] * 6)
    assert {each.pk for each in found if isinstance(each, ShortageOffer)} == {offer_of(short).pk}
    assert len(found) == 6
    assert Order.objects.count() == 2
    assert Line.objects.get(pk=short.pk).ordered == 1_500


@pytest.mark.django_db(transaction=True)
def test_answers_and_cancellations_at_once_wait_for_each_other(strain: Strain, product: Product) -> None:
    """Both take the books first and the order after them; the other way round they would wait for ever."""
    lines = [a_line(a_kitchen(f"Kitchen {n}"), product, 1_000) for n in range(6)]
    a_fresh_lot(strain, 3_000, harvested_on=THURSDAY - timedelta(days=1))
    freezing.freeze(ON, now=CUT_OFF)
    short = [line for line in lines if ShortageOffer.objects.filter(line=line).exists()]
    assert len(short) == 3

    def cancel(line: Line) -> object:
        return ordering.cancel(line.order.public_id, because="the chef rang", by=ADA, now=SOON)

    def change(line: Line) -> object:
        return ordering.change_line(line.order.public_id, number=1, to=500, because="rang", by=ADA, now=SOON)

    for line in lines:
        others = [partial(answer, line, "drop")] * 2 if line in short else []
        at_once(partial(cancel, line), *[partial(change, line)] * 4, *others)
    assert Line.objects.filter(cancelled_at=SOON).count() == 6


@pytest.mark.django_db(transaction=True)
def test_an_answer_and_a_pick_at_once_wait_for_each_other(short: Line) -> None:
    """Whoever is first: Ben's pick closes the offer, or Cleo's answer leaves him nothing to pick for."""
    lot = Allocation.objects.get().lot
    assert lot is not None
    code = lot.public_id
    at_once(
        lambda: answer(short, "drop"),
        lambda: packing.pick(str(short), lot=code, amount=1_500, by=BEN, now=SOON, today=THURSDAY),
    )
    line = Line.objects.get()
    assert (line.cancelled_at is None) is (line.picked == 1_500)


@pytest.mark.django_db(transaction=True)
def test_two_kitchens_that_want_the_last_of_a_substitute(strain: Strain, product: Product) -> None:
    heron, gull = a_kitchen(), a_kitchen("The Gull")
    pink = pink_instead(heron, strain)
    Substitute.objects.create(kitchen=gull, strain=strain, grade="a", instead_strain=pink.strain, instead_grade="a")
    a_fresh_lot(pink.strain, 250, harvested_on=THURSDAY - timedelta(days=1))
    lines = [a_line(heron, product, 500), a_line(gull, product, 500)]
    freezing.freeze(ON, now=CUT_OFF)
    assert [choices(line) for line in lines] == [["substitute", "drop"]] * 2
    found = at_once(*[partial(answer, line, "substitute") for line in lines])
    assert sorted(type(each).__name__ for each in found) == ["Conflict", "ShortageOffer"]
    assert sum(Line.objects.filter(product=pink).values_list("promised", flat=True)) == 250
