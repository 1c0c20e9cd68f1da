"""A signed link opens one page for one person until it ends, and nothing else."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fulfilment.core.problems import Missing
from fulfilment.models import Holder
from fulfilment.read import links

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


@pytest.fixture
def dai(db: None) -> Holder:
    return Holder.objects.create(name="Dai", email="dai@example.org", made_at=NOW)


def token(address: str) -> str:
    return address.rpartition("/")[2]


def test_dai_opens_the_page_from_the_mail(dai: Holder) -> None:
    address = links.to_holder(dai, now=NOW)
    assert links.holder(token(address), now=NOW + timedelta(days=100)) == dai
    assert "dai" not in address
    assert links.to_holder(dai, now=NOW + timedelta(hours=1)) == address, "the same all day"


def test_a_link_ends(dai: Holder) -> None:
    held = token(links.to_holder(dai, now=NOW))
    links.holder(held, now=NOW + links.LIVES["holder"])
    with pytest.raises(Missing) as told:
        links.holder(held, now=NOW + links.LIVES["holder"] + timedelta(days=1))
    assert told.value.reason_code == "link_expired"


def test_a_raised_version_makes_all_earlier_links_void(dai: Holder) -> None:
    held = token(links.to_holder(dai, now=NOW))
    dai.link_version += 1
    dai.save()
    with pytest.raises(Missing) as told:
        links.holder(held, now=NOW)
    assert told.value.reason_code == "link_void"
    assert links.holder(token(links.to_holder(dai, now=NOW)), now=NOW) == dai


def test_a_link_for_one_thing_is_nothing_for_another(dai: Holder) -> None:
    held = token(links.to_unsubscribe(dai, now=NOW))
    assert links.unsubscriber(held, now=NOW) == dai
    with pytest.raises(Missing):
        links.holder(held, now=NOW)


def test_whoever_was_erased_has_no_page(dai: Holder) -> None:
    held = token(links.to_holder(dai, now=NOW))
    dai.erased_at = NOW
    dai.save()
    with pytest.raises(Missing):
        links.holder(held, now=NOW)


@given(st.text(max_size=500))
def test_eve_guesses_in_vain(text: str) -> None:
    with pytest.raises(Missing):
        links.open_token("holder", text, now=NOW)


@given(st.integers(0, 200), st.characters())
def test_one_wrong_sign_is_no_link(place: int, sign: str) -> None:
    good = links.sign("holder", subject="K7Q2-M4XJ", version=1, now=NOW)
    place %= len(good)
    bad = good[:place] + sign + good[place + 1 :]
    if bad != good:
        with pytest.raises(Missing):
            links.open_token("holder", bad, now=NOW)
