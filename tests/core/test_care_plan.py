"""Which mails Dai gets, on which day, and what a report changes; never touching what was sent."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fulfilment.core.calendar import farm_day, instant
from fulfilment.core.care import (
    PEARL,
    PINK,
    PROGRAMME,
    Anchor,
    CareStep,
    Changes,
    EventKind,
    KitCare,
    KitEvent,
    MailKind,
    MailStatus,
    PlannedMail,
    Warmth,
    changes,
    check,
    dates,
    dispatch,
    expected,
    next_opening,
    report,
)
from fulfilment.core.problems import Problem

BERLIN = "Europe/Berlin"
ZONES = (
    BERLIN, "Europe/London", "Europe/Lisbon", "America/New_York", "America/Santiago", "America/St_Johns",
    "Africa/Cairo", "Asia/Kolkata", "Asia/Beirut", "Australia/Lord_Howe", "Pacific/Auckland", "Pacific/Chatham",
)  # fmt: skip


def on(day: int, *, month: int = 3) -> date:
    return date(2026, month, 1) + timedelta(days=day - 1)


def at(day: date, clock: time = time(12), zone: str = BERLIN) -> datetime:
    return instant(day, clock, zone)


def happened(kind: EventKind, day: date, *, cycle: int = 1) -> KitEvent:
    return KitEvent(kind, day, at(day), cycle)


def dais_kit(*more: KitEvent, **fields: object) -> KitCare:
    """A pearl kit sent on 25 February, with what Dai reported."""
    sent = tuple(happened(kind, date(2026, 2, 25)) for kind in (EventKind.SEALED, EventKind.SOLD, EventKind.SENT))
    kit = KitCare(1, 10, "dai", "dai", BERLIN, PEARL, (*sent, *more))
    return replace(kit, **fields)  # type: ignore[arg-type]  # fields of KitCare by name


def started(day: int = 1) -> KitEvent:
    return happened(EventKind.STARTED, on(day))


def steps(kit: KitCare) -> dict[str, date]:
    """Care steps by key, the flush behind it from the second on."""
    return {
        each.step.key if each.cycle == 1 else f"{each.step.key}/{each.cycle}": farm_day(each.due_at, kit.zone)
        for each in dates(kit)
        if each.step.mail is MailKind.CARE
    }


def plan(rows: tuple[PlannedMail, ...], *kits: KitCare, now: datetime) -> Changes:
    return changes(rows, [each for kit in kits for each in dates(kit)], now=now)


def apply(rows: tuple[PlannedMail, ...], found: Changes) -> tuple[PlannedMail, ...]:
    """What a service writes."""
    become = {move.row: move.to for move in found.move}
    become |= {row: replace(row, status=MailStatus.CANCELLED) for row in found.cancel}
    become |= {row: replace(row, status=MailStatus.LATE) for row in found.late}
    return (*(become.get(row, row) for row in rows), *found.add)


def send_due(rows: tuple[PlannedMail, ...], *, now: datetime) -> tuple[PlannedMail, ...]:
    found = dispatch(rows, now=now)
    become = {row: replace(row, status=MailStatus.SENT, sent_at=now) for group in found.send for row in group}
    become |= {row: replace(row, status=MailStatus.LATE) for row in found.late}
    become |= {move.row: move.to for move in found.wait}
    return tuple(become.get(row, row) for row in rows)


def care(rows: tuple[PlannedMail, ...], status: MailStatus = MailStatus.SENT) -> list[PlannedMail]:
    return [row for row in rows if row.kind is MailKind.CARE and row.status is status]


class TestDates:
    def test_before_a_start_is_reported_only_reminders(self) -> None:
        kit = dais_kit(start_by=on(20))
        assert steps(kit) == {"arrived": on(-1), "not_started": on(4), "start_by": on(13)}

    def test_a_start_times_what_follows(self) -> None:
        # Common practice, no source: pins after about a week; once you see them, about five days to the picking.
        found = steps(dais_kit(started()))
        assert found["misting"] == on(3)
        assert found["pins_due"] == on(8)
        assert found["pins_to_picking"] == on(10)
        assert found["nothing_seen"] == on(12)
        assert found["harvest_question"] == on(21)
        assert not found.keys() & {"arrived", "not_started", "doubling", "ready", "rewater", "second_pins"}

    def test_pins_reported_split_the_merged_mail_and_retime(self) -> None:
        found = steps(dais_kit(started(), happened(EventKind.PINS, on(10))))
        assert found["doubling"] == on(11)
        assert found["ready"] == on(14)
        assert not found.keys() & {"pins_due", "pins_to_picking", "nothing_seen", "misting"}

    def test_rewatering_waits_for_a_harvest_and_comes_ten_days_after_the_last_mushroom(self) -> None:
        silent = steps(dais_kit(started()))
        assert "rewater" not in silent
        assert [key for key in silent if "question" in key] == ["harvest_question"]
        found = steps(dais_kit(started(), happened(EventKind.HARVESTED_ALL, on(15))))
        assert found["rest"] == on(16)
        assert found["rewater"] == on(25)
        assert found["second_pins/2"] == on(31)
        assert "harvest_question" not in found

    def test_the_rest_counts_from_the_last_mushroom_not_the_first(self) -> None:
        first = (started(), happened(EventKind.HARVESTED_FIRST, on(12)))
        assert steps(dais_kit(*first))["rewater"] == on(24)  # two days of picking are likely
        assert steps(dais_kit(*first, happened(EventKind.HARVESTED_ALL, on(15))))["rewater"] == on(25)

    def test_watered_again_early_retimes_the_second_flush_and_silences_the_first(self) -> None:
        found = steps(
            dais_kit(
                started(),
                happened(EventKind.HARVESTED_ALL, on(15)),
                happened(EventKind.REWATERED, on(22), cycle=2),
            )
        )
        assert found["second_pins/2"] == on(28)
        assert not found.keys() & {"rest", "rewater", "harvest_question"}

    def test_three_flushes_then_compost(self) -> None:
        events = [started()]
        for cycle in (1, 2, 3):
            events += [happened(EventKind.HARVESTED_ALL, on(15 + 20 * (cycle - 1)), cycle=cycle)]
            if cycle < 3:
                events += [happened(EventKind.REWATERED, on(25 + 20 * (cycle - 1)), cycle=cycle + 1)]
        assert steps(dais_kit(*events[:4]))["third_flush/2"] == on(45)
        assert steps(dais_kit(*events)) == {"compost": on(56)}

    def test_a_finished_kit_gets_compost_and_a_replaced_one_nothing(self) -> None:
        assert steps(dais_kit(started(), happened(EventKind.FINISHED, on(20)))) == {"compost": on(21)}
        assert steps(dais_kit(started(), happened(EventKind.REPLACED, on(20)))) == {}

    def test_a_pause_is_silent_and_moves_what_was_waiting(self) -> None:
        paused = dais_kit(started(), happened(EventKind.PAUSED, on(4)))
        assert steps(paused) == {}
        on_again = dais_kit(*paused.events[3:], happened(EventKind.RESUMED, on(9)))
        assert steps(on_again)["pins_due"] == on(13)

    def test_mushrooms_do_not_wait_for_a_pause(self) -> None:
        pins = (started(), happened(EventKind.PINS, on(8)))
        away = (happened(EventKind.PAUSED, on(9)), happened(EventKind.RESUMED, on(11)))
        assert steps(dais_kit(*pins, *away))["ready"] == steps(dais_kit(*pins))["ready"]

    def test_growth_reported_ends_a_pause_for_the_clock_too(self) -> None:
        back = (started(), happened(EventKind.PAUSED, on(4)), happened(EventKind.HARVESTED_ALL, on(9)))
        trouble = (happened(EventKind.TROUBLE, on(11)), happened(EventKind.RESUMED, on(14)))
        assert steps(dais_kit(*back, *trouble))["rewater"] == on(19)

    def test_a_kit_in_trouble_hears_from_a_person(self) -> None:
        trouble = (started(), happened(EventKind.TROUBLE, on(5)))
        assert steps(dais_kit(*trouble)) == {}
        assert "pins_due" in steps(dais_kit(*trouble, happened(EventKind.RESUMED, on(6))))

    def test_a_start_put_right_moves_everything(self) -> None:
        assert steps(dais_kit(started(1), started(3)))["pins_due"] == on(10)

    def test_a_kit_sold_a_second_time_begins_anew(self) -> None:
        early = [happened(kind, on(-20)) for kind in (EventKind.SEALED, EventKind.SOLD, EventKind.RELEASED)]
        again = [happened(EventKind.SOLD, on(1)), happened(EventKind.SENT, on(2))]
        kit = replace(dais_kit(), events=(*early, *again))
        assert [farm_day(each.due_at, BERLIN) for each in dates(kit) if each.step.mail is MailKind.ORDER] == [
            on(1),
            on(2),
        ]
        assert dates(replace(kit, events=tuple(early))) == ()

    def test_unsubscribed_keeps_order_mails_and_safety(self) -> None:
        warning = CareStep("warning", Anchor.SENT, "Read this", at=None, mail=MailKind.SAFETY)
        found = dates(dais_kit(started(), unsubscribed=True), (*PROGRAMME, warning))
        assert {each.step.key for each in found} == {"order_received", "sent", "warning"}

    def test_a_cool_room_takes_longer(self) -> None:
        warm, cool = (dais_kit(started(), profile=PINK, warmth=warmth) for warmth in (Warmth.WARM, Warmth.COOL))
        assert steps(warm)["pins_due"] < steps(cool)["pins_due"]


class TestGift:
    def test_its_clock_begins_with_its_holder(self) -> None:
        gift = dais_kit(holder="")
        assert {each.person for each in dates(gift)} == {"dai"}
        assert steps(gift) == {}
        joined = dais_kit(happened(EventKind.JOINED, on(20)), holder="eve")
        assert steps(joined) == {"arrived": on(20), "not_started": on(25)}
        assert {each.person for each in dates(joined) if each.step.mail is MailKind.CARE} == {"eve"}
        assert {each.person for each in dates(joined) if each.step.mail is MailKind.ORDER} == {"dai"}

    def test_the_buyers_care_mails_are_cancelled_when_another_joins(self) -> None:
        now = at(on(-2))
        rows = apply((), plan((), dais_kit(), now=now))
        joined = dais_kit(happened(EventKind.JOINED, on(1)), holder="eve")
        for_dai = [each for each in dates(joined) if each.person == "dai"]
        found = changes(rows, for_dai, now=now)
        assert [row.step for row in found.cancel] == ["arrived", "not_started"]


class TestExpected:
    def test_ranges_shrink_to_days_as_they_are_reported(self) -> None:
        ranges = {(each.anchor, each.cycle): each for each in expected(dais_kit(started()))}
        pins, ready = ranges[Anchor.PINS, 1], ranges[Anchor.READY, 1]
        assert (pins.first, pins.likely, pins.last) == (on(6), on(8), on(11))
        assert (ready.first, ready.likely, ready.last) == (on(10), on(13), on(18))
        told = {
            (each.anchor, each.cycle): each for each in expected(dais_kit(started(), happened(EventKind.PINS, on(9))))
        }
        assert told[Anchor.PINS, 1].reported
        assert (told[Anchor.READY, 1].first, told[Anchor.READY, 1].last) == (on(13), on(16))

    def test_every_range_rises_and_follows_the_one_before(self) -> None:
        for warmth in Warmth:
            found = [each for each in expected(dais_kit(started(), warmth=warmth)) if each.anchor is not Anchor.END]
            for each in found:
                assert each.first <= each.likely <= each.last
            likely = [each.likely for each in found]
            assert likely == sorted(likely)


class TestChanges:
    def test_a_report_keeps_moves_cancels_and_adds(self) -> None:
        rows = apply((), plan((), dais_kit(started()), now=at(on(1))))
        rows = tuple(
            replace(row, status=MailStatus.SENT, sent_at=row.due_at) if row.step == "misting" else row for row in rows
        )
        kit = dais_kit(started(), happened(EventKind.PINS, on(6)))
        found = plan(rows, kit, now=at(on(6)))
        assert {row.step for row in found.cancel} == {"pins_due", "pins_to_picking", "nothing_seen"}
        assert {row.step for row in found.add} == {"doubling", "ready"}
        assert {move.row.step for move in found.move} == {"harvest_question"}
        assert {row.step for row in found.keep} == {"order_received", "sent", "compost"}
        assert not found.late

    @pytest.mark.parametrize(
        "status", [MailStatus.SENDING, MailStatus.SENT, MailStatus.UNKNOWN, MailStatus.FAILED, MailStatus.LATE]
    )
    def test_what_has_left_is_never_touched_nor_sent_again(self, status: MailStatus) -> None:
        rows = tuple(replace(row, status=status) for row in apply((), plan((), dais_kit(started()), now=at(on(1)))))
        retimed = dais_kit(started(), started(2))
        found = plan(rows, retimed, now=at(on(2)))
        assert found == Changes()

    def test_a_cancelled_step_that_is_wanted_again_is_added_again(self) -> None:
        kit = dais_kit(started())
        rows = apply((), plan((), kit, now=at(on(2))))
        away = dais_kit(started(), happened(EventKind.PAUSED, on(2)))
        rows = apply(rows, plan(rows, away, now=at(on(2))))
        assert not care(rows, MailStatus.PLANNED)
        back = dais_kit(*away.events[3:], happened(EventKind.RESUMED, on(2)))
        assert {row.step for row in plan(rows, back, now=at(on(2))).add} == set(steps(kit))

    def test_more_than_three_days_late_is_dropped(self) -> None:
        kit = dais_kit(started())
        rows = apply((), plan((), kit, now=at(on(2))))
        due = at(on(3), time(9))
        assert not plan(rows, kit, now=due + timedelta(days=3)).late
        assert [row.step for row in plan(rows, kit, now=due + timedelta(days=3, seconds=1)).late] == ["misting"]
        fresh = plan((), kit, now=due + timedelta(days=3, seconds=1))
        assert "misting" not in {row.step for row in fresh.add}

    def test_kits_of_one_order_share_a_mail_and_of_two_orders_take_two_days(self) -> None:
        one, two = dais_kit(started()), dais_kit(started(), kit_id=2)
        other = dais_kit(started(), kit_id=3, order_id=11)
        rows = apply((), plan((), one, two, other, now=at(on(1))))
        pins = {row.kit_id: row for row in rows if row.step == "pins_due"}
        assert pins[1].due_at == pins[2].due_at == at(on(8), time(9))
        assert pins[1].envelope == pins[2].envelope
        assert pins[3].due_at == at(on(9), time(9))
        sent = dispatch(rows, now=at(on(8))).send
        assert [{row.kit_id for row in group} for group in sent if group[0].kind is MailKind.CARE] == [{1, 2}]

    def test_what_is_planned_keeps_its_day_when_another_kit_comes(self) -> None:
        kit = dais_kit(started(), order_id=20)
        rows = apply((), plan((), kit, now=at(on(1))))
        found = plan(rows, kit, dais_kit(started(), kit_id=2, order_id=10), now=at(on(1)))
        assert not found.move
        assert {row.due_at - row.wanted_at for row in found.add if row.step == "pins_due"} == {timedelta(days=1)}

    def test_a_full_calendar_drops_what_finds_no_day_in_time(self) -> None:
        kits = [dais_kit(started(), kit_id=n, order_id=n) for n in range(1, 8)]
        rows = apply((), plan((), *kits, now=at(on(1))))
        assert len([row for row in rows if row.step == "pins_due"]) < 7
        days = [farm_day(row.due_at, BERLIN) for row in care(rows, MailStatus.PLANNED)]
        assert len(days) == len(set(days))
        assert all(row.due_at - row.wanted_at <= timedelta(days=3) for row in rows)

    def test_order_mails_and_safety_share_no_day_and_know_no_night(self) -> None:
        warning = CareStep("warning", Anchor.SENT, "Read this", at=None, mail=MailKind.SAFETY)
        kit = dais_kit(unsubscribed=True)
        rows = apply((), changes((), dates(kit, (*PROGRAMME, warning)), now=at(on(1), time(3))))
        much_later = at(on(30), time(3))
        assert plan(rows, kit, now=much_later).late == ()
        sent = dispatch(rows, now=much_later)
        assert {group[0].step for group in sent.send} == {"order_received", "sent", "warning"}
        assert not sent.late


class TestDispatch:
    def test_a_mail_due_in_the_night_waits_for_eight(self) -> None:
        kit = dais_kit(started())
        rows = apply((), plan((), kit, now=at(on(2))))
        night = at(on(4), time(3))
        found = dispatch(rows, now=night)
        assert [(move.row.step, move.to.due_at) for move in found.wait] == [("misting", at(on(4), time(8)))]
        assert next_opening(at(on(4), time(20)), zone=BERLIN) == at(on(5), time(8))
        assert next_opening(at(on(4), time(19, 59)), zone=BERLIN) == at(on(4), time(19, 59))

    def test_after_an_outage_only_the_newest_due_step_goes(self) -> None:
        kit = dais_kit(started())
        rows = apply((), plan((), kit, now=at(on(2))))
        found = dispatch(rows, now=at(on(10), time(10)))
        assert [[row.step for row in group] for group in found.send if group[0].kind is MailKind.CARE] == [
            ["pins_to_picking"]
        ]
        assert {row.step for row in found.late} == {"misting", "pins_due"}

    def test_forty_days_of_outage_send_at_most_one_mail_a_kit(self) -> None:
        for reported in ((started(),), (), (started(), happened(EventKind.PINS, on(6)))):
            kit = dais_kit(*reported, start_by=on(45))
            rows = apply((), plan((), kit, now=at(on(1))))
            now = at(on(41))
            for hour in range(72):
                rows = apply(rows, plan(rows, kit, now=now + timedelta(hours=hour)))
                rows = send_due(rows, now=now + timedelta(hours=hour))
            assert len(care(rows)) <= 1

    def test_a_second_mail_of_one_day_waits_for_the_next(self) -> None:
        first, second = dais_kit(started()), dais_kit(started(), kit_id=2, order_id=11)
        rows = apply((), plan((), first, second, now=at(on(2))))
        rows = send_due(rows, now=at(on(8), time(9)))
        forced = tuple(replace(row, due_at=row.wanted_at) if row.step == "pins_due" else row for row in rows)
        found = dispatch(forced, now=at(on(8), time(11)))
        assert [move.to.due_at for move in found.wait if move.row.step == "pins_due"] == [at(on(9), time(9))]


@pytest.mark.parametrize("zone", ZONES)
def test_no_zone_changes_its_clock_in_the_hours_of_care_mails(zone: str) -> None:
    here = ZoneInfo(zone)
    for ahead in range(365 * 4):
        day = date(2024, 1, 1) + timedelta(days=ahead)
        opens, closes = (instant(day, clock, zone) for clock in (time(8), time(20)))
        assert closes - opens == timedelta(hours=12)
        assert opens.astimezone(here).time() == time(8)


@dataclass
class House:
    """A holder's kits and rows through time: what services and the drain would do with the answers of the core."""

    zone: str
    now: datetime
    kits: dict[int, KitCare] = field(default_factory=dict)
    rows: tuple[PlannedMail, ...] = ()

    def buy(self, order: int) -> None:
        kit = KitCare(len(self.kits) + 1, order, "dai", "dai", self.zone, PEARL, ())
        self.kits[kit.kit_id] = kit
        for kind in (EventKind.SEALED, EventKind.SOLD, EventKind.SENT):
            self.tell(kit.kit_id, kind, back=0)

    def tell(self, kit_id: int, kind: EventKind, *, back: int) -> None:
        kit = self.kits[kit_id]
        day = farm_day(self.now, self.zone) - timedelta(days=back)
        try:
            event = report(kind, kit.events, on=day, at=self.now)
            check(event, kit.events, now=self.now, zone=self.zone)
        except Problem:
            return
        self.kits[kit_id] = replace(kit, events=(*kit.events, event))

    def replan(self) -> None:
        gone = {row for row in self.rows if row.status is not MailStatus.PLANNED}
        due = [each for kit in self.kits.values() for each in dates(kit)]
        found = changes(self.rows, due, now=self.now)
        touched = {*(move.row for move in found.move), *found.cancel, *found.late, *found.keep}
        assert not touched & gone
        planned = [row for row in self.rows if row.status is MailStatus.PLANNED]
        assert len(found.keep) + len(found.move) + len(found.cancel) + len(found.late) == len(planned)
        self.rows = apply(self.rows, found)
        assert changes(self.rows, due, now=self.now).nothing
        self.check_plan()

    def drain(self) -> None:
        before = set(care(self.rows))
        self.rows = send_due(self.rows, now=self.now)
        new = [row for row in care(self.rows) if row not in before]
        assert len({row.envelope for row in new}) <= 1
        for row in new:
            assert time(8) <= self.now.astimezone(ZoneInfo(self.zone)).time() < time(20)
            assert timedelta() <= self.now - row.wanted_at <= timedelta(days=3)

    def check_plan(self) -> None:
        live = [row for row in self.rows if row.status is not MailStatus.CANCELLED]
        assert len({row.key for row in live}) == len(live)
        by_day: dict[date, set[str]] = {}
        for row in care(self.rows, MailStatus.PLANNED):
            assert time(8) <= row.due_at.astimezone(ZoneInfo(self.zone)).time() < time(20)
            if row.due_at > self.now:
                by_day.setdefault(farm_day(row.due_at, self.zone), set()).add(row.envelope)
        assert all(len(envelopes) == 1 for envelopes in by_day.values())

    def check_sent(self) -> None:
        sent = care(self.rows)
        assert len({row.key for row in sent}) == len(sent)
        by_day: dict[date, set[str]] = {}
        for row in sent:
            assert row.sent_at is not None
            by_day.setdefault(farm_day(row.sent_at, self.zone), set()).add(row.envelope)
        assert all(len(envelopes) == 1 for envelopes in by_day.values())


