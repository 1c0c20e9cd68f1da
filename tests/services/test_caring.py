"""What Dai hears of her kit, when, and what she never hears: planned, moved, handed over, silenced."""

from __future__ import annotations

import importlib
from datetime import UTC, date, datetime, time, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from django.apps import apps
from django.db import connection

from fulfilment.core.care import PROGRAMME, CareStep, MailKind
from fulfilment.core.problems import Invalid, Missing
from fulfilment.models import CareMail, Event, Holder, Kit, Mail, Order, Product
from fulfilment.models import CareStep as StepRow
from fulfilment.services import caring, kits, mails
from tests.builders.kitchens import FRIDAY, NOW, a_buyer, a_farm, a_product, a_strain
from tests.builders.kits import sent_kits

pytestmark = pytest.mark.django_db

BERLIN = ZoneInfo("Europe/Berlin")
SUNDAY = FRIDAY + timedelta(days=2)


@pytest.fixture
def product() -> Product:
    a_farm()
    caring.lay_programme()
    return a_product(a_strain(), grade="kit")


@pytest.fixture
def kit(product: Product) -> Kit:
    return sent_kits(a_buyer(), product)[0]


def at(day: date, hour: int = 9, minute: int = 0, *, zone: ZoneInfo = BERLIN) -> datetime:
    return datetime.combine(day, time(hour, minute), zone).astimezone(UTC)


def say(kit: Kit, kind: str, on: date) -> None:
    kits.record(kit.public_id, kind=kind, on=on, by="holder:dai", now=at(on, 18))


def planned(*of: Kit) -> dict[str, datetime]:
    rows = CareMail.objects.filter(state="planned", **({"kit__in": of} if of else {}))
    return {f"{row.step}/{row.cycle}": row.due_at for row in rows}


def states(kit: Kit) -> dict[str, str]:
    return {f"{row.step}/{row.cycle}": row.state for row in kit.care_mails.all()}


def deliver_all(now: datetime) -> list[Mail]:
    """Hand over what is due and mark it as sent, as the worker does."""
    caring.due(now=now)
    gone = mails.claim(now=now, limit=100)
    mails.sent(gone, now=now)
    return [mail for mail in gone if mail.kind in ("care", "safety")]


# ---- The programme --------------------------------------------------------------------------------------------------


def test_the_programme_is_laid_once_and_keeps_what_the_farm_edited() -> None:
    assert [row.key for row in caring.lay_programme()] == [step.key for step in PROGRAMME]
    StepRow.objects.filter(key="misting").update(active=False)
    caring.lay_programme()
    assert StepRow.objects.count() == len(PROGRAMME)
    assert not StepRow.objects.get(key="misting").active


def test_order_mails_are_no_care(kit: Kit) -> None:
    """They are queued by whoever takes the order and hands over the parcel."""
    order_steps = {step.key for step in PROGRAMME if step.mail is MailKind.ORDER}
    assert order_steps
    assert not order_steps & {step.key for step in caring.programme()}
    assert not order_steps & set(kit.care_mails.values_list("step", flat=True))


