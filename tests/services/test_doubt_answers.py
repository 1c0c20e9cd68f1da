"""Cleo answers that a promise has become less sure: one press, honoured with the rank of what stays."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fulfilment.core.problems import Conflict, Invalid, Missing
from fulfilment.models import (
    Allocation,
    Book,
    Doubt,
    Event,
    Farm,
    Line,
    Lot,
    Mail,
    Order,
    Product,
    Promise,
    PromisePart,
    Shipment,
    StandingOrder,
)
from fulfilment.read import doubts as reading
from fulfilment.read.orders.telling import event_in_words
from fulfilment.read.today import morning
from fulfilment.services import doubts, freezing, holds, jobs, mails, ordering
from tests.builders.doubts import CUT_OFF, NOON, TUESDAY, a_doubtful_line, plan
from tests.builders.kitchens import FRIDAY, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db

CLEO = "kitchen:cleo"
SOON = NOON + timedelta(minutes=20)


def doubt_of(line: Line) -> Doubt:
    return Doubt.objects.get(line=line)


def answer(line: Line, choice: str, **more: object) -> Doubt:
    return doubts.answer(doubt_of(line).public_id, choice=choice, by=CLEO, now=SOON, **more)  # type: ignore[arg-type]


def ranks(line: Line) -> set[int]:
    return set(PromisePart.objects.filter(promise=line.promise_id).values_list("rank", flat=True))


# ---- The ways -------------------------------------------------------------------------------------------------------


def test_what_can_be_chosen_and_what_each_would_mean() -> None:
    line = a_doubtful_line()
    assert line.order.kitchen is not None
    (seen,) = reading.of_kitchen(line.order.kitchen.pk, now=SOON)
    stays = "1.5 kg of Pearl oyster, a stays ordered for Friday 8 May 2026"
    assert (seen.ordered, seen.promised, seen.sure, seen.missing) == (2_000, 2_000, 1_500, 500)
    assert {way.choice: way.says for way in seen.ways} == {
        "keep": "All 2 kg of Pearl oyster, a stays ordered for Friday 8 May 2026. We write once more when it is sure "
        "again, or if it really comes short.",
        "take_less": f"{stays}, and nothing for the rest.",
        "substitute": f"{stays}, and 250 g of Pink oyster with it.",
        "drop": "Nothing of Pearl oyster, a is ordered for Friday 8 May 2026 any more.",
    }
    assert seen.open_until == CUT_OFF


def test_of_two_goods_that_stays_which_is_sure_and_not_what_was_named_first() -> None:
    """1 kg of pearl and 250 g of pink were promised, and all the pearl is held: the pink stays promised."""
    line = a_doubtful_line()
    two = Promise.objects.create(
        line=line, number=2, status="full", wanted=1_250, amount=1_250, asked_pct=90, chance_pct=95, at=NOON, by=ADA
    )
    rank = PromisePart.objects.get(promise=line.promise_id).rank
    pearl, pink = (Book.objects.get(strain__name=name, grade="a") for name in ("Pearl oyster", "Pink oyster"))
    for book, grams in ((pearl, 1_000), (pink, 250)):
        PromisePart.objects.create(
            promise=two, book=book, amount=grams, first_on=TUESDAY, last_on=FRIDAY, rank=rank
        )  # fmt: skip
    Product.objects.filter(pk=line.product_id).update(pack=250)
    Line.objects.filter(pk=line.pk).update(promise=two, promised=1_250, ordered=1_250)
    for lot in Lot.objects.filter(strain=pearl.strain, allocations__isnull=False).distinct():
        holds.hold("lot", lot.public_id, reason="smells of beer", by=BEN, now=NOON)
    plan(NOON)
    made = answer(line, "take_less")
    line.refresh_from_db()
    assert (made.answer, line.ordered, line.promised) == ("take_less", 250, 250)
    assert [(part.book, part.amount) for part in PromisePart.objects.filter(promise=line.promise_id)] == [(pink, 250)]
    assert (line.promise.chance_pct if line.promise else 0) == 100


# ---- Each answer ----------------------------------------------------------------------------------------------------


def test_keeping_leaves_the_line_and_asks_no_more() -> None:
    line = a_doubtful_line()
    before = Line.objects.values().get()
    made = answer(line, "keep")
    assert (made.answer, made.answered_at, made.answered_by, made.order) == ("keep", SOON, CLEO, None)
    assert Line.objects.values().get() == before
    assert Event.objects.get(kind="doubt_answered").data == {
        "doubt": made.public_id, "line": 1, "answer": "keep", "ordered": 2_000, "promised": 2_000, "sure": 1_500,
        "on": "2026-05-08", "amount": 2_000, "order": "",
    }  # fmt: skip
    plan(SOON)
    assert Doubt.objects.count() == 1, "it is the same doubt, and known"
    assert not reading.answerable_rows(now=SOON).exists()
    assert line.order.kitchen is not None
    (seen,) = reading.of_kitchen(line.order.kitchen.pk, now=SOON)
    assert (seen.kept, seen.ways) == (True, ())
    (risk,) = [risk.sentence for risk in morning(today=TUESDAY, now=SOON).risks if "stands at" in risk.sentence] or [""]
    assert risk == "" or risk.endswith("The kitchen answered on Tue 5 May, 12:20: it keeps it as it is.")


def test_who_kept_it_is_told_when_it_is_sure_again() -> None:
    line = a_doubtful_line()
    answer(line, "keep")
    held = Event.objects.get(kind="held").subject
    holds.release(held, by=BEN, now=SOON)
    plan(SOON)
    assert doubt_of(line).sure_at == SOON
    assert Mail.objects.get(kind="promise_sure_again").state == "planned", "though the first mail never went"


def test_taking_what_is_sure_lowers_the_line_with_its_rank_and_closes_the_doubt() -> None:
    line = a_doubtful_line()
    before = ranks(line)
    jobs_before = jobs.waits("replan")
    made = answer(line, "take_less")
    line.refresh_from_db()
    assert (line.ordered, line.promised, line.chance_pct, ranks(line)) == (1_500, 1_500, 100, before)
    assert line.promise is not None
    assert (line.promise.status, line.promise.chance_pct) == ("full", 100), "as sure as the books have it"
    changed = Event.objects.get(kind="line_changed")
    assert (changed.by, changed.data["because"], changed.data["answers"]) == (CLEO, "", made.public_id)
    assert (jobs_before, jobs.waits("replan")) == (False, True)
    plan(SOON)
    assert Doubt.objects.count() == 1, "what is sure is not doubted"
    assert not Mail.objects.filter(kind="promise_sure_again").exists(), "who has answered knows"
    assert not Allocation.objects.exclude(line=line).exists()


def test_if_that_becomes_doubtful_too_it_is_told_anew() -> None:
    line = a_doubtful_line()
    answer(line, "take_less")
    plan(SOON)
    lot = Allocation.objects.get().lot
    assert lot is not None
    holds.hold("lot", lot.public_id, reason="wet", by=BEN, now=SOON)
    plan(SOON)
    second = Doubt.objects.exclude(answer="take_less").get()
    assert (second.line, second.sure, second.answer) == (line, 0, "")


def test_the_substitute_comes_with_it_on_the_same_day() -> None:
    line = a_doubtful_line()
    made = answer(line, "substitute")
    line.refresh_from_db()
    assert (line.ordered, line.promised) == (1_500, 1_500)
    assert made.order is not None
    instead = made.order.lines.get()
    assert (instead.product.name, instead.ordered, instead.promised) == ("Pink oyster", 250, 250)
    assert instead.shipment_id == line.shipment_id
    assert max(ranks(instead)) > max(ranks(line)), "what is new ranks behind"
    assert Event.objects.get(kind="order_placed").data["answers"] == made.public_id


def test_the_rest_on_the_next_date_that_can_be_full() -> None:
    """What was promised for Wednesday lay in store; the crops that gave it go on."""
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    strain, kitchen = a_strain(), a_kitchen()
    lots = [a_fresh_lot(strain, grams, harvested_on=TUESDAY) for grams in (20_000, 7_000)]
    early = NOON - timedelta(hours=1)
    line = a_line(kitchen, a_product(strain), 27_000, on=TUESDAY + timedelta(days=1))
    Shipment.objects.update(cut_off_at=NOON + timedelta(hours=2))
    holds.hold("lot", lots[1].public_id, reason="smells of beer", by=BEN, now=early)
    plan(early)
    (seen,) = reading.of_kitchen(kitchen.pk, now=SOON)
    way = seen.way("next_date")
    assert way is not None
    with pytest.raises(Conflict) as told:
        answer(line, "next_date", on=way.on + timedelta(days=1))
    assert told.value.reason_code == "other_date"
    assert Order.objects.count() == 1, "nothing half-written"
    made = answer(line, "next_date", on=way.on)
    line.refresh_from_db()
    assert (line.ordered, line.promised) == (seen.sure, seen.sure)
    assert made.order is not None
    placed = made.order.lines.get()
    assert (made.order.on, placed.ordered, placed.promised) == (way.on, way.amount, way.amount)
    assert way.amount == seen.promised - seen.sure


def test_dropping_takes_the_line_off_and_with_the_last_its_order() -> None:
    line = a_doubtful_line()
    made = answer(line, "drop")
    line.refresh_from_db()
    assert (line.cancelled_at, Order.objects.get().cancelled_at, Shipment.objects.get().state) == (
        SOON, SOON, "cancelled",
    )  # fmt: skip
    assert Event.objects.get(kind="line_dropped").data["answers"] == made.public_id
    plan(SOON)
    assert Doubt.objects.count() == 1


def test_where_nothing_is_sure_there_is_nothing_less_to_take() -> None:
    line = a_doubtful_line(sure_g=0)
    assert line.order.kitchen is not None
    (seen,) = reading.of_kitchen(line.order.kitchen.pk, now=SOON)
    assert [way.choice for way in seen.ways] == ["keep", "substitute", "drop"]
    assert seen.ways[1].says == (
        "Nothing of Pearl oyster, a is ordered for Friday 8 May 2026 any more, and 250 g of Pink oyster with it."
    )
    made = answer(line, "substitute")
    line.refresh_from_db()
    assert line.cancelled_at == SOON, "the substitute takes its place"
    assert made.order is not None
    assert Shipment.objects.get().state == "placed"
    with pytest.raises(Conflict):
        answer(line, "take_less")


# ---- Once, in time, and of what was shown ---------------------------------------------------------------------------


def test_said_twice_it_is_done_once_and_another_answer_is_told_what_was_said() -> None:
    line = a_doubtful_line()
    first = answer(line, "take_less")
    assert answer(line, "take_less") == first
    assert Event.objects.filter(kind="doubt_answered").count() == 1
    with pytest.raises(Conflict, match="This was answered already: you take less, and nothing for the rest") as told:
        answer(line, "drop")
    assert (told.value.reason_code, told.value.data["answer"]) == ("already_answered", "take_less")


def freeze(line: Line) -> None:
    Shipment.objects.update(cut_off_at=NOON)


def change_it(line: Line) -> None:
    ordering.change_line(line.order.public_id, number=1, to=1_000, by=ADA, now=NOON)


def cancel_it(line: Line) -> None:
    ordering.cancel(line.order.public_id, by=ADA, now=NOON)


def be_sure_again(line: Line) -> None:
    holds.release(Event.objects.get(kind="held").subject, by=BEN, now=NOON)
    plan(NOON)


def pack_it(line: Line) -> None:
    Shipment.objects.update(state="sent")


TOO_LATE = {
    "frozen": (freeze, "past_cut_off", "please call the farm. If less comes than was promised, you are told"),
    "changed": (change_it, "changed_since", "look at the order as it is now. You can change it yourself until"),
    "cancelled": (cancel_it, "changed_since", "look at the order as it is now"),
    "sure again": (be_sure_again, "sure_again", "is as sure again as it was promised: 2 kg on Friday 8 May 2026"),
    "sent": (pack_it, "already_packed", "so it comes as it is. Please call the farm."),
}


@pytest.mark.parametrize("choice", ["keep", "take_less", "drop"])
@pytest.mark.parametrize("case", TOO_LATE)
def test_an_answer_that_comes_too_late_says_why_and_what_to_do(case: str, choice: str) -> None:
    line = a_doubtful_line()
    meanwhile, code, sentence = TOO_LATE[case]
    meanwhile(line)
    before = (Line.objects.values().get(), Order.objects.count(), Event.objects.count())
    with pytest.raises(Conflict) as told:
        answer(line, choice)
    assert told.value.reason_code == code
    assert sentence in told.value.sentence
    assert (Line.objects.values().get(), Order.objects.count(), Event.objects.count()) == before
    with pytest.raises(Conflict, match=told.value.sentence[:30]):
        doubts.look(doubt_of(line).public_id, choice=choice, kitchen="", now=SOON)


def test_what_was_shown_and_is_other_by_now_is_not_done() -> None:
    line = a_doubtful_line()
    lot = Allocation.objects.filter(lot__strain=line.product.strain).get().lot
    assert lot is not None
    holds.hold("lot", lot.public_id, reason="wet", by=BEN, now=NOON)
    with pytest.raises(Conflict) as told:
        answer(line, "take_less", amount=1_500)
    assert told.value.reason_code == "not_to_be_had", "nothing is sure any more, before any plan has said so"
    with pytest.raises(Conflict, match="It is another amount by now") as other:
        answer(line, "substitute", amount=500)
    assert (other.value.reason_code, other.value.data["amount"]) == ("other_amount", 250)
    with pytest.raises(Conflict) as product:
        answer(line, "substitute", product=line.product.public_id)
    assert product.value.reason_code == "other_product"
    with pytest.raises(Invalid):
        answer(line, "shrug")
    assert doubt_of(line).answer == ""


def test_another_kitchens_doubt_does_not_exist() -> None:
    line = a_doubtful_line()
    gull = a_kitchen("The Gull", postcode="11")
    for whose in (gull.public_id, "nonsense"):
        with pytest.raises(Missing):
            answer(line, "drop", kitchen=whose)
    assert doubt_of(line).answer == ""


def test_its_mail_does_not_go_once_it_is_answered() -> None:
    line = a_doubtful_line()
    assert Mail.objects.get(kind="promise_doubtful").state == "planned"
    answer(line, "keep")
    assert Mail.objects.get(kind="promise_doubtful").state == "cancelled"
    assert [mail.kind for mail in mails.claim(now=SOON, limit=5)] == []


def test_a_date_of_a_standing_order_that_is_dropped_stays_away() -> None:
    line = a_doubtful_line()
    assert line.order.kitchen is not None
    standing = StandingOrder.objects.create(
        kitchen=line.order.kitchen, address=line.shipment.address, rule="FREQ=WEEKLY;BYDAY=FR", starts_on=FRIDAY,
        placed_at=NOON, placed_by=CLEO,
    )  # fmt: skip
    Order.objects.update(standing_order=standing, standing_on=FRIDAY)
    answer(line, "drop")
    assert standing.changes.get().kind == "skip"


def test_the_order_s_story_and_the_day_s_say_it() -> None:
    line = a_doubtful_line()
    answer(line, "take_less")
    event = Event.objects.get(kind="doubt_answered")
    assert event_in_words(event.kind, event.data) == (
        "Line 1: the kitchen, told that it is doubtful, answered: take less"
    )


def test_frozen_and_short_it_is_a_shortage_and_no_doubt_any_more() -> None:
    line = a_doubtful_line()
    answer(line, "keep")
    freezing.freeze(FRIDAY.isoformat(), now=CUT_OFF)
    assert line.order.kitchen is not None
    assert reading.of_kitchen(line.order.kitchen.pk, now=CUT_OFF) == ()
    assert Mail.objects.filter(kind="shortage").count() == 1