ACTIONS = st.one_of(
    st.tuples(st.just("buy"), st.integers(1, 3), st.just(0)),
    st.tuples(st.sampled_from(EventKind), st.integers(1, 4), st.integers(0, 4)),
    st.tuples(st.just("hours"), st.integers(1, 60), st.just(0)),
    st.tuples(st.just("days"), st.integers(1, 45), st.just(0)),
    st.tuples(st.just("drain"), st.integers(1, 8), st.just(0)),
)


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(ZONES), st.integers(0, 1500), st.lists(ACTIONS, max_size=30))
def test_whatever_happens_the_rules_hold_and_asking_twice_changes_nothing(
    zone: str, begin: int, actions: list[tuple[str, int, int]]
) -> None:
    house = House(zone, datetime(2024, 1, 1, 7, tzinfo=UTC) + timedelta(days=begin))
    house.buy(1)
    house.replan()
    for what, number, back in actions:
        if what == "buy":
            house.buy(number)
        elif what == "hours":
            house.now += timedelta(hours=number)
        elif what == "days":
            house.now += timedelta(days=number)
        elif what == "drain":
            for _ in range(number):
                house.drain()
                house.now += timedelta(hours=6)
        elif number in house.kits:
            house.tell(number, EventKind(what), back=back)
        house.replan()
    house.check_sent()