def test_an_edited_step_moves_the_mails_to_come(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    before = planned()["misting/1"]
    rule = CareStep.from_data(StepRow.objects.get(key="misting").rule).as_data() | {"offset_days": 3, "at": "17:30"}
    caring.change_step("misting", rule=rule, active=True, by="user:olu", now=at(SUNDAY, 19))
    assert planned()["misting/1"] == at((before + timedelta(days=1)).date(), 17, 30)
    caring.change_step("misting", rule=rule, active=False, by="user:olu", now=at(SUNDAY, 19))
    assert states(kit)["misting/1"] == "cancelled"


def test_a_step_that_cannot_be_is_not_kept(kit: Kit) -> None:
    rule = StepRow.objects.get(key="misting").rule
    for change, says in [
        ({"at": "23:00"}, "care mails go between"),
        ({"key": "other"}, "keeps its key"),
        ({"offset_days": 900}, "-60 to 180 days"),
        ({"colour": "red"}, "no part of a care step"),
    ]:
        with pytest.raises(Invalid, match=says):
            caring.change_step("misting", rule=rule | change, active=True, by="user:olu", now=NOW)
    assert StepRow.objects.get(key="misting").rule == rule
    with pytest.raises(Missing, match="no care step 'none'"):
        caring.change_step("none", rule=rule, active=True, by="user:olu", now=NOW)


# ---- Planning -------------------------------------------------------------------------------------------------------


def test_before_a_start_is_reported_nothing_is_assumed(kit: Kit) -> None:
    assert set(planned()) == {"arrived/1", "not_started/1", "start_by/1"}
    assert planned()["arrived/1"] == at(FRIDAY + timedelta(days=2), 10)


def test_a_start_cancels_the_reminders_and_plans_what_follows(kit: Kit) -> None:
    """Pearl, normal room: pins after 5 to 10 days, likely 7 (the farm's default profile)."""
    say(kit, "started", SUNDAY)
    after = planned()
    assert not {"arrived/1", "not_started/1", "start_by/1"} & set(after)
    assert after["pins_due/1"] == at(SUNDAY + timedelta(days=7))
    assert states(kit)["not_started/1"] == "cancelled"


def test_pins_seen_early_bring_everything_forward(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    deliver_all(at(SUNDAY + timedelta(days=2)))
    later = planned()["compost/1"]
    say(kit, "pins", SUNDAY + timedelta(days=5))
    after = planned()
    assert "pins_due/1" not in after
    # Ready 4 to 7 days after pins, likely 5; told the day before.
    assert after["ready/1"] == at(SUNDAY + timedelta(days=5 + 5 - 1))
    assert after["compost/1"] <= later
    assert states(kit)["misting/1"] == "queued"


def test_another_room_moves_a_mail_to_either_side(kit: Kit) -> None:
    """A cool room's pins come later, a normal one's earlier again: the mail follows both ways."""
    say(kit, "started", SUNDAY)
    normal = planned()["pins_due/1"]
    kits.set_room(kit.public_id, warmth="cool", by="holder:dai", now=at(SUNDAY, 19))
    cool = planned()["pins_due/1"]
    kits.set_room(kit.public_id, warmth="normal", by="holder:dai", now=at(SUNDAY, 20))
    assert cool > normal == planned()["pins_due/1"]


def test_asked_again_nothing_changes(product: Product) -> None:
    first, second = sent_kits(a_buyer(), product, 2)
    say(first, "started", SUNDAY)
    say(second, "started", SUNDAY)
    before = list(CareMail.objects.order_by("pk").values())
    for hour in (19, 20, 21):
        assert caring.plan_all(now=at(SUNDAY, hour)) == 0
    assert list(CareMail.objects.order_by("pk").values()) == before


def test_one_care_mail_a_day_and_the_kits_of_an_order_share_it(product: Product) -> None:
    buyer = a_buyer()
    first, second = sent_kits(buyer, product, 2)
    (other,) = sent_kits(buyer, product, on=FRIDAY + timedelta(days=3), now=NOW + timedelta(days=3))
    for each in (first, second, other):
        say(each, "started", FRIDAY + timedelta(days=4))
    rows = CareMail.objects.filter(state="planned").select_related("kit__line")
    by_day: dict[date, set[tuple[int, str]]] = {}
    for row in rows:
        assert row.kit.line is not None
        by_day.setdefault(row.due_at.astimezone(BERLIN).date(), set()).add((row.kit.line.order_id, row.step))
    assert all(len(envelopes) == 1 for envelopes in by_day.values())
    assert planned(first)["pins_due/1"] == planned(second)["pins_due/1"] != planned(other)["pins_due/1"]
    assert caring.plan_all(now=at(FRIDAY + timedelta(days=4), 19)) == 0


def test_local_time_is_the_holders_and_goes_over_a_clock_change(product: Product) -> None:
    """Clocks in Berlin go back on 25 October 2026: nine in the morning is 07:00 UTC before and 08:00 UTC after."""
    sent = datetime(2026, 10, 16, 5, tzinfo=UTC)
    (kit,) = sent_kits(a_buyer(), product, on=date(2026, 10, 16), now=sent)
    say(kit, "started", date(2026, 10, 18))
    assert planned()["misting/1"] == datetime(2026, 10, 20, 7, tzinfo=UTC)
    assert planned()["pins_due/1"] == datetime(2026, 10, 25, 8, tzinfo=UTC)


def test_a_pause_is_silent_and_going_on_plans_again(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    say(kit, "paused", SUNDAY + timedelta(days=1))
    assert not planned()
    say(kit, "resumed", SUNDAY + timedelta(days=4))
    # Three days of waiting stopped with it.
    assert planned()["pins_due/1"] == at(SUNDAY + timedelta(days=10))


# ---- Sending --------------------------------------------------------------------------------------------------------


def test_what_is_due_is_handed_over_once(kit: Kit) -> None:
    due = planned()["arrived/1"]
    assert caring.due(now=due - timedelta(minutes=1)) == 0
    assert caring.due(now=due) == 1
    assert caring.due(now=due) == 0
    row = kit.care_mails.get(step="arrived")
    assert row.mail is not None
    assert (row.state, row.mail.kind, row.mail.holder, row.mail.due_at) == ("queued", "care", kit.holder, due)
    assert Mail.objects.filter(kind="care").count() == 1


def test_two_kits_at_one_step_are_one_mail(product: Product) -> None:
    sent_kits(a_buyer(), product, 2)
    caring.due(now=at(FRIDAY + timedelta(days=2), 10))
    mail = Mail.objects.get(kind="care")
    assert mail.care_mails.count() == 2


def test_each_holder_gets_their_own(product: Product) -> None:
    for name in ("Dai", "Eli"):
        sent_kits(a_buyer(name), product)
    assert caring.due(now=at(FRIDAY + timedelta(days=2), 10)) == 2
    assert len(set(Mail.objects.filter(kind="care").values_list("holder", flat=True))) == 2


def test_more_than_a_batch_is_taken_in_turns(product: Product) -> None:
    for name in ("Dai", "Eli", "Fay"):
        sent_kits(a_buyer(name), product)
    now = at(FRIDAY + timedelta(days=2), 10)
    assert [caring.due(now=now, limit=2) for _ in range(3)] == [2, 1, 0]


def test_at_night_it_waits_for_the_morning(kit: Kit) -> None:
    due = planned()["arrived/1"]
    night = due.astimezone(BERLIN).replace(hour=23).astimezone(UTC)
    assert caring.due(now=night) == 0
    row = kit.care_mails.get(step="arrived")
    assert (row.state, row.due_at) == ("planned", at(due.astimezone(BERLIN).date() + timedelta(days=1), 8))
    assert caring.due(now=row.due_at) == 1


def test_after_forty_days_of_outage_a_kit_gets_one_mail_at_most(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    back = at(SUNDAY + timedelta(days=40), 10)
    sent = deliver_all(back)
    sent += deliver_all(back + timedelta(hours=3))
    assert len(sent) <= 1
    assert not CareMail.objects.filter(state="planned", due_at__lte=back).exists()


def test_a_step_more_than_three_days_late_is_dropped(kit: Kit) -> None:
    due = planned()["arrived/1"]
    CareMail.objects.exclude(step="arrived").delete()
    StepRow.objects.exclude(key="arrived").update(active=False)
    assert caring.due(now=due + timedelta(days=3, minutes=1)) == 0
    assert states(kit) == {"arrived/1": "late"}
    assert not Mail.objects.filter(kind="care").exists()


def test_a_sent_step_never_comes_again(kit: Kit) -> None:
    deliver_all(planned()["arrived/1"])
    say(kit, "started", SUNDAY + timedelta(days=1))
    caring.plan_all(now=at(SUNDAY + timedelta(days=1), 20))
    assert states(kit)["arrived/1"] == "queued"
    assert Mail.objects.get(kind="care").state == "sent"


def test_a_holders_whole_season_has_never_two_care_mails_a_day(product: Product) -> None:
    """Two kits, reported on different days, over a whole season of mornings."""
    first, second = sent_kits(a_buyer(), product, 2)
    course = {2: [(first, "started")], 3: [(second, "started")], 9: [(first, "pins")], 15: [(first, "harvested_all")]}
    days: list[date] = []
    for number in range(1, 70):
        day = FRIDAY + timedelta(days=number)
        for hour in (7, 8, 9, 10, 14, 21):
            days += [day for _ in deliver_all(at(day, hour))]
        for kit, kind in course.get(number, ()):
            say(kit, kind, day)
    assert len(days) == len(set(days)) > 5


def test_safety_goes_at_once_whatever_was_unsubscribed(kit: Kit) -> None:
    assert kit.holder is not None
    caring.unsubscribe(kit.holder.public_id, by="holder:x", now=NOW + timedelta(hours=2))
    rule = CareStep.from_data(StepRow.objects.get(key="arrived").rule).as_data() | {
        "mail": "safety", "at": "03:00", "unless": [],
    }  # fmt: skip
    caring.change_step("arrived", rule=rule, active=True, by="user:olu", now=NOW + timedelta(hours=3))
    assert kit.care_mails.get(step="arrived").safety
    sent = deliver_all(at(FRIDAY + timedelta(days=2), 3))
    assert [mail.kind for mail in sent] == ["safety"]


# ---- Silence --------------------------------------------------------------------------------------------------------


def test_unsubscribing_stops_care_once_and_for_all(kit: Kit) -> None:
    assert kit.holder is not None
    before = NOW + timedelta(hours=2)
    holder = caring.unsubscribe(kit.holder.public_id, by="holder:x", now=before)
    again = caring.unsubscribe(kit.holder.public_id, by="holder:x", now=before + timedelta(days=1))
    assert holder.unsubscribed_at == again.unsubscribed_at == before
    assert Event.objects.filter(kind="holder_unsubscribed").count() == 1
    assert not planned()
    say(kit, "started", SUNDAY)
    assert not planned()
    assert caring.due(now=at(SUNDAY + timedelta(days=30))) == 0
    assert Mail.objects.filter(kind="kit_sent").exists()


def test_who_wants_care_again_hears_what_is_to_come_and_nothing_of_the_time_between(kit: Kit) -> None:
    assert kit.holder is not None
    say(kit, "started", SUNDAY)
    wanted = planned()
    caring.unsubscribe(kit.holder.public_id, by="holder:x", now=at(SUNDAY, 19))
    assert not planned()
    back = at(SUNDAY + timedelta(days=6), 19)
    holder = caring.resubscribe(kit.holder.public_id, by="holder:x", now=back)
    assert holder.unsubscribed_at is None
    assert planned() == {step: due for step, due in wanted.items() if due > back - timedelta(days=3)}
    assert {step for step, due in wanted.items() if due > back} <= planned().keys()
    assert "pins_due/1" in planned()
    again = caring.resubscribe(kit.holder.public_id, by="holder:x", now=back + timedelta(days=1))
    assert again.version == holder.version
    assert Event.objects.filter(kind="holder_resubscribed").count() == 1
    assert len(deliver_all(back + timedelta(days=4))) == 1


def test_who_was_erased_cannot_be_written_to_again(kit: Kit) -> None:
    assert kit.holder is not None
    Holder.objects.update(unsubscribed_at=NOW, erased_at=NOW)
    with pytest.raises(Missing, match="There is no such holder"):
        caring.resubscribe(kit.holder.public_id, by="holder:x", now=NOW)


def test_a_stranger_cannot_unsubscribe_nobody() -> None:
    for said in (caring.unsubscribe, caring.resubscribe):
        with pytest.raises(Missing, match="There is no holder"):
            said("K7Q2-M4XJ", by="holder:x", now=NOW)


def test_who_was_erased_hears_nothing_more(kit: Kit) -> None:
    Holder.objects.update(erased_at=NOW)
    assert caring.due(now=at(FRIDAY + timedelta(days=2), 10)) == 0
    assert not planned()
    assert not Mail.objects.filter(kind="care").exists()


def test_a_gift_nobody_joined_hears_nothing(product: Product) -> None:
    sent_kits(a_buyer(), product, gift=True)
    assert caring.plan_all(now=NOW + timedelta(hours=2)) == 0
    assert not CareMail.objects.exists()


def test_trouble_is_answered_by_people_not_by_the_programme(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    kits.record(kit.public_id, kind="trouble", on=SUNDAY, trouble="mould", by="holder:dai", now=at(SUNDAY, 19))
    assert not planned()
    say(kit, "resumed", SUNDAY + timedelta(days=1))
    assert "pins_due/1" in planned()


def test_planning_costs_the_same_queries_for_one_holder_and_for_ten(
    product: Product, django_assert_max_num_queries: object
) -> None:
    for name in ("Dai", "Eli", "Fay", "Gus", "Hal", "Ida", "Jon", "Kay", "Lou", "Max"):
        sent_kits(a_buyer(name), product)
    with django_assert_max_num_queries(12):  # type: ignore[operator]  # the plugin's fixture
        assert caring.plan_all(now=NOW + timedelta(hours=2)) == 0


# ---- A gift's own day -----------------------------------------------------------------------------------------------

CHOSEN = FRIDAY + timedelta(days=12)


def a_gift(product: Product, *, start_on: date = CHOSEN) -> Kit:
    [kit] = sent_kits(a_buyer(), product, gift=True)
    Order.objects.filter(lines__kits=kit).update(start_on=start_on)
    return kit


def join(kit: Kit, *, zone: str = "Pacific/Auckland", on: date = SUNDAY) -> Holder:
    at_noon = datetime.combine(on, time(12), ZoneInfo(zone)).astimezone(UTC)
    joined = kits.join(kit.joining_code, email="gwen@example.org", name="Gwen", zone=zone, warmth="normal", now=at_noon)
    assert joined.holder is not None
    return joined.holder


def test_on_the_day_the_giver_chose_the_holder_is_told_by_their_own_clock(product: Product) -> None:
    kit = a_gift(product)
    gwen = join(kit)
    due = planned(kit)["gift_day/1"]
    assert due.astimezone(ZoneInfo("Pacific/Auckland")) == datetime(
        CHOSEN.year, CHOSEN.month, CHOSEN.day, 10, tzinfo=ZoneInfo("Pacific/Auckland")
    )
    assert planned(kit)["not_started/1"] == due + timedelta(days=5)
    assert [mail.holder for mail in deliver_all(planned(kit)["arrived/1"])] == [gwen]
    assert deliver_all(due - timedelta(minutes=1)) == []
    assert [mail.holder for mail in deliver_all(due)] == [gwen]
    assert states(kit)["gift_day/1"] == "queued"
    assert deliver_all(due + timedelta(hours=6)) == [], "one a day"


def test_a_gift_s_day_waits_for_nobody_who_has_not_joined(product: Product) -> None:
    kit = a_gift(product)
    assert deliver_all(at(CHOSEN, 12)) == []
    assert not CareMail.objects.exists()
    join(kit, zone="Europe/Berlin", on=CHOSEN + timedelta(days=1))
    assert "gift_day/1" not in planned(kit), "it is past: what comes now is how to start"
    assert "arrived/1" in planned(kit)


def test_who_wants_no_care_mails_gets_none_on_the_gift_s_day_either(product: Product) -> None:
    kit = a_gift(product)
    caring.unsubscribe(join(kit).public_id, by="holder", now=at(SUNDAY))
    assert not planned(kit)
    assert deliver_all(at(CHOSEN, 18)) == []


def test_a_gift_started_before_its_day_is_not_told_to_begin(product: Product) -> None:
    kit = a_gift(product)
    join(kit, zone="Europe/Berlin")
    assert "gift_day/1" in planned(kit)
    say(kit, "started", SUNDAY + timedelta(days=2))
    assert "gift_day/1" not in planned(kit)


def test_a_farm_that_keeps_a_programme_already_gets_the_step_in_its_place(product: Product) -> None:
    migration = importlib.import_module("fulfilment.migrations.0011_gift_day")
    laid = [(row.key, row.rule) for row in StepRow.objects.all()]
    StepRow.objects.filter(key="gift_day").delete()
    StepRow.objects.filter(key="misting").update(active=False)
    migration.add(apps, SimpleNamespace(connection=connection))
    assert [(row.key, row.rule) for row in StepRow.objects.all()] == laid
    assert not StepRow.objects.get(key="misting").active
    migration.add(apps, SimpleNamespace(connection=connection))
    assert StepRow.objects.count() == len(laid)
    StepRow.objects.all().delete()
    migration.add(apps, SimpleNamespace(connection=connection))
    assert not StepRow.objects.exists(), "a farm that keeps none is left alone"
