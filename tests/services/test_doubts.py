"""A promise that has become doubtful is told once and early, in one mail a kitchen and delivery; and once when it is
sure again.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest

from fulfilment import work
from fulfilment.models import (
    Batch,
    Crop,
    Doubt,
    Event,
    Farm,
    Job,
    Kitchen,
    Line,
    Lot,
    Mail,
    Product,
    Promise,
    Shipment,
    Strain,
    Substitute,
)
from fulfilment.out import emails
from fulfilment.read import doubts as reading
from fulfilment.read.today import morning
from fulfilment.services import doubts, freezing, holds, jobs, mails, ordering, planning
from tests.builders.kitchens import a_buyer, a_farm, a_fresh_lot, a_kitchen, a_line, a_product, a_strain
from tests.people import ADA, BEN

pytestmark = pytest.mark.django_db

FRIDAY = date(2026, 5, 8)
TUESDAY = FRIDAY - timedelta(days=3)
NOON = datetime(2026, 5, 5, 10, 0, tzinfo=UTC)
"""Tuesday noon on the farm's clock (Berlin, summer time)."""
NIGHT = datetime(2026, 5, 6, 0, 0, tzinfo=UTC)
"""Two in the morning of Wednesday."""
EIGHT = datetime(2026, 5, 6, 6, 0, tzinfo=UTC)
CUT_OFF = datetime(2026, 5, 7, 10, 0, tzinfo=UTC)
TELL_BY = datetime(2026, 5, 7, 14, 0, tzinfo=UTC)
CLEO = "kitchen:cleo"


@pytest.fixture
def strain() -> Strain:
    a_farm()
    Farm.objects.update(scenarios=50, horizon_days=7)
    return a_strain()


@pytest.fixture
def kitchen() -> Kitchen:
    return a_kitchen()


@pytest.fixture
def lots(strain: Strain) -> tuple[Lot, Lot]:
    """1.5 kg and 500 g that keep until Friday, in a store where nothing else ever comes."""
    return stored(strain, 1_500), stored(strain, 500)


def stored(strain: Strain, grams: int) -> Lot:
    lot = a_fresh_lot(strain, grams, harvested_on=TUESDAY)
    Batch.objects.update(bags_opened=40)
    Crop.objects.update(finished_on=TUESDAY, stage="finished")
    return lot


def promised(kitchen: Kitchen, strain: Strain, grams: int, *, on: date = FRIDAY) -> Line:
    line = a_line(kitchen, Product.objects.filter(strain=strain).first() or a_product(strain), grams, on=on)
    cut_off_at = datetime.combine(on - timedelta(days=1), time(10), tzinfo=UTC)
    Shipment.objects.filter(pk=line.shipment_id).update(cut_off_at=cut_off_at)
    line.refresh_from_db()
    return line


def plan(now: datetime) -> None:
    """As a worker does it."""
    planning.replan(now=now)
    freezing.follow_plan(now=now)
    doubts.follow_plan(now=now)


def hold(lot: Lot, *, now: datetime) -> str:
    """Ben stops a lot and everything is planned anew; returns the hold."""
    held = holds.hold("lot", lot.public_id, reason="smells of beer", by=BEN, now=now).public_id
    plan(now)
    return held


def release(held: str, *, now: datetime) -> None:
    holds.release(held, by=BEN, now=now)
    plan(now)


def going(kind: str = "promise_doubtful") -> Mail:
    """The one mail of this kind that was not called back."""
    return Mail.objects.exclude(state="cancelled").get(kind=kind)


def send(now: datetime) -> list[str]:
    """Whatever is due goes: the kinds of what went."""
    went = mails.claim(now=now, limit=50)
    mails.sent(went, now=now)
    return [mail.kind for mail in went]


# ---- Told once, and early -------------------------------------------------------------------------------------------