@pytest.mark.parametrize("zone", ZONES)
def test_kits_bought_every_six_weeks_hear_all_where_clocks_jump(zone: str) -> None:
    begin = datetime(2026, 1, 1, 7, tzinfo=UTC)
    house = House(zone, begin)
    for hour in range(0, 24 * 140, 6):
        house.now = begin + timedelta(hours=hour)
        if hour % (24 * 42) == 0:
            house.buy(hour)
        if hour % (24 * 42) == 24 * 4:
            house.tell(len(house.kits), EventKind.STARTED, back=0)
        if hour % 48 == 0:
            house.replan()
        house.drain()
    house.check_sent()
    sent = {row.step for row in care(house.rows)}
    assert {"arrived", "misting", "pins_due", "pins_to_picking", "nothing_seen", "harvest_question", "compost"} <= sent
    assert not care(house.rows, MailStatus.LATE)


# ---- A gift's own day -----------------------------------------------------------------------------------------------


def joined(day: int) -> KitEvent:
    return happened(EventKind.JOINED, on(day))


def test_a_gift_s_day_is_told_and_nobody_is_asked_before_it() -> None:
    """Sent on 25 February, joined on 1 March: asked on the 6th whether it was started, were there no day of its own."""
    plain = steps(dais_kit(joined(1), start_by=on(30)))
    assert (plain["arrived"], plain["not_started"]) == (on(1), on(6))
    assert "gift_day" not in plain
    given = steps(dais_kit(joined(1), start_by=on(30), start_on=on(12)))
    assert (given["arrived"], given["gift_day"], given["not_started"]) == (on(1), on(12), on(17))
    assert given["start_by"] == plain["start_by"] == on(23)


