"""Staff see who is told what and how far it is; nobody's address."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from fulfilment.core.problems import Invalid
from fulfilment.models import Farm, Holder, Kitchen, Mail
from fulfilment.read import outbox
from fulfilment.services import mails

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _mails() -> None:
    Farm.objects.create(pk=1, name="Tide Mill", mail_from="farm@example.org")
    heron = Kitchen.objects.create(name="The Heron", email="heron@example.org", made_at=NINE)
    nameless = Holder.objects.create(email="dai@example.org", made_at=NINE)
    mails.queue("shortage", kitchen=heron, subject={"order": 1}, once="1", now=NINE)
    mails.queue("care", holder=nameless, subject={}, once="2", now=NINE)
    mails.queue("kit_trouble", to_staff=True, subject={}, once="3", now=NINE)
    mails.queue("something_new", to_staff=True, subject={}, once="4", now=NINE)
    Mail.objects.filter(kind="shortage").update(state="failed", last_error="550 no such box", tries=1)


def test_the_newest_first_with_names_and_words() -> None:
    rows = outbox.listed()
    assert [(row.kind_words, row.to) for row in rows] == [
        ("something new", "the farm (farm@example.org)"),
        ("to us: trouble with a kit", "the farm (farm@example.org)"),
        ("kit care", "a kit's holder"),
        ("shortage notice", "The Heron"),
    ]
    assert "heron@" not in str(rows)
    assert "dai@" not in str(rows)


def test_chosen_by_state_and_kind() -> None:
    (failed,) = outbox.listed(state="failed")
    assert (failed.last_error, failed.tries, failed.may_be_tried_again) == ("550 no such box", 1, True)
    assert failed.state_words == "failed: somebody has to look"
    (care,) = outbox.listed(kind="care")
    assert (care.may_be_called_back, care.sent_at) == (True, None)
    assert ("care", "kit care") in outbox.kinds()
    with pytest.raises(Invalid):
        outbox.listed(state="lost")


def test_page_by_page() -> None:
    first = outbox.listed(limit=3)
    rest = outbox.listed(limit=3, before=first[-1].number)
    assert [row.kind for row in (*first, *rest)] == ["something_new", "kit_trouble", "care", "shortage"]


def test_every_state_has_words() -> None:
    assert set(outbox.STATES) == set(Mail.State.values)