def test_what_became_doubtful_is_told_at_once_with_what_can_be_counted_on(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 2_000)
    plan(NOON)
    assert not Doubt.objects.exists(), "all of it lies in store"
    hold(lots[1], now=NOON)
    doubt = Doubt.objects.get()
    assert (doubt.line, doubt.promise, doubt.chance_pct, doubt.sure) == (line, line.promise, 0, 1_500)
    assert (doubt.told_at, doubt.mail, doubt.sure_at) == (NOON, going(), None)
    assert (going().due_at, going().subject) == (NOON, {"on": "2026-05-08"})
    event = Event.objects.get(kind="doubt_told")
    assert (event.subject, event.kitchen, event.by) == (line.order.public_id, kitchen, "night")
    assert event.data == {"doubt": doubt.public_id, "line": 1, "promised": 2_000, "sure": 1_500, "chance": 0}
    assert Event.objects.filter(kind="promise_doubtful").count() == 1


def test_it_is_told_once_however_often_is_planned(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    assert send(NOON) == ["promise_doubtful"]
    for hours in range(1, 6):
        plan(NOON + timedelta(hours=hours))
        assert send(NOON + timedelta(hours=hours)) == []
    hold(lots[0], now=NOON + timedelta(hours=6))
    assert send(NOON + timedelta(hours=6)) == [], "worse is still the same doubt"
    assert Doubt.objects.get().sure == 0, "but the page and the API say what is left of it"


def test_lines_of_one_kitchen_and_day_are_in_one_mail_and_other_days_in_another(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    gull = a_kitchen("The Gull")
    for who, on in ((kitchen, FRIDAY), (kitchen, FRIDAY), (kitchen, FRIDAY - timedelta(days=1)), (gull, FRIDAY)):
        promised(who, strain, 500, on=on)
    hold(lots[0], now=NOON)
    hold(lots[1], now=NOON)
    assert Doubt.objects.count() == 4
    found = Mail.objects.filter(kind="promise_doubtful").order_by("pk")
    assert {(mail.kitchen_id, mail.subject["on"], mail.doubts.count()) for mail in found} == {
        (kitchen.pk, "2026-05-08", 2), (kitchen.pk, "2026-05-07", 1), (gull.pk, "2026-05-08", 1),
    }  # fmt: skip


def test_what_the_night_finds_is_told_at_eight_and_joins_one_mail(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    promised(kitchen, strain, 1_000)
    promised(kitchen, strain, 1_000)
    hold(lots[1], now=NIGHT)
    assert (Doubt.objects.count(), going().due_at) == (1, EIGHT)
    assert send(NIGHT + timedelta(hours=3)) == []
    hold(lots[0], now=NIGHT + timedelta(hours=4))
    assert (Doubt.objects.count(), going().doubts.count()) == (2, 2)
    assert send(EIGHT) == ["promise_doubtful"]


def test_where_eight_is_too_late_for_the_kitchen_it_goes_in_the_night(strain: Strain, lots: tuple[Lot, Lot]) -> None:
    early = a_kitchen(tell_me_by="07:30")
    promised(early, strain, 2_000, on=TUESDAY + timedelta(days=2))
    hold(lots[1], now=NIGHT)
    assert going().due_at == NIGHT


def test_past_its_tell_me_by_time_nobody_is_told(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    promised(kitchen, strain, 2_000)
    plan(NOON)
    hold(lots[1], now=TELL_BY)
    assert not Doubt.objects.exists()
    assert Event.objects.filter(kind="promise_doubtful").exists(), "the farm itself knows"


def test_five_points_are_no_doubt(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    line = promised(kitchen, strain, 500)
    for chance, count in ((90, 0), (85, 0), (84, 1)):
        Line.objects.filter(pk=line.pk).update(chance_pct=chance)
        doubts.follow_plan(now=NOON)
        assert Doubt.objects.count() == count


def test_what_staff_promised_below_is_measured_by_what_they_said(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 500)
    below = Promise.objects.create(
        line=line, number=2, status="full", wanted=500, amount=500, asked_pct=90, chance_pct=60, below_asked=True,
        at=NOON, by=ADA,
    )  # fmt: skip
    for chance, count in ((55, 0), (54, 1)):
        Line.objects.filter(pk=line.pk).update(promise=below, chance_pct=chance)
        doubts.follow_plan(now=NOON)
        assert Doubt.objects.count() == count


def test_buyers_are_not_kitchens(strain: Strain) -> None:
    line = a_line(a_buyer(), a_product(strain, grade="kit"), 1)
    Line.objects.filter(pk=line.pk).update(chance_pct=0)
    doubts.follow_plan(now=NOON)
    assert not Doubt.objects.exists()


# ---- Sure again, and shortages --------------------------------------------------------------------------------------


def test_what_is_sure_again_is_said_once_and_may_become_doubtful_anew(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 2_000)
    held = hold(lots[1], now=NOON)
    assert send(NOON) == ["promise_doubtful"]
    later = NOON + timedelta(hours=2)
    release(held, now=later)
    doubt = Doubt.objects.get()
    assert (doubt.sure_at, doubt.sure_mail, doubt.sure, doubt.chance_pct) == (
        later,
        going("promise_sure_again"),
        2_000,
        100,
    )
    assert Event.objects.get(kind="doubt_over").subject == line.order.public_id
    assert send(later) == ["promise_sure_again"]
    plan(later)
    assert send(later) == []
    hold(lots[1], now=later + timedelta(hours=1))
    assert Doubt.objects.filter(line=line).count() == 2
    assert send(later + timedelta(hours=1)) == ["promise_doubtful"]


def test_between_doubtful_and_sure_nothing_is_said(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    line = promised(kitchen, strain, 500)
    for chance, open_ones in ((84, 1), (89, 1), (86, 1), (90, 0)):
        Line.objects.filter(pk=line.pk).update(chance_pct=chance)
        doubts.follow_plan(now=NOON)
        assert Doubt.objects.filter(sure_at__isnull=True).count() == open_ones
    assert Doubt.objects.count() == 1


def test_a_doubt_of_the_night_that_is_over_by_eight_costs_no_mail(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    promised(kitchen, strain, 2_000)
    held = hold(lots[1], now=NIGHT)
    release(held, now=NIGHT + timedelta(hours=1))
    assert Mail.objects.get(kind="promise_doubtful").state == "cancelled"
    assert not Mail.objects.filter(kind="promise_sure_again").exists()
    assert send(EIGHT) == []


def test_sure_again_in_the_night_and_doubtful_by_eight_is_still_the_first_doubt(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    promised(kitchen, strain, 2_000)
    held = hold(lots[1], now=NOON)
    send(NOON)
    release(held, now=NIGHT)
    assert going("promise_sure_again").due_at == EIGHT
    hold(lots[1], now=NIGHT + timedelta(hours=1))
    assert Mail.objects.get(kind="promise_sure_again").state == "cancelled"
    assert Doubt.objects.get().sure_at is None
    assert send(EIGHT) == []


def test_who_has_changed_the_order_meanwhile_knows(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    line = promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    send(NOON)
    later = NOON + timedelta(hours=1)
    ordering.change_line(line.order.public_id, number=1, to=1_500, by=CLEO, now=later)
    plan(later)
    assert Doubt.objects.get().sure_at == later
    assert not Mail.objects.filter(kind="promise_sure_again").exists()


def test_an_order_cancelled_before_eight_is_not_told_of(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 2_000)
    hold(lots[1], now=NIGHT)
    ordering.cancel(line.order.public_id, by=CLEO, now=NIGHT + timedelta(hours=1))
    assert send(EIGHT) == [], "with a plan since, or without"
    assert Mail.objects.get(kind="promise_doubtful").state == "cancelled"


def test_what_really_comes_short_is_told_as_a_shortage_and_no_more_as_a_doubt(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    send(NOON)
    freezing.freeze(FRIDAY.isoformat(), now=CUT_OFF)
    assert send(CUT_OFF) == ["shortage"]
    assert reading.of_kitchen(kitchen.pk, now=CUT_OFF) == ()
    assert Doubt.objects.get().line == line
    assert not Mail.objects.filter(kind="promise_sure_again").exists()


# ---- By whom it is done, and who has to ring ------------------------------------------------------------------------


def test_a_worker_that_replans_tells(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    promised(kitchen, strain, 2_000)
    plan(NOON)
    Job.objects.all().delete()
    holds.hold("lot", lots[1].public_id, reason="smells of beer", by=BEN, now=NOON)
    assert jobs.waits("replan")
    work.drain(now=NOON)
    assert Mail.objects.filter(kind="promise_doubtful", state="sent").count() == 1


def test_an_unchanged_plan_writes_and_says_nothing(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    before = (list(Doubt.objects.values()), Mail.objects.count(), Event.objects.filter(kind="doubt_told").count())
    plan(NOON + timedelta(minutes=1))
    assert (
        list(Doubt.objects.values()),
        Mail.objects.count(),
        Event.objects.filter(kind="doubt_told").count(),
    ) == before


def test_who_could_not_be_reached_by_mail_is_on_todays_list(strain: Strain, lots: tuple[Lot, Lot]) -> None:
    kitchen = a_kitchen(phone="030 23125 000")
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)

    def to_ring(now: datetime) -> list[str]:
        return [
            risk.sentence for risk in morning(today=TUESDAY, now=now).risks if "no mail reached them" in risk.sentence
        ]

    assert to_ring(NOON) == []
    mail = going()
    Mail.objects.filter(pk=mail.pk).update(state="failed")
    assert to_ring(NOON) == [
        "Fri 8 May: Pearl oyster, a became doubtful, and no mail reached them: call 030 23125 000."
    ]
    Mail.objects.filter(pk=mail.pk).update(state="planned")
    assert len(to_ring(NOON + timedelta(hours=2))) == 1, "an hour after it should have gone it counts as lost"
    Mail.objects.filter(pk=mail.pk).update(state="sent")
    assert to_ring(NOON + timedelta(hours=2)) == []


def test_a_kitchen_without_an_address_is_rung(strain: Strain, lots: tuple[Lot, Lot]) -> None:
    kitchen = a_kitchen()
    Kitchen.objects.update(email="")
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    assert Doubt.objects.get().mail is None
    (risk,) = [risk for risk in morning(today=TUESDAY, now=NOON).risks if "no mail" in risk.sentence]
    assert (risk.touches, risk.bad) == ("The Heron", True)
    assert risk.sentence.endswith("find a way to tell them.")


def test_today_says_what_is_doubtful_and_since_when_the_kitchen_knows(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    line = promised(kitchen, strain, 2_000)
    Line.objects.filter(pk=line.pk).update(allocated=2_000, chance_pct=70, account={"code": "full"})
    doubts.follow_plan(now=NOON)
    for does in ("is told by mail", "was told"):
        (risk,) = [risk for risk in morning(today=TUESDAY, now=NOON).risks if "stands at" in risk.sentence]
        assert risk.sentence == (
            f"Fri 8 May: Pearl oyster, a, promised at 90 %, stands at 70 % now. The kitchen {does} on Tue 5 May, 12:00."
        )
        send(NOON)


# ---- What is read ---------------------------------------------------------------------------------------------------


def pink_instead(kitchen: Kitchen, strain: Strain, *, pack: int) -> Product:
    pink = a_strain("Pink oyster", tender=True)
    Substitute.objects.create(
        kitchen=kitchen, strain=strain, grade="a", instead_strain=pink, instead_grade="a", position=1
    )
    made = a_product(pink)
    Product.objects.filter(pk=made.pk).update(pack=pack, name="Pink oyster")
    return made


def test_a_kitchen_reads_words_dates_and_its_choices_and_nothing_of_others(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    """The 250 g of pink are in packs that the plan could not use for a line in packs of 500 g."""
    instead = pink_instead(kitchen, strain, pack=250)
    stored(instead.strain, 250)
    promised(a_kitchen("The Gull", tier=1), strain, 500)
    promised(kitchen, strain, 1_500)
    hold(lots[1], now=NOON)
    (seen,) = reading.of_kitchen(kitchen.pk, now=NOON)
    assert seen.says == (
        "1.5 kg was promised for Friday 8 May 2026. Do not plan on all of it any more: you can count on 1 kg."
    )
    assert [(each.choice, each.amount, each.product, each.on) for each in seen.ways] == [
        ("keep", 1_500, Product.objects.get(strain=strain).public_id, FRIDAY),
        ("take_less", 1_000, Product.objects.get(strain=strain).public_id, FRIDAY),
        ("substitute", 250, instead.public_id, FRIDAY),
        ("drop", 0, Product.objects.get(strain=strain).public_id, FRIDAY),
    ]
    told = emails.preview(going().public_id, now=NOON)
    assert told.subject == "Less sure than promised: Friday 8 May 2026"
    assert "%" not in told.text
    for text in (told.text, told.html):
        assert "you can count on 1 kg" in text
        stays = "1 kg of Pearl oyster, a stays ordered for Friday 8 May 2026"
        assert f"{stays}, and nothing for the rest." in text
        assert f"{stays}, and 250 g of Pink oyster with it." in text
        assert f"#doubt-{seen.code}" in text
        for way in seen.ways:
            assert f"/doubts/{seen.code}/{way.choice}/" in text
        assert "Gull" not in text
        assert " 2 kg" not in text
        assert "tier" not in text.lower()


def test_what_the_plan_makes_up_with_a_substitute_is_said(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    stored(pink_instead(kitchen, strain, pack=500).strain, 500)
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    (seen,) = reading.of_kitchen(kitchen.pk, now=NOON)
    assert seen.says.endswith(
        "you can count on 1.5 kg. As it stands, 500 g of what you take instead would make up for it."
    )
    assert [each.choice for each in seen.ways] == ["keep", "take_less", "drop"], "the pink is this line's already"


def test_the_next_date_is_offered_where_it_can_be_had(strain: Strain, kitchen: Kitchen) -> None:
    """What was promised for Wednesday lay in store; the crops that gave it go on."""
    lots = [a_fresh_lot(strain, grams, harvested_on=TUESDAY) for grams in (20_000, 7_000)]
    early = NOON - timedelta(hours=1)
    promised(kitchen, strain, 27_000, on=TUESDAY + timedelta(days=1))
    hold(lots[1], now=early)
    (seen,) = reading.of_kitchen(kitchen.pk, now=early)
    later = next(each for each in seen.ways if each.choice == "next_date")
    assert later.amount == seen.promised - seen.sure
    assert TUESDAY + timedelta(days=1) < later.on <= FRIDAY + timedelta(days=3)
    (offer,) = ordering.check(
        [ordering.Asked(later.product, later.amount)], kitchen=kitchen.public_id, on=later.on, now=early
    )
    assert offer.answer.status == "full", "what is offered can be had"


def test_past_the_cut_off_there_is_nothing_to_choose_but_the_telephone(
    strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]
) -> None:
    Farm.objects.update(phone="030 23125 111")
    promised(kitchen, strain, 2_000)
    hold(lots[1], now=NOON)
    assert reading.of_kitchen(kitchen.pk, now=CUT_OFF - timedelta(seconds=1))[0].ways
    (seen,) = reading.of_kitchen(kitchen.pk, now=CUT_OFF)
    assert seen.ways == ()
    told = emails.preview(going().public_id, now=CUT_OFF)
    assert "please call 030 23125 111" in told.text


def test_sure_again_says_what_is_sure(strain: Strain, kitchen: Kitchen, lots: tuple[Lot, Lot]) -> None:
    promised(kitchen, strain, 2_000)
    held = hold(lots[1], now=NOON)
    send(NOON)
    release(held, now=NOON + timedelta(hours=1))
    told = emails.preview(going("promise_sure_again").public_id, now=NOON + timedelta(hours=1))
    assert told.subject == "Sure again: Friday 8 May 2026"
    assert "2 kg for Friday 8 May 2026: sure." in told.text
    assert "2 kg for Friday 8 May 2026: sure." in told.html
