"""A plan for the farm's week: who gets what, from which lot, and what the account says."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import pytest

from fulfilment.core.allocation import Code, Piece, Plan, Rule, Source, Want, allocate, audit, difference
from fulfilment.core.problems import Invalid
from fulfilment.core.units import KIT, Goods

PEARL, PINK = Goods(1, "a"), Goods(2, "a")
MONDAY = date(2026, 5, 4)


def day(offset: int) -> date:
    return MONDAY + timedelta(days=offset)


def lot(number: int, amount: int, *, goods: Goods = PEARL, ready: int = -1, keeps: int = 7) -> Source:
    return Source(f"lot:{number}", goods, amount, day(ready), day(ready + keeps), number)


def line(
    number: int,
    ordered: int,
    *,
    on: int = 2,
    goods: Sequence[Goods] = (PEARL,),
    age: int = 7,
    promised: int = 0,
    **more: object,
) -> Want:
    want = Want(
        line_id=number,
        order_id=number,
        day=day(on),
        choices=tuple((g, day(on - age), day(on)) for g in goods),
        ordered=ordered,
        promised=((goods[0], promised),) if promised else (),
        rank=number,
    )
    return replace(want, **more)  # type: ignore[arg-type]  # a test names only fields of a want


def plan_of(wants: Sequence[Want], sources: Sequence[Source], rule: Rule = Rule.PRO_RATA) -> Plan:
    plan = allocate(wants, sources, today=MONDAY, rule=rule)
    assert audit(plan, wants, sources, today=MONDAY) == []
    return plan


def with_yesterday(wants: Sequence[Want], plan: Plan) -> list[Want]:
    return [
        replace(w, previous=tuple((p.source, p.amount) for p in plan.pieces if p.line_id == w.line_id)) for w in wants
    ]


def from_lots(plan: Plan, number: int) -> dict[str, int]:
    return {p.source: p.amount for p in plan.pieces if p.line_id == number}


# ---- Nothing, and almost nothing ------------------------------------------------------------------------------------


def test_no_orders_and_no_mushrooms() -> None:
    plan = plan_of([], [])
    assert plan == Plan()
    assert plan_of([], [lot(1, 500)]).totals.left == 500


def test_orders_and_no_mushrooms() -> None:
    plan = plan_of([line(1, 500), line(2, 0)], [])
    assert plan.amounts == {1: 0, 2: 0}
    assert plan.accounts[1].code == Code.NOTHING_THERE
    assert plan.accounts[2].code == Code.NOTHING_ORDERED


def test_a_line_that_accepts_nothing() -> None:
    plan = plan_of([line(1, 500, goods=[PEARL], choices=())], [lot(1, 500)])
    assert plan.accounts[1].code == Code.NOTHING_ACCEPTED


def test_an_empty_lot_and_one_past_its_date_supply_nothing() -> None:
    plan = plan_of([line(1, 500, on=0)], [lot(1, 0), lot(2, 500, ready=-8, keeps=7)])
    assert plan.accounts[1].code == Code.NOTHING_THERE
    assert plan.totals.there == 0


def test_a_lot_is_not_sent_after_its_last_day() -> None:
    plan = plan_of([line(1, 500, on=3)], [lot(1, 500, ready=-1, keeps=3)])
    assert plan.accounts[1].code == Code.NOTHING_THERE


def test_an_overdue_delivery_takes_only_what_is_still_good_today() -> None:
    plan = plan_of([line(1, 500, on=-2, age=5)], [lot(1, 500, ready=-6, keeps=5), lot(2, 300, ready=-3, keeps=5)])
    assert from_lots(plan, 1) == {"lot:2": 300}


def test_a_harvest_of_thursday_is_not_for_wednesday() -> None:
    coming = Source("coming:1:a:2026-05-07", PEARL, 900, day(3), day(10), None)
    plan = plan_of([line(1, 500, on=2), line(2, 500, on=4)], [coming])
    assert plan.amounts == {1: 0, 2: 500}


def test_kits_are_shared_in_pieces() -> None:
    kits = Goods(1, KIT)
    plan = plan_of([line(1, 4, goods=[kits]), line(2, 4, goods=[kits])], [lot(1, 5, goods=kits, keeps=30)])
    assert sorted(plan.amounts.values()) == [2, 3]


@pytest.mark.parametrize(
    ("wants", "sources", "sentence"),
    [
        ([line(1, -1)], [], "below zero"),
        ([line(1, 5, pack=0)], [], "at least 1"),
        ([line(1, 5), line(1, 6)], [], "line is listed twice"),
        ([], [lot(1, 5), lot(1, 6)], "source is listed twice"),
        ([], [lot(1, -5)], "less than nothing"),
    ],
)
def test_what_contradicts_itself_is_refused(wants: list[Want], sources: list[Source], sentence: str) -> None:
    with pytest.raises(Invalid, match=sentence):
        allocate(wants, sources, today=MONDAY)


# ---- Sharing --------------------------------------------------------------------------------------------------------


def test_the_worked_example() -> None:
    first, second = Goods(1, "a"), Goods(1, "b")
    wants = [
        line(1, 4_000, goods=[first], pack=500),
        line(2, 8_000, goods=[first, second], pack=500),
        line(3, 6_000, goods=[second], pack=500),
    ]
    plan = plan_of(wants, [lot(1, 6_000, goods=first), lot(2, 6_000, goods=second)])
    assert {n: a.fair for n, a in plan.accounts.items()} == {
        1: Fraction(8_000, 3),
        2: Fraction(16_000, 3),
        3: Fraction(4_000),
    }
    assert plan.amounts == {1: 2_500, 2: 5_500, 3: 4_000}


@pytest.mark.parametrize(
    ("rule", "shares"),
    [
        # Claims of 100, 200, 300 on 200: Herrero & Villar 2001, Math. Soc. Sci. 42:307-328, in tenths of a gram.
        (Rule.EQUAL_SHARES, [667, 667, 666]),
        (Rule.EQUAL_LOSSES, [0, 500, 1_500]),
        (Rule.PRO_RATA, [333, 667, 1_000]),
    ],
)
def test_the_farms_rule_decides(rule: Rule, shares: list[int]) -> None:
    plan = plan_of([line(1, 1_000), line(2, 2_000), line(3, 3_000)], [lot(1, 2_000)], rule)
    assert sorted(plan.amounts.values()) == sorted(shares)
    assert {a.rule for a in plan.accounts.values()} == {rule.value}


def test_each_tier_has_its_rule_and_the_better_one_goes_first() -> None:
    wants = [line(1, 1_000, tier=2), line(2, 3_000, tier=2), line(3, 1_000, tier=1)]
    plan = allocate(wants, [lot(1, 3_000)], today=MONDAY, rule={2: Rule.EQUAL_SHARES})
    assert plan.amounts == {1: 1_000, 2: 1_000, 3: 1_000}
    assert plan.accounts[3].rule == Rule.PRO_RATA
    assert plan.accounts[2].code == Code.SHORT_SHARED


def test_what_was_picked_already_counts() -> None:
    wants = [line(1, 600, picked=400), line(2, 1_000)]
    plan = plan_of(wants, [lot(1, 600)])
    assert plan.amounts == {1: 100, 2: 500}
    assert plan.accounts[1].share == plan.accounts[2].share == 50


def test_the_odd_gram_falls_the_same_way_every_night() -> None:
    wants = [line(n, 1_000) for n in range(1, 8)]
    plans = [allocate(random.Random(n).sample(wants, 7), [lot(1, 3_000)], today=MONDAY, seed=3) for n in range(4)]
    assert all(plan == plans[0] for plan in plans)
    others = {tuple(allocate(wants, [lot(1, 3_000)], today=MONDAY, seed=seed).amounts.values()) for seed in range(20)}
    assert len(others) > 1


def test_packs_left_over_go_to_who_can_use_them() -> None:
    # 3,800 g for Cleo (packs of 1 kg) and a market stall (packs of 100 g), 2 kg ordered each: fair is 1,900 each, Cleo
    # can only have one kilo of it, and 900 g would stay in the cold room.
    plan = plan_of([line(1, 2_000, pack=1_000), line(2, 2_000, pack=100)], [lot(1, 2_900)])
    assert plan.amounts == {1: 1_000, 2: 1_900}


# ---- Promises -------------------------------------------------------------------------------------------------------


def test_what_is_promised_goes_before_sharing() -> None:
    plan = plan_of([line(1, 1_000), line(2, 1_000, promised=800)], [lot(1, 1_000)])
    assert plan.amounts == {1: 200, 2: 800}
    assert plan.accounts[2].code == Code.SHORT_PROMISED_ONLY
    assert (plan.accounts[1].there, plan.accounts[1].promised_before) == (1_000, 0)


def test_the_earlier_promise_is_kept_in_full() -> None:
    plan = plan_of([line(1, 800, promised=800), line(2, 800, promised=800)], [lot(1, 1_000)])
    assert plan.amounts == {1: 800, 2: 200}
    assert plan.accounts[2].code == Code.PROMISE_SHORT
    assert plan.accounts[2].promised_before == 800


def test_a_raised_order_ranks_in_parts() -> None:
    raised = line(1, 1_000, rank=1, promised=0)
    raised = replace(raised, promised=((PEARL, 400), (PEARL, 600)), part_ranks=(1, 9))
    plan = plan_of([raised, line(2, 500, promised=500, rank=5)], [lot(1, 1_000)])
    assert plan.amounts == {1: 500, 2: 500}


def test_another_kitchens_pink_does_not_pay_for_missing_pearl() -> None:
    # Cleo was promised pearl and takes pink too; the pink was promised to somebody later.
    wants = [line(1, 5_000, goods=[PEARL, PINK], promised=5_000), line(2, 5_000, goods=[PINK], promised=5_000)]
    plan = plan_of(wants, [lot(1, 3_000), lot(2, 5_000, goods=PINK)])
    assert plan.amounts == {1: 3_000, 2: 5_000}


def test_a_broken_promise_is_mended_with_substitutes_before_others_share_them() -> None:
    wants = [line(1, 5_000, goods=[PEARL, PINK], promised=5_000), line(2, 5_000, goods=[PINK])]
    plan = plan_of(wants, [lot(1, 3_000), lot(2, 5_000, goods=PINK)])
    assert plan.amounts == {1: 5_000, 2: 3_000}
    assert plan.accounts[1].substituted == 2_000


def test_a_broken_promise_may_end_in_a_part_pack() -> None:
    plan = plan_of([line(1, 1_500, promised=1_500, pack=500), line(2, 900)], [lot(1, 1_300)])
    assert plan.amounts == {1: 1_300, 2: 0}
    assert plan.accounts[1].code == Code.PROMISE_SHORT
    assert plan.accounts[1].part_pack == 300


def test_less_than_a_pack_is_better_than_nothing_where_it_was_promised() -> None:
    plan = plan_of([line(1, 500, promised=500, pack=500), line(2, 500, pack=500)], [lot(1, 400)])
    assert plan.amounts == {1: 400, 2: 0}
    assert (plan.accounts[1].part_pack, plan.accounts[2].part_pack) == (400, 0)


def test_a_part_pack_below_the_customers_minimum_is_not_sent() -> None:
    plan = plan_of([line(1, 500, promised=500, pack=500, at_least=500), line(2, 500, pack=100)], [lot(1, 400)])
    assert plan.amounts == {1: 0, 2: 400}
    assert plan.accounts[1].code == Code.MINIMUM_NOT_REACHED


def test_what_is_shared_beyond_promises_comes_in_whole_packs() -> None:
    plan = plan_of([line(1, 1_500, promised=500, pack=500), line(2, 1_500, pack=500)], [lot(1, 1_400)])
    assert sorted(plan.amounts.values()) == [500, 500]
    assert {account.part_pack for account in plan.accounts.values()} == {0}


def test_a_promise_above_a_lowered_order_counts_as_the_order() -> None:
    plan = plan_of([line(1, 600, promised=1_000), line(2, 1_000, promised=400)], [lot(1, 1_000)])
    assert plan.amounts == {1: 600, 2: 400}


# ---- Minimums -------------------------------------------------------------------------------------------------------


def test_below_the_minimum_nothing_is_sent() -> None:
    plan = plan_of([line(1, 2_000, at_least=1_500), line(2, 500)], [lot(1, 1_200)])
    assert plan.amounts == {1: 0, 2: 500}
    assert plan.accounts[1].code == Code.MINIMUM_NOT_REACHED


def test_minimums_are_served_by_tier_then_rank() -> None:
    wants = [
        line(1, 2_000, at_least=1_000, tier=2),
        line(2, 2_000, at_least=1_000, tier=1),
        line(3, 2_000, at_least=1_000, tier=1),
    ]
    plan = plan_of(wants, [lot(1, 2_200)])
    assert plan.amounts[1] == 0
    assert plan.amounts[2] + plan.amounts[3] == 2_200


def test_a_promise_that_falls_below_its_minimum_frees_what_it_held() -> None:
    wants = [
        line(1, 1_000, promised=1_000, at_least=1_000, age=3),
        line(2, 600, promised=600),
    ]
    plan = plan_of(wants, [lot(1, 700)])
    assert plan.amounts == {1: 0, 2: 600}
    assert plan.accounts[1].code == Code.MINIMUM_NOT_REACHED


def test_a_promise_below_the_minimum_was_accepted_by_a_person() -> None:
    plan = plan_of([line(1, 1_000, promised=300, at_least=500), line(2, 1_000, promised=600)], [lot(1, 900)])
    assert plan.amounts == {1: 300, 2: 600}


# ---- Sources --------------------------------------------------------------------------------------------------------


def test_the_oldest_goes_first() -> None:
    plan = plan_of([line(1, 500)], [lot(1, 500, ready=0), lot(2, 500, ready=-3), lot(3, 500, ready=-1)])
    assert from_lots(plan, 1) == {"lot:2": 500}


def test_older_goods_go_to_the_earlier_day() -> None:
    plan = plan_of([line(1, 500, on=3), line(2, 500, on=1)], [lot(1, 500, ready=-2), lot(2, 500, ready=0)])
    assert from_lots(plan, 2) == {"lot:1": 500}
    assert from_lots(plan, 1) == {"lot:2": 500}


def test_fewer_substitutes_before_older_lots() -> None:
    plan = plan_of([line(1, 500, goods=[PEARL, PINK])], [lot(1, 500), lot(2, 500, goods=PINK, ready=-5)])
    assert from_lots(plan, 1) == {"lot:1": 500}


def test_a_substitute_makes_room_for_who_takes_nothing_else() -> None:
    plan = plan_of([line(1, 500, goods=[PEARL, PINK]), line(2, 500)], [lot(1, 500), lot(2, 500, goods=PINK)])
    assert plan.amounts == {1: 500, 2: 500}
    assert from_lots(plan, 1) == {"lot:2": 500}


def test_big_lot_to_big_line() -> None:
    plan = plan_of([line(1, 900), line(2, 300), line(3, 500)], [lot(1, 500), lot(2, 300), lot(3, 900)])
    assert (from_lots(plan, 1), from_lots(plan, 2), from_lots(plan, 3)) == (
        {"lot:3": 900},
        {"lot:2": 300},
        {"lot:1": 500},
    )


def test_yesterdays_plan_stays_while_it_is_as_good() -> None:
    wants = [line(n, 500) for n in range(1, 5)]
    lots = [lot(n, 500) for n in range(1, 5)]
    swapped = {1: "lot:4", 2: "lot:1", 3: "lot:2", 4: "lot:3"}
    again = plan_of([replace(w, previous=((swapped[w.line_id], 500),)) for w in wants], lots)
    assert {p.line_id: p.source for p in again.pieces} == swapped
    assert again.totals.kept_from_yesterday == 2_000


def test_yesterdays_plan_never_costs_an_older_lot() -> None:
    wants = [line(1, 500, previous=(("lot:1", 500),))]
    plan = plan_of(wants, [lot(1, 500, ready=0), lot(2, 500, ready=-3)])
    assert from_lots(plan, 1) == {"lot:2": 500}


def coming(on: int, amount: int, *, goods: Goods = PEARL) -> Source:
    return Source(f"coming:{on}", goods, amount, day(on), day(on + 7))


def test_what_is_still_to_come_stays_where_it_was_planned_though_an_earlier_harvest_would_do() -> None:
    wants = [line(1, 500, on=6, previous=(("coming:4", 500),))]
    plan = plan_of(wants, [coming(2, 500), coming(4, 500)])
    assert from_lots(plan, 1) == {"coming:4": 500}
    fresh = plan_of([line(1, 500, on=6)], [coming(2, 500), coming(4, 500)])
    assert from_lots(fresh, 1) == {"coming:2": 500}


def test_what_is_on_hand_goes_before_what_is_still_to_come() -> None:
    wants = [line(1, 500, on=4, previous=(("coming:2", 500),))]
    plan = plan_of(wants, [coming(2, 500), lot(1, 500)])
    assert from_lots(plan, 1) == {"lot:1": 500}
    longer = plan_of(wants, [coming(2, 500), lot(2, 500, keeps=20)])
    assert from_lots(longer, 1) == {"lot:2": 500}


# ---- Past cut-off ---------------------------------------------------------------------------------------------------


def test_past_cut_off_the_pieces_stay() -> None:
    wants = [line(1, 500, frozen=True, previous=(("lot:1", 500),)), line(2, 500, rank=0, promised=500)]
    plan = plan_of(wants, [lot(1, 500, ready=0), lot(2, 400, ready=-3)])
    assert from_lots(plan, 1) == {"lot:1": 500}
    assert plan.amounts[2] == 400


def test_past_cut_off_the_amount_stands() -> None:
    plan = plan_of([line(1, 800, frozen=True, previous=(("lot:1", 500),))], [lot(1, 2_000)])
    assert plan.amounts == {1: 500}
    assert plan.accounts[1].code == Code.FROZEN


def test_a_person_can_raise_it_by_a_promise() -> None:
    plan = plan_of([line(1, 800, frozen=True, promised=700, previous=(("lot:1", 500),))], [lot(1, 2_000)])
    assert plan.amounts == {1: 700}


def test_a_lot_that_became_too_small_is_made_up_from_others() -> None:
    plan = plan_of([line(1, 500, frozen=True, previous=(("lot:1", 500),))], [lot(1, 300), lot(2, 900, ready=0)])
    assert from_lots(plan, 1) == {"lot:1": 300, "lot:2": 200}


def test_a_held_lot_reaches_frozen_lines() -> None:
    plan = plan_of([line(1, 500, frozen=True, previous=(("lot:1", 500),))], [lot(2, 200)])
    assert plan.amounts == {1: 200}
    assert plan.accounts[1].code == Code.HELD_BACK
    assert plan.accounts[1].lost == 500


def test_a_lot_past_its_date_does_not_stay_on_a_frozen_line() -> None:
    plan = plan_of([line(1, 500, on=0, frozen=True, previous=(("lot:1", 500),))], [lot(1, 500, ready=-9)])
    assert plan.amounts == {1: 0}


def test_two_frozen_lines_on_a_shrunken_lot_keep_by_rank() -> None:
    wants = [line(n, 500, frozen=True, previous=(("lot:1", 500),)) for n in (1, 2)]
    assert plan_of(wants, [lot(1, 700)]).amounts == {1: 500, 2: 200}


def test_a_line_picked_in_part_keeps_the_rest_of_its_pieces() -> None:
    wants = [line(1, 300, picked=200, previous=(("lot:1", 300),)), line(2, 300, rank=0, promised=300)]
    plan = plan_of(wants, [lot(1, 300, ready=0), lot(2, 100)])
    assert from_lots(plan, 1) == {"lot:1": 300}


def test_a_substitutes_grams_that_stand_for_its_own_are_not_given_twice() -> None:
    """12 g of its own broken promise came in the substitute, since another line took its own: planned again, 12 g."""
    wants = [
        line(1, 500, promised=500, goods=[PEARL, PINK], pack=500, frozen=True, previous=(("lot:2", 12),)),
        line(2, 12),
    ]
    sources = [lot(1, 12), lot(2, 300, goods=PINK)]
    assert plan_of(wants, sources).amounts == {1: 12, 2: 12}
    more = plan_of(wants, [lot(1, 112), lot(2, 300, goods=PINK)])
    assert more.amounts == {1: 112, 2: 12}, "what comes of its own since is its own"


def test_pinned_pieces_count_for_the_goods_they_were_promised_in() -> None:
    first = line(1, 800, goods=[PEARL, PINK], frozen=True, previous=(("lot:1", 500),), rank=5)
    first = replace(first, promised=((PEARL, 500), (PINK, 300)))
    second = line(2, 500, promised=500, rank=6)
    plan = plan_of([first, second], [lot(1, 1_000), lot(2, 300, goods=PINK)])
    assert plan.amounts == {1: 800, 2: 500}


# ---- Differences and audit ------------------------------------------------------------------------------------------


def test_the_same_plan_makes_no_difference() -> None:
    wants, lots = [line(1, 500), line(2, 700)], [lot(1, 900), lot(2, 400, ready=0)]
    plan = plan_of(wants, lots)
    again = plan_of(with_yesterday(wants, plan), lots)
    assert again.pieces == plan.pieces
    moved = difference(plan.pieces, again.pieces)
    assert (moved.added, moved.removed, moved.changed, moved.resourced_g) == ((), (), (), 0)


def test_a_difference_names_what_moved() -> None:
    before = [Piece(1, "lot:1", PEARL, 500), Piece(2, "lot:1", PEARL, 300), Piece(3, "lot:2", PEARL, 100)]
    after = [Piece(1, "lot:1", PEARL, 200), Piece(1, "lot:2", PEARL, 250), Piece(3, "lot:2", PEARL, 100)]
    moved = difference(before, after)
    assert [p.source for p in moved.added] == ["lot:2"]
    assert [p.line_id for p in moved.removed] == [2]
    assert [(c.line_id, c.before, c.after) for c in moved.changed] == [(1, 500, 200)]
    assert moved.resourced_g == 250
    assert moved.line_ids == {1, 2}


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda p: replace(p, pieces=(replace(p.pieces[0], amount=5_000), *p.pieces[1:])), "it holds"),
        (lambda p: replace(p, pieces=p.pieces[1:]), "its pieces hold"),
        (lambda p: replace(p, pieces=(*p.pieces, p.pieces[0])), "listed twice"),
        (lambda p: replace(p, pieces=(replace(p.pieces[0], goods=PINK), *p.pieces[1:])), "calls it"),
        (lambda p: replace(p, pieces=(replace(p.pieces[0], source="lot:9"), *p.pieces[1:])), "not there"),
        (lambda p: replace(p, pieces=(replace(p.pieces[0], source="lot:3"), *p.pieces[1:])), "accepts"),
        (lambda p: replace(p, pieces=(replace(p.pieces[0], source="lot:4"), *p.pieces[1:])), "past its date"),
        (lambda p: replace(p, accounts={}), "has no account"),
        (lambda p: replace(p, amounts={}), "not those of the lines"),
        (lambda p: replace(p, accounts={**p.accounts, 2: replace(p.accounts[2], there=1)}), "counted are"),
        (lambda p: replace(p, accounts={**p.accounts, 2: replace(p.accounts[2], code=Code.FULL)}), "called"),
        (lambda p: replace(p, pieces=p.pieces[:-1], amounts={**p.amounts, 2: 0}), "is left"),
    ],
)
def test_the_audit_finds_a_spoiled_plan(spoil: object, sentence: str) -> None:
    wants = [line(1, 500, promised=500), line(2, 700)]
    sources = [lot(1, 900), lot(3, 50, goods=PINK), lot(4, 80, ready=-9)]
    plan = plan_of(wants, sources)
    assert any(sentence in fault for fault in audit(spoil(plan), wants, sources, today=MONDAY))  # type: ignore[operator]  # a function of a plan


SHORT_WEEK = (
    [line(1, 4_000), line(2, 8_000, goods=[PEARL, PINK]), line(3, 6_000, goods=[PINK])],
    [lot(1, 6_000), lot(2, 6_000, goods=PINK)],
)


def test_the_audit_accepts_a_fair_division_only_with_its_proof() -> None:
    wants, sources = SHORT_WEEK
    plan = plan_of(wants, sources)
    assert [account.fair * 3 for account in plan.accounts.values()] == [8_000, 16_000, 12_000]
    assert any("could give to it" in fault for fault in audit(replace(plan, tight=()), wants, sources, today=MONDAY))


@pytest.mark.parametrize("fair", [(4_000, 8_000, 0), (2_000, 6_000, 4_000), (4_000, 4_000, 4_000)])
def test_the_audit_finds_an_unfair_division(fair: tuple[int, ...]) -> None:
    """All of it is given and every amount is true; only the shares are not what the rule says."""
    wants, sources = SHORT_WEEK
    forced = [replace(want, promised=((want.choices[0][0], amount),)) for want, amount in zip(wants, fair, strict=True)]
    plan = plan_of(forced, sources)
    as_if_shared = {
        line_id: replace(
            account, promised=0, firm=0, code="short_shared" if account.allocated < account.ordered else "full"
        )
        for line_id, account in plan.accounts.items()
    }
    found = audit(replace(plan, accounts=as_if_shared), wants, sources, today=MONDAY)
    assert found
    assert all("could give to it" in fault or "said to be used up" in fault for fault in found)


def test_the_audit_finds_a_fair_share_cut_by_more_than_a_pack() -> None:
    wants, sources = [line(1, 1_000, pack=100), line(2, 1_000, pack=100)], [lot(1, 1_000)]
    plan = plan_of(wants, sources)
    accounts = {1: replace(plan.accounts[1], fair=Fraction(700)), 2: replace(plan.accounts[2], fair=Fraction(300))}
    assert any(
        "fair was 700" in fault for fault in audit(replace(plan, accounts=accounts), wants, sources, today=MONDAY)
    )


def test_the_audit_finds_a_frozen_line_that_lost_its_lot() -> None:
    wants = [line(1, 500, frozen=True, previous=(("lot:1", 500),))]
    sources = [lot(1, 500), lot(2, 500)]
    plan = plan_of(wants, sources)
    moved = replace(plan, pieces=(replace(plan.pieces[0], source="lot:2"),))
    assert any("keeps 0 of 500 from lot:1" in fault for fault in audit(moved, wants, sources, today=MONDAY))


def test_the_audit_finds_a_held_lot_in_use() -> None:
    """What is on hold is not among the sources."""
    wants, sources = [line(1, 500)], [lot(1, 500), lot(2, 500)]
    plan = plan_of(wants, sources)
    (used,) = {piece.source for piece in plan.pieces}
    found = audit(plan, wants, [source for source in sources if source.key != used], today=MONDAY)
    assert any("not there" in fault for fault in found)


def test_the_audit_finds_a_promise_given_away() -> None:
    wants, sources = [line(1, 500, promised=500), line(2, 500)], [lot(1, 500)]
    wrong = allocate(
        [replace(wants[0], promised=()), replace(wants[1], promised=((PEARL, 500),))], sources, today=MONDAY
    )
    assert any("short of its promise" in fault for fault in audit(wrong, wants, sources, today=MONDAY))
