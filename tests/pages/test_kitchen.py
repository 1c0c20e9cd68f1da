"""Cleo's page by signed link: what comes, what she changes, what she adds; and nothing of anybody else's."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
import time_machine
from django.contrib.auth.models import Group, User
from django.urls import reverse

from fulfilment.models import Change, DeliveryNote, Event, Kitchen, Line, Order, StandingOrder
from fulfilment.services import customers, ordering, standing
from fulfilment.services.ordering import Asked
from tests import world
from tests.pages.signed import kitchen_token, post, words
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from django.test import Client
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db

WEDNESDAY = MONDAY + timedelta(days=2)
FRIDAY = MONDAY + timedelta(days=4)


@pytest.fixture
def farm() -> Iterator[World]:
    """A farm with ten kilos in store, on Monday at six in the morning."""
    with time_machine.travel(NOW, tick=False):
        made = world.build()
        made.harvest(10_000)
        world.plan()
        yield made


@pytest.fixture
def token(farm: World) -> str:
    return kitchen_token(farm.kitchen, now=NOW)


@pytest.fixture
def usual(farm: World) -> StandingOrder:
    """A kilo every Wednesday and Friday."""
    return standing.begin(
        farm.kitchen.public_id, lines=[Asked(farm.product.public_id, 1_000)], rule="FREQ=WEEKLY;BYDAY=WE,FR",
        starts_on=MONDAY, by=ADA, now=NOW,
    )  # fmt: skip


def an_order(farm: World, grams: int = 2_000, *, on: date = WEDNESDAY) -> Order:
    return ordering.place(
        [Asked(farm.product.public_id, grams)], kitchen=farm.kitchen.public_id, on=on, by=ADA, now=NOW
    )


def another_kitchen() -> Kitchen:
    return customers.add_kitchen(
        "The Gannet", email="gannet@example.org", address={"street": "3 Quay", "town": "Saltby"}, by=ADA, now=NOW
    )


def day_of(token: str, on: date) -> str:
    return reverse("kitchen-day", args=[token, on])


def lines_on(farm: World, on: date) -> list[int]:
    lines = Line.objects.filter(order__kitchen=farm.kitchen, order__on=on, cancelled_at__isnull=True)
    return list(lines.order_by("pk").values_list("ordered", flat=True))


# ---- The link -------------------------------------------------------------------------------------------------------


def test_the_page_opens_by_its_link_alone_as_mails_have_it(client: Client, token: str) -> None:
    for address in (f"/k/{token}/", f"/k/{token}"):
        response = client.get(address)
        assert response.status_code == 200
        assert "The Heron" in words(response)
        assert response["X-Robots-Tag"] == "noindex, nofollow"
        assert response["Referrer-Policy"] == "same-origin"


def test_a_link_that_was_tampered_with_or_made_for_something_else_opens_nothing(client: Client, token: str) -> None:
    for bad in (token[:-1] + ("A" if token[-1] != "A" else "B"), "x" + token, token[:20], "ü", "x" * 500):
        response = client.get(f"/k/{bad}/")
        assert response.status_code == 404
        assert "open it from the mail, or copy it whole" in words(response)
    assert client.get(f"/h/{token}/").status_code == 404


def test_a_link_ends_after_its_days_and_says_so(client: Client, token: str) -> None:
    with time_machine.travel(NOW + timedelta(days=180), tick=False):
        assert client.get(f"/k/{token}/").status_code == 200
    with time_machine.travel(NOW + timedelta(days=182), tick=False):
        response = client.get(f"/k/{token}/")
        assert response.status_code == 404
        assert "This link has expired. The newest mail has a fresh one" in words(response)


def test_the_office_ends_all_links_of_a_kitchen(client: Client, farm: World, token: str) -> None:
    olive = User.objects.create_user("olive")
    olive.groups.add(Group.objects.get_or_create(name="office")[0])
    address = reverse("kitchen-links", args=[farm.kitchen.public_id])
    assert client.get(address).status_code == 302
    client.force_login(olive)
    assert f"/k/{token}" in client.get(address).content.decode()
    assert client.get(f"/k/{token}/").status_code == 200
    for _ in range(2):
        assert post(client, address, once="end").status_code == 303
    assert Event.objects.filter(kind="kitchen_links_revoked").count() == 1
    response = client.get(f"/k/{token}/")
    assert response.status_code == 404
    assert "This link is no longer valid" in words(response)
    farm.kitchen.refresh_from_db()
    assert client.get(f"/k/{kitchen_token(farm.kitchen, now=NOW)}/").status_code == 200


# ---- What comes -----------------------------------------------------------------------------------------------------


def test_deliveries_stand_by_date_in_words_and_never_in_percents(client: Client, farm: World, token: str) -> None:
    an_order(farm)
    an_order(farm, 1_000_000, on=FRIDAY)
    said = words(client.get(f"/k/{token}/"))
    assert "Wednesday 6 May 2026 ordered 2 kg Pearl oyster, 500 g sure" in said
    assert "Change until Tue 5 May, 12:00" in said
    assert "1000 kg Pearl oyster, 500 g part of it" in said
    assert "of it is promised." in said
    assert "%" not in said
    assert "tier" not in said.lower()


def test_nobody_elses_order_is_on_the_page(client: Client, farm: World, token: str) -> None:
    other = another_kitchen()
    ordering.place([Asked(farm.product.public_id, 3_500)], kitchen=other.public_id, on=WEDNESDAY, by=ADA, now=NOW)
    said = words(client.get(f"/k/{token}/"))
    assert "Gannet" not in said
    assert "3.5 kg" not in said
    assert "Nothing is ordered. The next day you can order for is Tuesday 5 May 2026." in said


def test_opening_pages_changes_nothing_and_costs_the_same_however_much_is_ordered(
    client: Client, farm: World, token: str, usual: StandingOrder, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for day in (1, 2, 3):
        an_order(farm, on=WEDNESDAY + timedelta(weeks=day))
    before = (Event.objects.count(), Order.objects.count(), Change.objects.count())
    product = farm.product.public_id
    with django_assert_max_num_queries(24):
        client.get(f"/k/{token}/")
    for address in (
        day_of(token, WEDNESDAY), f"/k/{token}/order/",
        f"/k/{token}/order/?ask=1&on={FRIDAY}&{product}=2+kg", f"/k/{token}/order/?usual={usual.public_id}",
    ):  # fmt: skip
        assert client.get(address).status_code == 200
    assert (Event.objects.count(), Order.objects.count(), Change.objects.count()) == before
    for name in ("kitchen-change", "kitchen-cancel"):
        order = Order.objects.filter(kitchen=farm.kitchen).first()
        assert order is not None
        assert client.get(reverse(name, args=[token, order.public_id])).status_code == 405


def test_crates_and_papers_are_on_the_page(client: Client, farm: World, token: str) -> None:
    Kitchen.objects.update(crates_out=3)
    order = an_order(farm)
    line = order.lines.get()
    Line.objects.filter(pk=line.pk).update(picked=1_980, refused=0)
    DeliveryNote.objects.create(shipment=line.shipment, number=7, made_at=NOW)
    said = words(client.get(f"/k/{token}/"))
    assert "You have 3 of our crates. Please give them back empty with the next delivery." in said
    assert "No. 7 , Wednesday 6 May 2026 1.98 kg Pearl oyster, 500 g" in said


# ---- One order ------------------------------------------------------------------------------------------------------


def test_cleo_changes_an_order_once_however_often_she_presses(client: Client, farm: World, token: str) -> None:
    order = an_order(farm)
    address = reverse("kitchen-change", args=[token, order.public_id])
    for _ in range(2):
        response = post(client, address, once="a-form", **{farm.product.public_id: "3 kg"})
        assert (response.status_code, response["Location"]) == (303, day_of(token, WEDNESDAY))
    assert lines_on(farm, WEDNESDAY) == [3_000]
    changed = Event.objects.get(kind="line_changed")
    assert changed.by == f"kitchen:{farm.kitchen.public_id}"
    assert "3 kg Pearl oyster, 500 g sure" in words(client.get(day_of(token, WEDNESDAY)))


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("1750", "comes in packs of 500 g: order 1500 or 2000 g, not 1750 g."),
        ("a lot", "'a lot' is no weight: write grams as 1980, or 1.98 kg."),
        ("-1", "'-1' is no weight"),
        ("999999 kg", "is out of bounds"),
    ],
)
def test_an_amount_that_cannot_be_is_told_beside_it_and_kept(
    client: Client, farm: World, token: str, typed: str, sentence: str
) -> None:
    order = an_order(farm)
    response = post(client, reverse("kitchen-change", args=[token, order.public_id]), **{farm.product.public_id: typed})
    assert response.status_code == 422
    assert sentence in words(response)
    assert f'value="{typed}"' in response.content.decode()
    assert lines_on(farm, WEDNESDAY) == [2_000]


def test_an_order_with_nothing_left_is_cancelled(client: Client, farm: World, token: str) -> None:
    first, second = an_order(farm), an_order(farm, on=FRIDAY)
    post(client, reverse("kitchen-change", args=[token, first.public_id]), **{farm.product.public_id: "0"})
    for _ in range(2):
        assert post(client, reverse("kitchen-cancel", args=[token, second.public_id]), once="x").status_code == 303
    assert not Order.objects.filter(cancelled_at__isnull=True).exists()
    assert "Nothing is ordered for this day." in words(client.get(day_of(token, FRIDAY)))


def test_after_the_cut_off_the_page_says_so_and_names_the_farm(client: Client, farm: World, token: str) -> None:
    order = an_order(farm)
    with time_machine.travel(datetime(2026, 5, 5, 12, 0, tzinfo=NOW.tzinfo), tick=False):
        page = client.get(day_of(token, WEDNESDAY))
        said = words(page)
        assert "Changes for this day closed on Tue 5 May, 12:00. To change something now, please call us" in said
        assert "mailto:" in page.content.decode()
        assert "Save" not in said
        for address, typed in (
            (reverse("kitchen-change", args=[token, order.public_id]), {farm.product.public_id: "500"}),
            (reverse("kitchen-cancel", args=[token, order.public_id]), {}),
        ):
            response = post(client, address, **typed)
            assert response.status_code == 422
    assert lines_on(farm, WEDNESDAY) == [2_000]


def test_another_kitchens_order_does_not_exist_for_cleo(client: Client, farm: World, token: str) -> None:
    other = another_kitchen()
    theirs = ordering.place(
        [Asked(farm.product.public_id, 500)], kitchen=other.public_id, on=WEDNESDAY, by=ADA, now=NOW
    )
    usual = standing.begin(
        other.public_id, lines=[Asked(farm.product.public_id, 500)], rule="FREQ=WEEKLY;BYDAY=FR", starts_on=MONDAY,
        by=ADA, now=NOW,
    )  # fmt: skip
    code = usual.public_id
    for address, typed in (
        (reverse("kitchen-change", args=[token, theirs.public_id]), {farm.product.public_id: "0"}),
        (reverse("kitchen-cancel", args=[token, theirs.public_id]), {}),
        (reverse("kitchen-cancel", args=[token, "K7Q2-M4XJ"]), {}),
        (reverse("kitchen-pause", args=[token, code]), {"first": "2026-05-04", "last": "2026-05-30"}),
        (reverse("kitchen-resume", args=[token, code]), {"on": "2026-05-08"}),
        (reverse("kitchen-usual-day", args=[token, FRIDAY, code]), {"do": "skip"}),
    ):
        assert post(client, address, **typed).status_code == 404
    assert client.get(f"/k/{token}/order/?usual={code}").status_code == 404
    assert "500 g Pearl" not in words(client.get(day_of(token, WEDNESDAY)))
    assert Order.objects.filter(kitchen=other, cancelled_at__isnull=False).count() == 0
    assert not Change.objects.exists()


@pytest.mark.parametrize("day", ["2026-02-30", "2026-13-01", "0000-00-00", "yesterday"])
def test_a_day_that_is_none_is_no_page(client: Client, token: str, day: str) -> None:
    assert client.get(f"/k/{token}/{day}/").status_code == 404


# ---- The usual ------------------------------------------------------------------------------------------------------


def test_one_date_of_the_usual_is_changed_and_taken_back(
    client: Client, farm: World, token: str, usual: StandingOrder
) -> None:
    order = Order.objects.get(standing_order=usual, on=WEDNESDAY)
    post(client, reverse("kitchen-change", args=[token, order.public_id]), **{farm.product.public_id: "2,5 kg"})
    assert lines_on(farm, WEDNESDAY) == [2_500]
    assert lines_on(farm, FRIDAY) == [1_000]
    assert "Other amounts than usual, as you asked." in words(client.get(day_of(token, WEDNESDAY)))
    address = reverse("kitchen-usual-day", args=[token, WEDNESDAY, usual.public_id])
    for _ in range(2):
        assert post(client, address, once="back", do="as_usual").status_code == 303
    assert lines_on(farm, WEDNESDAY) == [1_000]
    assert list(Change.objects.values_list("kind", flat=True).order_by("pk")) == ["amounts", "as_usual"]
    assert set(Change.objects.values_list("by", flat=True)) == {f"kitchen:{farm.kitchen.public_id}"}


def test_what_was_taken_off_one_date_stays_off_it(client: Client, farm: World, token: str) -> None:
    begun = standing.begin(
        farm.kitchen.public_id, lines=[Asked(farm.product.public_id, 1_000), Asked(farm.kit.public_id, 2)],
        rule="FREQ=WEEKLY;BYDAY=WE", starts_on=MONDAY, by=ADA, now=NOW,
    )  # fmt: skip
    order = Order.objects.get(standing_order=begun, on=WEDNESDAY)
    address = reverse("kitchen-change", args=[token, order.public_id])
    for grams in ("1 kg", "2 kg"):
        assert post(client, address, **{farm.product.public_id: grams, farm.kit.public_id: "0"}).status_code == 303
    assert lines_on(farm, WEDNESDAY) == [2_000]
    newest = Change.objects.latest("pk")
    assert newest.amounts == {farm.product.public_id: 2_000, farm.kit.public_id: 0}
    said = words(client.get(day_of(token, WEDNESDAY)))
    assert "Not on it this time: Pearl kit." in said
    assert "Back to my usual" in said
    back = reverse("kitchen-usual-day", args=[token, WEDNESDAY, begun.public_id])
    assert post(client, back, do="as_usual").status_code == 303
    assert lines_on(farm, WEDNESDAY) == [1_000, 2], "also what had been taken off"


def test_one_date_is_skipped_and_can_be_ordered_after_all(
    client: Client, farm: World, token: str, usual: StandingOrder
) -> None:
    order = Order.objects.get(standing_order=usual, on=WEDNESDAY)
    response = client.post(reverse("kitchen-cancel", args=[token, order.public_id]), {"once": "skip"}, follow=True)
    said = words(response)
    assert "Wednesday 6 May 2026 is skipped." in said
    assert "You skip this date." in said
    assert lines_on(farm, WEDNESDAY) == []
    assert lines_on(farm, FRIDAY) == [1_000]
    again = f"{reverse('kitchen-add', args=[token])}?on=2026-05-06&amp;usual={usual.public_id}"
    assert again in response.content.decode()
    form = client.get(again.replace("&amp;", "&")).content.decode()
    assert 'value="1 kg"' in form
    assert 'value="2026-05-06"' in form
    back = reverse("kitchen-usual-day", args=[token, WEDNESDAY, usual.public_id])
    assert post(client, back, do="as_usual").status_code == 303
    assert lines_on(farm, WEDNESDAY) == [1_000]


def test_the_usual_is_paused_from_a_day_to_a_day(client: Client, farm: World, token: str, usual: StandingOrder) -> None:
    address = reverse("kitchen-pause", args=[token, usual.public_id])
    for _ in range(2):
        assert post(client, address, once="p", first="2026-05-08", last="2026-05-15").status_code == 303
    assert [lines_on(farm, day) for day in (WEDNESDAY, FRIDAY, FRIDAY + timedelta(weeks=1))] == [[1_000], [], []]
    assert lines_on(farm, FRIDAY + timedelta(weeks=2)) == [1_000]
    said = words(client.get(f"/k/{token}/"))
    assert "paused Friday 8 May 2026 to Friday 15 May 2026" in said
    assert Change.objects.count() == 1
    # One of its dates comes after all, be it ordered before or not yet.
    resume = reverse("kitchen-resume", args=[token, usual.public_id])
    assert post(client, resume, on="2026-05-08").status_code == 303
    assert [lines_on(farm, day) for day in (FRIDAY, FRIDAY + timedelta(weeks=1))] == [[1_000], []]
    post(client, address, first="2026-07-01", last="2026-07-31")
    assert post(client, resume, on="2026-07-03").status_code == 303


@pytest.mark.parametrize(
    ("first", "last", "sentence"),
    [
        ("2026-05-15", "2026-05-08", "This span ends before it begins."),
        ("2026-04-01", "2026-04-08", "Wednesday 8 April 2026 is past."),
        ("soon", "2026-05-08", "This is no date: write it as 2026-05-04."),
        ("", "", "This field is required."),
    ],
)
def test_a_pause_that_cannot_be_is_told(
    client: Client, token: str, usual: StandingOrder, first: str, last: str, sentence: str
) -> None:
    response = post(client, reverse("kitchen-pause", args=[token, usual.public_id]), first=first, last=last)
    assert response.status_code == 422
    assert sentence in words(response)
    assert not Change.objects.exists()


def test_a_date_that_is_none_of_the_usual_is_told(client: Client, token: str, usual: StandingOrder) -> None:
    address = reverse("kitchen-usual-day", args=[token, MONDAY, usual.public_id])
    response = post(client, address, do="skip")
    assert response.status_code == 422
    assert post(client, address, do="dance").status_code == 422


# ---- An order more --------------------------------------------------------------------------------------------------


def test_the_promise_is_shown_before_anything_is_sent(client: Client, farm: World, token: str) -> None:
    page = client.get(f"/k/{token}/order/?ask=1&on={WEDNESDAY}&{farm.product.public_id}=2+kg&reference=B-7")
    said = words(page)
    assert "What we could promise for Wednesday 6 May 2026 2 kg Pearl oyster, 500 g sure All of it." in said
    assert "Send this order" in said
    assert not Order.objects.exists()
    hidden = dict(_hidden(page.content.decode()))
    for _ in range(2):
        response = client.post(f"/k/{token}/order/", hidden)
        assert (response.status_code, response["Location"]) == (303, day_of(token, WEDNESDAY))
    order = Order.objects.get()
    assert (order.kitchen_id, order.reference, order.placed_by) == (
        farm.kitchen.pk, "B-7", f"kitchen:{farm.kitchen.public_id}",
    )  # fmt: skip
    assert lines_on(farm, WEDNESDAY) == [2_000]


def _hidden(html: str) -> list[tuple[str, str]]:
    """The fields of the form that sends."""
    form = html[html.index('<form method="post"') : html.index("Send this order")]
    return re.findall(r'<input type="hidden" name="([\w-]+)" value="([^"]*)">', form)


def test_what_cannot_be_promised_is_said_with_its_first_day(client: Client, farm: World, token: str) -> None:
    said = words(client.get(f"/k/{token}/order/?ask=1&on={WEDNESDAY}&{farm.product.public_id}=1000+kg"))
    assert "We could promise" in said
    assert "%" not in said
    assert "Send this order" in said


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ("on=2026-05-06", "Write an amount beside at least one product."),
        ("on=2026-05-06&{p}=300", "comes in packs of 500 g: order 500 g, not 300 g."),
        ("on=2026-05-03&{p}=500", "Sunday 3 May 2026 is past"),
        ("on=2026-05-09&{p}=500", "There is no delivery on Saturday 9 May 2026"),
        ("on=2026-05-04&{p}=500", "Orders for Monday 4 May 2026 closed on Sunday 3 May 2026 at 12:00"),
        ("on=2029-05-04&{p}=500", "is more than a year ahead"),
        ("on=tomorrow&{p}=500", "This is no date: write it as 2026-05-04."),
        ("on=2026-05-06&{k}=two", "'two' is no number of kits: write 3."),
    ],
)
def test_an_order_that_cannot_be_is_told_before_it_is_sent(
    client: Client, farm: World, token: str, query: str, sentence: str
) -> None:
    asked = query.format(p=farm.product.public_id, k=farm.kit.public_id)
    response = client.get(f"/k/{token}/order/?ask=1&{asked}")
    assert response.status_code == 422
    assert sentence in words(response)
    assert "Send this order" not in words(response)
    typed = dict(part.split("=") for part in asked.split("&"))
    assert post(client, f"/k/{token}/order/", **typed).status_code == 422
    assert not Order.objects.exists()


def test_a_farm_that_sells_nothing_says_so(client: Client, farm: World, token: str) -> None:
    type(farm.product).objects.update(active=False)
    assert "Nothing is sold at present." in words(client.get(f"/k/{token}/order/"))
