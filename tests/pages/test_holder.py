"""A holder's page by signed link: Dai starts hers, Gwen was given one, and neither sees the other's."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fulfilment.models import CareMail, Event, Farm, Holder, Kit, KitEvent, Mail
from fulfilment.services import caring, kits
from tests.builders.kitchens import NOW, a_buyer, a_farm, a_product, a_strain
from tests.builders.kits import sent_kits
from tests.pages.signed import holder_token, post, unsubscribe_token, words

if TYPE_CHECKING:
    from pytest_django import DjangoAssertNumQueries

pytestmark = pytest.mark.django_db

MONDAY = NOW + timedelta(days=3)
GWEN = "gwen@example.org"


@pytest.fixture
def kit() -> Iterator[Kit]:
    """Dai's pearl kit, sent on Friday; today is Monday."""
    a_farm()
    Farm.objects.update(allergen_wording="Our bags hold rye and wheat straw.")
    caring.lay_programme()
    (found,) = sent_kits(a_buyer(), a_product(a_strain(), grade="kit", price_minor=1_900))
    with time_machine.travel(MONDAY, tick=False):
        yield found


@pytest.fixture
def dai(kit: Kit) -> Holder:
    assert kit.holder is not None
    return kit.holder


@pytest.fixture
def token(dai: Holder) -> str:
    return holder_token(dai, now=MONDAY)


def report(client: Client, token: str, kit: Kit, kind: str, **more: Any) -> str:
    """What the page says after a report that is taken."""
    response = post(client, reverse("holder-report", args=[token, kit.public_id]), kind=kind, **more)
    assert response.status_code == 303, words(response)
    return words(client.get(f"/h/{token}/"))


def history(kit: Kit) -> list[tuple[str, str]]:
    found = kit.events.order_by("pk").exclude(kind__in=["sealed", "sold", "sent"])
    return [(event.kind, event.on.isoformat()) for event in found]


def started(kit: Kit, *, days_ago: int = 0, now: datetime = MONDAY) -> None:
    assert kit.holder is not None
    kits.record(
        kit.public_id, kind="started", on=(now - timedelta(days=days_ago)).date(), by=f"holder:{kit.holder.public_id}",
        now=now,
    )  # fmt: skip


# ---- The link -------------------------------------------------------------------------------------------------------


def test_the_page_opens_by_its_link_and_by_no_other(client: Client, token: str, dai: Holder) -> None:
    for address in (f"/h/{token}/", f"/h/{token}"):
        response = client.get(address)
        assert response.status_code == 200
        assert response["Referrer-Policy"] == "same-origin"
    assert "Hello Dai" in words(response)
    for bad in (token[:-2], token + "x", unsubscribe_token(dai, now=MONDAY)):
        assert client.get(f"/h/{bad}/").status_code == 404
    with time_machine.travel(MONDAY + timedelta(days=367), tick=False):
        expired = client.get(f"/h/{token}/")
        assert expired.status_code == 404
        assert "This link has expired" in words(expired)
    Holder.objects.filter(pk=dai.pk).update(link_version=2)
    void = client.get(f"/h/{token}/")
    assert void.status_code == 404
    assert "This link is no longer valid" in words(void)


def test_a_form_of_the_page_is_taken_from_the_page_itself(token: str, kit: Kit) -> None:
    client = Client(enforce_csrf_checks=True)
    address = reverse("holder-report", args=[token, kit.public_id])
    assert client.post(address, {"kind": "started"}).status_code == 403
    html = client.get(f"/h/{token}/").content.decode()
    mark = html[html.index('csrfmiddlewaretoken" value="') + 28 :].split('"')[0]
    assert client.post(address, {"kind": "started", "csrfmiddlewaretoken": mark}).status_code == 303


