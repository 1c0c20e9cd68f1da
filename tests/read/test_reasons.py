"""What staff read of a line that goes short: only what its numbers bear out."""

from __future__ import annotations

import pytest

from fulfilment.core.allocation import Code
from fulfilment.read.tonight import why

ACCOUNT = {
    "code": "promise_short", "ordered": 4_000, "promised": 1_500, "allocated": 500, "there": 1_200,
    "promised_before": 700, "rule": "pro_rata", "share_pct": 12, "substituted": 0, "part_pack": 0, "full_on": None,
}  # fmt: skip


def test_a_promise_that_earlier_ones_leave_too_little_for() -> None:
    assert why(ACCOUNT) == "Of 1200 g in its window earlier promises take 700: less is left than its 1500 promised."


def test_a_promise_in_goods_that_do_not_come_though_others_are_there() -> None:
    """4.5 kg lie in its window, of a substitute: nobody may read that 4.5 kg are less than 1.5."""
    assert why(ACCOUNT | {"there": 4_547, "promised_before": 0}) == (
        "Of what was promised it less comes than the 1500 g; what else it takes, of 4547 g in its window in all, is "
        "shared."
    )


def test_the_next_day_is_said_where_there_is_one() -> None:
    assert why(ACCOUNT | {"full_on": "2026-05-11"}).endswith(" All of it can be had on Monday 11 May 2026.")
    assert why(ACCOUNT | {"code": "full", "full_on": None}) == ""


@pytest.mark.parametrize("code", [each for each in Code if each not in (Code.FULL, Code.NOTHING_ORDERED)])
def test_every_reason_is_a_sentence(code: Code) -> None:
    for is_kit in (False, True):
        assert why(ACCOUNT | {"code": str(code)}, is_kit=is_kit).endswith(".")
