"""Kits from the sealed bag to somebody's window sill: Ada seals, Ben packs, Dai starts hers, Gwen is given one."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from fulfilment.core.problems import Conflict, Invalid, Missing, Unconfirmed
from fulfilment.models import Batch, Event, Hold, Holder, Kit, KitEvent, Line, Lot, Mail, Product, StockEntry
from fulfilment.read import kits as read_kits
from fulfilment.services import caring, customers, kits, packing, stock
from tests.builders.kitchens import (
    BEN,
    FRIDAY,
    NOW,
    THURSDAY,
    a_batch,
    a_buyer,
    a_farm,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
)
from tests.builders.kits import ADA, a_kit_lot, sent_kits

pytestmark = pytest.mark.django_db

GWEN = "gwen@example.org"


@pytest.fixture
def product() -> Product:
    a_farm()
    caring.lay_programme()
    return a_product(a_strain(), grade="kit", price_minor=1_900)


def seal(batch: Batch, bags: int, *, sealed_on: date = THURSDAY) -> Lot:
    return kits.seal(batch.public_id, bags=bags, sealed_on=sealed_on, by=ADA, now=NOW, today=FRIDAY)


def pick(line: Line, lot: Lot, amount: int, **more: object) -> str:
    return packing.pick(
        str(line), lot=lot.public_id, amount=amount, by=BEN, now=NOW, today=FRIDAY, **more  # type: ignore[arg-type]  # test data
    ).public_id  # fmt: skip


def history(kit: Kit) -> list[str]:
    return list(kit.events.order_by("pk").values_list("kind", flat=True))


# ---- Sealing --------------------------------------------------------------------------------------------------------


def test_sealed_bags_are_a_lot_of_numbered_kits_each_with_a_code(product: Product) -> None:
    batch = a_batch(product.strain, bags=40)
    lot = seal(batch, 12)
    lot.refresh_from_db()
    batch.refresh_from_db()
    assert (lot.quantity, lot.grade, lot.ready_on) == (12, "kit", THURSDAY)
    assert (batch.bags_sealed, batch.bags_left, batch.kit_quota) == (12, 28, 12)
    codes = [code for pair in Kit.objects.values_list("public_id", "joining_code") for code in pair]
    assert len(set(codes)) == 24
    assert {tuple(history(kit)) for kit in Kit.objects.all()} == {("sealed",)}


def test_start_by_is_counted_from_the_day_of_full_run(product: Product) -> None:
    batch = a_batch(product.strain, colonised_on=date(2026, 5, 1))
    assert seal(batch, 1).best_before == date(2026, 5, 1) + timedelta(weeks=8)


def test_sealing_fewer_than_the_plan_wants_leaves_its_quota(product: Product) -> None:
    batch = a_batch(product.strain)
    Batch.objects.filter(pk=batch.pk).update(kit_quota=20)
    seal(batch, 5)
    seal(batch, 5)
    batch.refresh_from_db()
    assert batch.kit_quota == 20
    assert stock.in_store(batch) == 10


@pytest.mark.parametrize(
    ("bags", "sealed_on", "where", "says"),
    [
        (0, THURSDAY, "bags", "at least 1 bag"),
        (41, THURSDAY, "bags", "has 40 bags that are neither lost, opened nor sealed, so 41 cannot be sealed"),
        (5, FRIDAY + timedelta(days=1), "sealed_on", "has not come yet"),
        (5, date(2026, 4, 1), "batch", "was not grown through by Wednesday 1 April 2026"),
    ],
)
def test_what_cannot_be_sealed(product: Product, bags: int, sealed_on: date, where: str, says: str) -> None:
    batch = a_batch(product.strain, bags=40)
    with pytest.raises((Invalid, Conflict), match=says) as told:
        seal(batch, bags, sealed_on=sealed_on)
    assert told.value.where == where
    assert not Lot.objects.exists()


def test_bags_not_grown_through_held_or_too_old_are_not_sealed(product: Product) -> None:
    with pytest.raises(Conflict, match="log the full run first"):
        seal(a_batch(product.strain, colonised_on=None), 5)
    held = a_batch(product.strain)
    Hold.objects.create(batch=held, reason="mould seen", placed_at=NOW, placed_by=ADA)
    with pytest.raises(Conflict, match=r"on hold \(mould seen\)"):
        seal(held, 5)
    with pytest.raises(Conflict, match="had to be started by"):
        seal(a_batch(product.strain, colonised_on=FRIDAY - timedelta(weeks=9)), 5)
    assert not Kit.objects.exists()


# ---- Picking --------------------------------------------------------------------------------------------------------


def test_the_kits_sealed_first_are_picked_and_are_the_buyers(product: Product) -> None:
    batch = a_batch(product.strain)
    lot = seal(batch, 5)
    line = a_line(a_buyer(), product, 2)
    pick(line, lot, 2)
    first, second, *others = Kit.objects.order_by("pk")
    assert [kit.line for kit in (first, second)] == [line, line]
    assert (first.state, first.holder and first.holder.buyer) == ("sold", line.order.buyer)
    assert {(kit.state, kit.line) for kit in others} == {("sealed", None)}
    assert history(first) == ["sealed", "sold"]
    lot.refresh_from_db()
    batch.refresh_from_db()
    assert (lot.quantity, batch.kit_quota) == (3, 3)


def test_named_kits_are_picked(product: Product) -> None:
    lot = seal(a_batch(product.strain), 5)
    wanted = list(Kit.objects.order_by("-pk").values_list("public_id", flat=True))[:2]
    line = a_line(a_buyer(), product, 2)
    pick(line, lot, 2, kit_numbers=[wanted[0], wanted[1].lower()])
    assert set(line.kits.values_list("public_id", flat=True)) == set(wanted)


def test_kits_that_are_not_there_cannot_be_picked_whoever_confirms(product: Product) -> None:
    lot = seal(a_batch(product.strain), 2)
    other = seal(a_batch(product.strain), 1).kits.get()
    line = a_line(a_buyer(), product, 3)
    with pytest.raises(Conflict, match="has 2 kits that can be picked, not 3"):
        pick(line, lot, 3, confirmed=True)
    for numbers in ([other.public_id], ["K7Q2-M4XJ"], []):
        named = [lot.kits.order_by("pk")[0].public_id, *numbers]
        with pytest.raises(Invalid, match="name each kit once") as told:
            pick(line, lot, 2, kit_numbers=named)
        assert told.value.where == "kit_numbers"
    assert not StockEntry.objects.exclude(kind="sealed").exists()


def test_a_kit_on_hold_is_passed_over_and_cannot_be_named(product: Product) -> None:
    lot = seal(a_batch(product.strain), 2)
    held, free = lot.kits.order_by("pk")
    Hold.objects.create(kit=held, reason="green spot", placed_at=NOW, placed_by=ADA)
    line = a_line(a_buyer(), product, 1)
    with pytest.raises(Conflict, match=f"Kit {held.public_id} is on hold"):
        pick(line, lot, 1, kit_numbers=[held.public_id])
    pick(line, lot, 1)
    assert line.kits.get() == free


def test_one_kit_more_than_ordered_is_asked(product: Product) -> None:
    lot = seal(a_batch(product.strain), 5)
    line = a_line(a_buyer(), product, 2)
    with pytest.raises(Unconfirmed, match="is due 2 kits and would have 3"):
        pick(line, lot, 3)


def test_an_undone_pick_puts_its_kits_back_on_sale_and_they_can_be_sold_again(product: Product) -> None:
    batch = a_batch(product.strain)
    lot = seal(batch, 3)
    line = a_line(a_buyer(), product, 2)
    for _ in range(3):
        made = pick(line, lot, 2)
        packing.undo_pick(made, by=BEN, now=NOW, today=FRIDAY)
    batch.refresh_from_db()
    lot.refresh_from_db()
    assert (lot.quantity, batch.kit_quota) == (3, 3)
    assert {(kit.state, kit.line, kit.holder) for kit in Kit.objects.all()} == {("sealed", None, None)}
    pick(line, lot, 2)
    kit = line.kits.first()
    assert kit is not None
    assert history(kit) == ["sealed", *["sold", "released"] * 3, "sold"]


def test_only_the_kits_of_the_undone_pick_go_back(product: Product) -> None:
    lot = seal(a_batch(product.strain), 5)
    line = a_line(a_buyer(), product, 3)
    pick(line, lot, 2)
    kept = set(line.kits.all())
    later = packing.pick(str(line), lot=lot.public_id, amount=1, by=BEN, now=NOW + timedelta(minutes=1), today=FRIDAY)
    packing.undo_pick(later.public_id, by=BEN, now=NOW + timedelta(minutes=2), today=FRIDAY)
    assert set(line.kits.all()) == kept


def test_kits_for_a_kitchen_have_no_holder(product: Product) -> None:
    (kit,) = [*sent_kits(a_kitchen(), product)]
    assert (kit.state, kit.holder) == ("sent", None)


# ---- Joining --------------------------------------------------------------------------------------------------------


def join(
    kit: Kit, *, email: str = GWEN, zone: str = "Europe/Berlin", warmth: str = "normal", now: datetime = NOW
) -> Kit:
    return kits.join(kit.joining_code, email=email, name="Gwen", zone=zone, warmth=warmth, now=now)


DAY_AFTER = NOW + timedelta(days=3)


def test_a_gifts_clock_begins_with_its_holder(product: Product) -> None:
    (kit,) = sent_kits(a_buyer(), product, gift=True)
    assert kit.holder is None
    assert not kit.care_mails.exists()
    joined = join(kit, zone="Pacific/Auckland", warmth="cool", now=DAY_AFTER)
    assert joined.holder is not None
    assert (joined.holder.email, joined.holder.zone, joined.holder.buyer, joined.warmth) == (
        GWEN, "Pacific/Auckland", None, "cool",
    )  # fmt: skip
    assert history(kit) == ["sealed", "sold", "sent", "joined"]
    assert kit.care_mails.get(step="arrived").due_at > DAY_AFTER - timedelta(days=1)
    assert GWEN not in str(list(Event.objects.values()))


def test_neither_side_sees_the_others_address(product: Product) -> None:
    (kit,) = sent_kits(a_buyer(), product, gift=True)
    joined = join(kit, now=DAY_AFTER)
    (page,) = read_kits.view([Kit.objects.select_related(*read_kits.WITH).get(pk=joined.pk)])
    for address in (GWEN, "dai@example.org", "Dai"):
        assert address not in repr(page)
    with pytest.raises(Conflict) as told:
        kits.record(kit.public_id, kind="rewatered", on=FRIDAY, by="holder:x", now=DAY_AFTER)
    assert "example.org" not in told.value.sentence


def test_joining_twice_changes_nothing_but_the_room(product: Product) -> None:
    (kit,) = sent_kits(a_buyer(), product, gift=True)
    once = join(kit, now=DAY_AFTER)
    twice = join(kit, email="GWEN@example.org", warmth="warm", now=DAY_AFTER)
    assert once.holder == twice.holder == Holder.objects.get(buyer=None)
    assert Kit.objects.get().warmth == "warm"
    assert history(kit).count("joined") == 1


def test_who_has_the_box_takes_over_and_the_one_before_hears_no_more(product: Product) -> None:
    (kit,) = sent_kits(a_buyer(), product)
    dai = kit.holder
    assert dai is not None
    joined = join(kit, now=DAY_AFTER)
    assert joined.holder != dai
    assert caring.plan_all(now=DAY_AFTER) == 0
    assert caring.due(now=DAY_AFTER + timedelta(hours=6)) == 1
    assert {mail.holder for mail in Mail.objects.filter(kind="care")} == {joined.holder}
    assert not Mail.objects.filter(holder=dai).exists()


def test_the_same_person_with_two_gifts_is_one_holder_who_keeps_their_name_and_clock(product: Product) -> None:
    first, second = sent_kits(a_buyer(), product, 2, gift=True)
    join(first, zone="Pacific/Auckland", now=DAY_AFTER)
    kits.join(second.joining_code, email=GWEN, name="Somebody else", zone="Europe/Berlin", warmth="cool", now=DAY_AFTER)
    holder = Holder.objects.get(buyer=None)
    assert (holder.name, holder.zone, holder.kits.count()) == ("Gwen", "Pacific/Auckland", 2)


@pytest.mark.parametrize("code", ["", "K7Q2-M4XJ", "nonsense", "' OR 1=1 --"])
def test_a_code_that_is_none(product: Product, code: str) -> None:
    sent_kits(a_buyer(), product)
    with pytest.raises(Missing, match="look at the label on the box") as told:
        kits.join(code, email=GWEN, zone="Etc/UTC", warmth="normal", now=NOW)
    assert told.value.where == "code"


def test_a_kits_number_is_no_joining_code(product: Product) -> None:
    (kit,) = sent_kits(a_buyer(), product)
    with pytest.raises(Missing):
        kits.join(kit.public_id, email=GWEN, zone="Etc/UTC", warmth="normal", now=NOW)


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        ({"email": "gwen@example.org\nBcc: eve@example.org"}, "email", "one line"),
        ({"zone": "Saltby"}, "zone", "no time zone"),
        ({"warmth": "tropical"}, "warmth", "one of: cool, normal, warm"),
    ],
)
def test_a_holder_who_cannot_be_told(product: Product, change: dict[str, str], where: str, says: str) -> None:
    (kit,) = sent_kits(a_buyer(), product, gift=True)
    with pytest.raises(Invalid, match=says) as told:
        join(kit, **change)  # type: ignore[arg-type]  # strings all
    assert told.value.where == where
    assert Kit.objects.get().holder is None


def test_a_code_is_good_from_sending_until_ninety_days_after_the_end(product: Product) -> None:
    lot = a_kit_lot(a_batch(product.strain), 2)
    sealed, _ = lot.kits.order_by("pk")
    with pytest.raises(Conflict, match="nobody has bought it"):
        join(sealed)
    pick(a_line(a_buyer(), product, 1), lot, 1)
    with pytest.raises(Conflict, match="it has not been sent yet"):
        join(sealed)
    (kit,) = sent_kits(a_buyer("Eli"), product)
    kits.record(kit.public_id, kind="finished", on=FRIDAY, by=BEN, now=NOW + timedelta(hours=2))
    last_day = NOW + timedelta(days=90)
    join(kit, now=last_day)
    with pytest.raises(Conflict, match="valid for 90 days after that"):
        join(kit, email="late@example.org", now=last_day + timedelta(days=1))
    with pytest.raises(Conflict, match="valid for 90 days after that"):
        join(kit, now=last_day + timedelta(days=1))


# ---- Reporting ------------------------------------------------------------------------------------------------------

SUNDAY = FRIDAY + timedelta(days=2)


def say(kit: Kit, kind: str, on: date, **more: object) -> Kit:
    at = datetime(on.year, on.month, on.day, 18, tzinfo=UTC)
    return kits.record(kit.public_id, kind=kind, on=on, by="holder:dai", now=at, **more)  # type: ignore[arg-type]  # test data


@pytest.fixture
def kit(product: Product) -> Kit:
    return sent_kits(a_buyer(), product)[0]


def test_a_whole_life(kit: Kit) -> None:
    course = [
        ("started", 2, 1, "started"),
        ("pins", 9, 1, "fruiting"),
        ("harvested_first", 14, 1, "fruiting"),
        ("harvested_all", 16, 1, "resting"),
        ("rewatered", 26, 2, "started"),
        ("pins", 33, 2, "fruiting"),
        ("harvested_all", 38, 2, "resting"),
        ("finished", 60, 2, "finished"),
    ]
    for kind, day, cycle, stage in course:
        after = say(kit, kind, FRIDAY + timedelta(days=day))
        assert after.state == stage == Kit.objects.get().state
        if kind != "finished":
            assert kit.events.order_by("pk").last().cycle == cycle  # type: ignore[union-attr]  # just written
    assert Kit.objects.get().finished_on == FRIDAY + timedelta(days=60)
    assert Event.objects.filter(kind="kit_event", subject=kit.public_id).count() == len(course)


def test_a_button_pressed_twice_is_written_once(kit: Kit) -> None:
    for _ in range(2):
        say(kit, "started", SUNDAY)
    for _ in range(2):
        say(kit, "pins", SUNDAY + timedelta(days=7))
    for _ in range(2):
        say(kit, "harvested_first", SUNDAY + timedelta(days=12))
    say(kit, "harvested_first", SUNDAY + timedelta(days=13))
    for _ in range(2):
        say(kit, "trouble", SUNDAY + timedelta(days=14), trouble="dry")
    assert history(kit)[3:] == ["started", "pins", "harvested_first", "trouble"]
    assert Mail.objects.filter(kind="kit_trouble").count() == 1


def test_the_day_of_the_start_can_be_put_right(kit: Kit) -> None:
    say(kit, "started", SUNDAY + timedelta(days=1))
    before = kit.care_mails.get(step="pins_due").due_at
    say(kit, "started", SUNDAY + timedelta(days=3))
    assert kit.care_mails.get(step="pins_due").due_at == before + timedelta(days=2)


def test_a_few_late_mushrooms_begin_the_rest_anew(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    say(kit, "harvested_all", SUNDAY + timedelta(days=14))
    before = kit.care_mails.get(step="rewater", cycle=1).due_at
    say(kit, "harvested_all", SUNDAY + timedelta(days=16))
    assert kit.care_mails.get(step="rewater", cycle=1).due_at == before + timedelta(days=2)


@pytest.mark.parametrize(
    ("kind", "on", "says"),
    [
        ("started", FRIDAY - timedelta(days=1), "is before the kit was sent, Friday 8 May 2026"),
        ("pins", SUNDAY, "Report the day it was started first"),
        ("harvested_all", SUNDAY, "Report the day it was started first"),
        ("rewatered", SUNDAY, "Report the day it was started first"),
        ("resumed", SUNDAY, "neither paused nor in trouble"),
    ],
)
def test_what_cannot_have_happened_yet(kit: Kit, kind: str, on: date, says: str) -> None:
    with pytest.raises((Invalid, Conflict), match=says):
        kits.record(kit.public_id, kind=kind, on=on, by="holder:dai", now=NOW + timedelta(days=2))
    assert history(kit) == ["sealed", "sold", "sent"]


def test_tomorrow_is_told_by_the_holders_own_clock(product: Product) -> None:
    """At 13:00 UTC on Friday it is Saturday in Auckland already, and still Friday on the farm."""
    (kit,) = sent_kits(a_buyer(zone="Pacific/Auckland"), product)
    saturday, at = FRIDAY + timedelta(days=1), datetime(2026, 5, 8, 13, tzinfo=UTC)
    kits.record(kit.public_id, kind="started", on=saturday, by="holder:dai", now=at)
    with pytest.raises(Invalid, match="Sunday 10 May 2026 has not come yet") as told:
        kits.record(kit.public_id, kind="pins", on=SUNDAY, by="holder:dai", now=at)
    assert told.value.where == "on"


def test_pins_before_the_start_are_out_of_order(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    with pytest.raises(Invalid, match="is before the kit was last reported, Sunday 10 May 2026"):
        kits.record(kit.public_id, kind="pins", on=FRIDAY, by="holder:dai", now=NOW + timedelta(days=4))


@pytest.mark.parametrize("kind", ["sent", "sold", "sealed", "joined", "replaced", "released", "eaten", ""])
def test_only_what_a_holder_can_see_can_be_reported(kit: Kit, kind: str) -> None:
    with pytest.raises(Invalid, match="must be one of: started, pins") as told:
        say(kit, kind, SUNDAY)
    assert told.value.where == "kind"


@pytest.mark.parametrize(
    ("more", "where", "says"),
    [
        ({"kind": "trouble"}, "trouble", "one of: mould"),
        ({"kind": "trouble", "trouble": "ghosts"}, "trouble", "one of: mould"),
        ({"kind": "started", "trouble": "mould"}, "trouble", "Only a report of trouble"),
        ({"kind": "started", "note": "a\nb"}, "note", "one line"),
        ({"kind": "started", "note": "x" * 301}, "note", "at most 300"),
        ({"kind": "started", "cycle": 7}, "cycle", "from 1 to 6"),
    ],
)
def test_reports_that_say_too_little_or_too_much(kit: Kit, more: dict[str, str], where: str, says: str) -> None:
    with pytest.raises(Invalid, match=says) as told:
        say(kit, on=SUNDAY, **more)
    assert told.value.where == where


def test_trouble_is_a_case_for_staff_and_is_silent_on_who(kit: Kit) -> None:
    say(kit, "trouble", SUNDAY, trouble="mould", note="green at the cut")
    mail = Mail.objects.get(kind="kit_trouble")
    assert (mail.to_staff, mail.subject) == (True, {"kit": kit.public_id, "trouble": "mould"})
    assert kit.events.get(kind="trouble").note == "green at the cut"
    assert "green" not in str(list(Event.objects.values("data")))
    (page,) = read_kits.view([Kit.objects.select_related(*read_kits.WITH).get(pk=kit.pk)])
    assert (page.troubled, page.trouble) == (True, "mould")


def test_the_room_changes_the_dates_to_come(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    normal = kit.care_mails.get(step="pins_due").due_at
    told = kits.set_room(kit.public_id, warmth="cool", celsius=12.5, by="holder:dai", now=NOW + timedelta(days=3))
    assert (told.warmth, told.room_celsius_tenths) == ("cool", 125)
    assert kit.care_mails.get(step="pins_due").due_at > normal
    with pytest.raises(Invalid, match="Is it Fahrenheit"):
        kits.set_room(kit.public_id, celsius=200, by="holder:dai", now=NOW)


def test_a_replaced_kit_is_silent_and_replaced_once(kit: Kit) -> None:
    say(kit, "started", SUNDAY)
    with pytest.raises(Invalid, match="replacing a kit needs a reason"):
        kits.replace(kit.public_id, reason=" ", on=SUNDAY, by=BEN, now=NOW + timedelta(days=3))
    for _ in range(2):
        kits.replace(kit.public_id, reason="mould", on=SUNDAY, by=BEN, now=NOW + timedelta(days=3))
    assert Kit.objects.get().state == "replaced"
    assert history(kit).count("replaced") == 1
    assert not kit.care_mails.filter(state="planned").exists()


def test_a_kit_refused_at_the_door_ends_there(product: Product) -> None:
    kept, back = sent_kits(a_buyer(), product, 2)
    assert kept.line is not None
    packing.deliver(
        kept.line.shipment.public_id, refused=[(str(kept.line), 1, "crushed")], by=BEN, now=NOW + timedelta(hours=5),
        today=FRIDAY,
    )  # fmt: skip
    back.refresh_from_db()
    kept.refresh_from_db()
    assert (back.state, back.holder, kept.state) == ("finished", None, "sent")
    assert not back.care_mails.filter(state="planned").exists()
    assert kept.care_mails.filter(state="planned").exists()
    assert caring.plan_all(now=NOW + timedelta(hours=6)) == 0


def test_a_kit_given_away_at_the_gate_can_be_joined(product: Product) -> None:
    lot = a_kit_lot(a_batch(product.strain), 1)
    stock.take(lot.public_id, kind="given_away", quantity=1, by=BEN, now=NOW, today=FRIDAY)
    kit = Kit.objects.get()
    joined = join(kit, now=NOW + timedelta(hours=1))
    assert (joined.line, joined.holder and joined.holder.email) == (None, GWEN)
    assert kit.care_mails.filter(state="planned").exists()


def test_who_buys_is_one_holder_for_all_their_kits(product: Product) -> None:
    buyer = a_buyer()
    first, second = sent_kits(buyer, product, 2)
    assert first.holder == second.holder == customers.holder_of(buyer, now=NOW)


def test_no_event_is_changed_afterwards(kit: Kit) -> None:
    from django.db import DatabaseError, transaction

    with pytest.raises(DatabaseError), transaction.atomic():
        KitEvent.objects.filter(kit=kit).update(note="x")