def test_opening_the_page_starts_nothing(
    client: Client, token: str, kit: Kit, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    before = (Event.objects.count(), KitEvent.objects.count(), CareMail.objects.count())
    with django_assert_max_num_queries(14):
        client.get(f"/h/{token}/")
    assert client.get(reverse("holder-report", args=[token, kit.public_id])).status_code == 405
    for what in ("", "?what=mould", "?what=nothing_happens", "?what=dance"):
        assert client.get(f"{reverse('holder-trouble', args=[token, kit.public_id])}{what}").status_code == 200
    assert (Event.objects.count(), KitEvent.objects.count(), CareMail.objects.count()) == before


def test_many_kits_cost_no_more_statements_than_one(client: Client, token: str, kit: Kit) -> None:
    many = sent_kits(a_buyer("Hal"), kit.line.product, 4)  # type: ignore[union-attr]  # it was sold
    assert many[0].holder is not None
    counts = []
    for each in (token, holder_token(many[0].holder, now=MONDAY)):
        with CaptureQueriesContext(connection) as seen:
            client.get(f"/h/{each}/")
        counts.append(len(seen))
    assert counts[0] == counts[1]


# ---- The next thing -------------------------------------------------------------------------------------------------


def test_one_button_after_the_other_leads_through_a_flush(client: Client, token: str, kit: Kit) -> None:
    said = words(client.get(f"/h/{token}/"))
    assert "Waiting to be started" in said
    assert "I started it today" in said
    assert "Once it is started, the pins come after 5 to 10 days." in said

    said = report(client, token, kit, "started")
    # By the profile of a pearl kit in a normal room: pins five to ten days after the start.
    assert "Pins: now expected Sat 16 – Thu 21 May." in said
    assert "Care mails:" in said
    with time_machine.travel(MONDAY + timedelta(days=6), tick=False):
        assert "I see pins" in said
        said = report(client, token, kit, "pins")
        assert "Growing: it doubles every day" in said
        assert "Ready to pick: now expected Thu 21 – Sun 24 May." in said
    with time_machine.travel(MONDAY + timedelta(days=10), tick=False):
        assert "I picked the first" in said
        said = report(client, token, kit, "harvested_first")
        assert "All picked" in said
        said = report(client, token, kit, "harvested_all")
        assert "Resting after the first flush" in said
        assert "Watered for the second flush: now expected Thu 28 May – Thu 4 Jun." in said
    with time_machine.travel(MONDAY + timedelta(days=20), tick=False):
        assert "Watered again" in said
        said = report(client, token, kit, "rewatered")
        assert "Watered, waiting for the second flush" in said
    assert [kind for kind, _ in history(kit)] == ["started", "pins", "harvested_first", "harvested_all", "rewatered"]


def test_a_button_pressed_twice_is_told_once(client: Client, token: str, kit: Kit) -> None:
    address = reverse("holder-report", args=[token, kit.public_id])
    for name in ("one", "one", "two"):
        assert post(client, address, once=name, kind="started").status_code == 303
    assert history(kit) == [("started", "2026-05-11")]
    assert KitEvent.objects.get(kind="started").by == f"holder:{kit.holder.public_id}"  # type: ignore[union-attr]  # Dai holds it


def test_it_was_another_day(client: Client, token: str, kit: Kit) -> None:
    report(client, token, kit, "started", on="2026-05-09")
    assert history(kit) == [("started", "2026-05-09")]


@pytest.mark.parametrize(
    ("kind", "on", "sentence"),
    [
        ("started", "2026-05-07", "Thursday 7 May 2026 is before the kit was sent, Friday 8 May 2026"),
        ("started", "2026-05-12", "Tuesday 12 May 2026 has not come yet"),
        ("started", "soon", "This is no date: write it as 2026-05-04."),
        ("pins", "", "This kit cannot have pins: nobody has told us that it was started."),
        ("sold", "", "Select a valid choice."),
        ("", "", "This field is required."),
    ],
)
def test_what_cannot_be_is_told_and_written_nowhere(
    client: Client, token: str, kit: Kit, kind: str, on: str, sentence: str
) -> None:
    response = post(client, reverse("holder-report", args=[token, kit.public_id]), kind=kind, on=on)
    assert response.status_code == 422
    assert sentence in words(response)
    assert history(kit) == []


def test_today_is_the_holders_own(client: Client, kit: Kit, dai: Holder) -> None:
    Holder.objects.filter(pk=dai.pk).update(zone="Pacific/Auckland")
    evening = datetime(2026, 5, 11, 18, 0, tzinfo=NOW.tzinfo)
    with time_machine.travel(evening, tick=False):
        report(client, holder_token(dai, now=evening), kit, "started")
    assert history(kit) == [("started", "2026-05-12")]


def test_a_pause_silences_and_its_end_moves_the_days(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    said = report(client, token, kit, "paused")
    assert "You are away, so our mails wait." in said
    with time_machine.travel(MONDAY + timedelta(days=3), tick=False):
        said = report(client, token, kit, "resumed")
        assert "Pins: now expected Tue 19 – Sun 24 May." in said


# ---- Whose ----------------------------------------------------------------------------------------------------------


def test_two_holders_of_one_order_see_only_their_own_kit(client: Client, kit: Kit) -> None:
    buyer = a_buyer("Hal")
    mine, theirs = sent_kits(buyer, kit.line.product, 2)  # type: ignore[union-attr]  # it was sold
    joined = kits.join(theirs.joining_code, email=GWEN, name="Gwen", zone="Etc/UTC", warmth="normal", now=MONDAY)
    assert mine.holder is not None
    assert joined.holder is not None
    hal, gwen = holder_token(mine.holder, now=MONDAY), holder_token(joined.holder, now=MONDAY)
    for token, own, other in ((hal, mine, theirs), (gwen, theirs, mine)):
        html = client.get(f"/h/{token}/").content.decode()
        assert own.public_id in html
        assert other.public_id not in html
        assert "hal@example.org" not in html
        assert GWEN not in html
        assert other.joining_code not in html
        assert "19.00" not in html
        for name, typed in (("holder-report", {"kind": "started"}), ("holder-room", {"warmth": "cool"})):
            assert post(client, reverse(name, args=[token, other.public_id]), **typed).status_code == 404
        trouble = reverse("holder-trouble", args=[token, other.public_id])
        assert client.get(trouble).status_code == 404
        assert post(client, f"{trouble}?what=dry").status_code == 404
        assert client.get(reverse("holder-advice", args=[token, other.public_id, "dry"])).status_code == 404
    assert "Hal" not in words(client.get(f"/h/{gwen}/"))


def test_finished_kits_are_folded_away_and_an_empty_page_says_so(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    said = report(client, token, kit, "finished")
    assert "No kit of yours is growing at present." in said
    assert "Finished: 1 kit" in said


# ---- Cautions -------------------------------------------------------------------------------------------------------


def test_all_cautions_are_on_the_page_with_the_farms_own_allergens(client: Client, token: str) -> None:
    """The list follows the plan's kit care section; guidance to cook through: common practice of food agencies."""
    said = words(client.get(f"/h/{token}/"))
    for caution in (
        "Cook them through", "steaming hot all through", "small portion the first time", "Pick before the caps flatten",
        "spores can trigger asthma and allergy", "out of bedrooms", "see a doctor", "look again in two days",
        "Grey cobweb that spreads", "do not sniff it", "children and pets: coffee grounds hold caffeine",
        "Allergens: Our bags hold rye and wheat straw.", "ask a doctor before",
        "Your local food and waste rules come before",
    ):  # fmt: skip
        assert caution in said, caution
    assert "pink kit" not in said


def test_a_pink_kit_is_kept_warm(client: Client, kit: Kit) -> None:
    (pink,) = sent_kits(a_buyer("Pia"), a_product(a_strain("Pink oyster", tender=True), grade="kit"))
    assert pink.holder is not None
    kits.set_room(pink.public_id, warmth="cool", by="holder:pia", now=MONDAY)
    said = words(client.get(f"/h/{holder_token(pink.holder, now=MONDAY)}/"))
    assert "A pink kit dies in the cold. Keep it between 12 and 25 °C" in said
    assert "will hardly fruit in a cool room" in said


# ---- The room -------------------------------------------------------------------------------------------------------


def test_a_cooler_room_moves_the_days(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    address = reverse("holder-room", args=[token, kit.public_id])
    assert post(client, address, warmth="cool", celsius="15,5").status_code == 303
    # A pearl kit in a cool room: pins six to thirteen days after the start.
    assert "Pins: now expected Sun 17 – Sun 24 May." in words(client.get(f"/h/{token}/"))
    kit.refresh_from_db()
    assert (kit.warmth, kit.room_celsius_tenths) == ("cool", 155)
    for typed, sentence in (
        ({"warmth": "cool", "celsius": "200"}, "200 °C cannot be"),
        ({"warmth": "hot"}, "Select a valid choice"),
        ({"warmth": "cool", "celsius": "warm"}, "Enter a number."),
    ):
        response = post(client, address, **typed)
        assert response.status_code == 422
        assert sentence in words(response)
    kit.refresh_from_db()
    assert (kit.warmth, kit.room_celsius_tenths) == ("cool", 155)


# ---- Something is wrong ---------------------------------------------------------------------------------------------


def told(client: Client, token: str, kit: Kit, what: str, **typed: Any) -> str:
    response = post(client, f"{reverse('holder-trouble', args=[token, kit.public_id])}?what={what}", **typed)
    assert response.status_code == 303, words(response)
    return words(client.get(response["Location"]))


@pytest.mark.parametrize(
    ("typed", "advice"),
    [
        ({"warmth": "cool", "celsius": "8"}, "8 °C is too cold for it: move it where it is 10 to 22 °C."),
        ({"warmth": "warm", "celsius": "26"}, "26 °C is too warm for it: move it where it is 10 to 22 °C."),
        ({"warmth": "normal", "celsius": "18"}, "18 °C suits it: mist it more often and give it more fresh air."),
        ({"warmth": "warm"}, "a warm room is too warm for it, so find it a cooler place."),
        ({"warmth": "normal"}, "mist it more often and give it more fresh air."),
    ],
)
def test_where_nothing_happens_the_room_is_asked_first(
    client: Client, token: str, kit: Kit, typed: dict[str, str], advice: str
) -> None:
    started(kit)
    said = told(client, token, kit, "nothing_happens", **typed)
    assert advice in said
    assert "You can ask for a replacement now; you need not wait for this to work." in said


@pytest.mark.parametrize("look", ["cobweb", "colour", "sour"])
def test_what_is_mould_is_sealed_and_thrown_away(client: Client, token: str, kit: Kit, look: str) -> None:
    started(kit)
    said = told(client, token, kit, "mould", look=look)
    assert "seal the bag, do not sniff it, throw it away closed, and eat nothing from it." in said
    assert "normal: that is the mycelium" not in said


def test_what_is_white_is_looked_at_again_in_two_days(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    said = told(client, token, kit, "mould", look="white")
    assert "look again in two days, and eat nothing from it until then" in said
    both = words(client.get(f"/h/{token}/"))
    assert "You told us: mould." in both
    assert "do not sniff it" in both


def test_trouble_is_a_case_for_staff_once_and_ends_with_a_word(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    address = f"{reverse('holder-trouble', args=[token, kit.public_id])}?what=flies"
    for name in ("one", "one", "two"):
        assert post(client, address, once=name, note="by the bin", another="on").status_code == 303
    case = KitEvent.objects.get(kind="trouble")
    assert (case.trouble, case.note) == ("flies", "Asks for another kit. by the bin")
    assert Mail.objects.filter(kind="kit_trouble", to_staff=True).count() == 1
    said = report(client, token, kit, "resumed")
    assert "You told us" not in said


def test_a_trouble_form_that_lacks_something_is_told(client: Client, token: str, kit: Kit) -> None:
    started(kit)
    base = reverse("holder-trouble", args=[token, kit.public_id])
    for query, typed in (
        ("mould", {}), ("mould", {"look": "pretty"}), ("other", {}), ("other", {"note": "x" * 300}),
        ("nothing_happens", {"warmth": "cool", "celsius": "200"}),
    ):  # fmt: skip
        assert post(client, f"{base}?what={query}", **typed).status_code == 422
    assert not KitEvent.objects.filter(kind="trouble").exists()
    kit.refresh_from_db()
    assert kit.warmth == "normal"


# ---- Care mails -----------------------------------------------------------------------------------------------------


def test_care_mails_end_and_come_again_from_the_page(client: Client, token: str, dai: Holder) -> None:
    address = reverse("holder-mails", args=[token])
    planned = CareMail.objects.filter(state="planned")
    assert planned.exists()
    response = client.post(address, {"do": "off"}, follow=True)
    assert "No more care mails. This page still says what comes next." in words(response)
    assert not planned.exists()
    assert "Send me care mails again" in words(response)
    client.post(address, {"do": "on"})
    assert planned.exists()
    dai.refresh_from_db()
    assert dai.unsubscribed_at is None


def test_one_click_ends_care_mails_without_a_cookie_or_a_redirect(dai: Holder) -> None:
    """RFC 8058, section 3: the mail program posts ``List-Unsubscribe=One-Click`` to the address of the header."""
    client = Client(enforce_csrf_checks=True)
    token = unsubscribe_token(dai, now=MONDAY)
    for _ in range(2):
        response = client.post(
            f"/u/{token}", "List-Unsubscribe=One-Click", content_type="application/x-www-form-urlencoded"
        )
        assert response.status_code == 200
    dai.refresh_from_db()
    assert dai.unsubscribed_at == MONDAY
    assert Event.objects.filter(kind="holder_unsubscribed").count() == 1


def test_opening_the_unsubscribing_page_ends_nothing(client: Client, dai: Holder) -> None:
    address = f"/u/{unsubscribe_token(dai, now=MONDAY)}/"
    assert "No more care mails" in words(client.get(address))
    dai.refresh_from_db()
    assert dai.unsubscribed_at is None
    one_click = {"List-Unsubscribe": "One-Click"}
    assert "Done: no more care mails." in words(client.post(address, one_click))
    assert "You get no care mails already." in words(client.post(address, one_click))
    assert "Care mails come again" in words(client.post(address, {"do": "resubscribe"}))
    dai.refresh_from_db()
    assert dai.unsubscribed_at is None
    assert client.post(f"/u/{holder_token(dai, now=MONDAY)}/", one_click).status_code == 404