@pytest.mark.parametrize("day", [1, 5, 12])
def test_a_gift_that_came_on_its_day_or_later_is_like_any_other(day: int) -> None:
    late = dais_kit(joined(12), start_by=on(30), start_on=on(day))
    assert steps(late) == steps(replace(late, start_on=None))
    assert Anchor.START_ON not in {each.anchor for each in expected(late)}


def test_a_gift_s_day_is_silent_where_mails_are() -> None:
    waits = {"start_by": on(30), "start_on": on(12)}
    assert "gift_day" not in steps(dais_kit(joined(1), started(4), **waits)), "it was started before"
    assert not steps(dais_kit(holder="", **waits)), "nobody has joined"
    assert not steps(dais_kit(joined(1), unsubscribed=True, **waits))
    assert not steps(dais_kit(joined(1), happened(EventKind.PAUSED, on(2)), **waits))


def test_a_gift_s_day_gives_way_like_any_care_mail() -> None:
    """One care mail a day: of two kits whose day is the same, the second mail goes on the next."""
    kits = (
        dais_kit(joined(1), start_on=on(12), start_by=on(30)),
        dais_kit(joined(1), start_on=on(12), start_by=on(30), kit_id=2, order_id=11),
    )
    found = plan((), *kits, now=at(on(1), time(7)))
    days = sorted(farm_day(mail.due_at, BERLIN) for mail in found.add if mail.step == "gift_day")
    assert days == [on(12), on(13)]
