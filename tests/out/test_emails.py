"""A mail says the same in text and in HTML, its days as a calendar, and nothing of anybody else.

Read back by the standard library's mail parser, its HTML parser, and the iCalendar library: none of them wrote it.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from html.parser import HTMLParser
from typing import Any

import pytest
from icalendar import Calendar

from fulfilment.core.care import PINK, PROGRAMME, EventKind
from fulfilment.core.problems import Missing
from fulfilment.models import CareMail, Farm, Holder, Kit, KitEvent, Lot, Mail, Order
from fulfilment.out import emails
from fulfilment.read import mails as about
from fulfilment.services import caring, kits, mails, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.builders.kitchens import a_buyer, a_product, a_strain
from tests.builders.kits import sent_kits
from tests.world import ADA, MONDAY, NOW, World

pytestmark = pytest.mark.django_db

FRIDAY = MONDAY + timedelta(days=4)
NINE = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
SPITEFUL = '<b>Tom & "Co"</b>'

CAUTIONS = (
    "Cook the mushrooms through", "steaming hot all through", "small portion the first time", "before the caps flatten",
    "Spores can trigger asthma and allergy", "out of bedrooms", "see a doctor", "look again in two days",
    "do not sniff it, throw it away", "children and pets", "caffeine", "Allergens:", "local food and waste rules",
)  # fmt: skip


@pytest.fixture(autouse=True)
def _address(settings: Any) -> None:
    settings.PUBLIC_URL = "https://farm.example.org"


@pytest.fixture
def farm() -> World:
    made = world.build()
    world.plan()
    Mail.objects.all().delete()
    return made


class Read(HTMLParser):
    """What a person sees of a page, and where its links lead."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.links: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("style", "title")
        self.links += [value or "" for name, value in attrs if name == "href"]
        self.words.append(" ")

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("style", "title")
        self.words.append(" ")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.words.append(data)


class Received:
    """A mail as its receiver has it."""

    def __init__(self, mail: Mail, *, now: datetime = NINE) -> None:
        made = emails.write(about.letter(mail, about.gather([mail]), now=now), now=now)
        self.bytes = made.message().as_bytes(linesep="\r\n")
        parsed = message_from_bytes(self.bytes, policy=policy.default)
        assert isinstance(parsed, EmailMessage)
        assert not any(part.defects for part in parsed.walk())
        self.message = parsed
        self.text = self._part("plain")
        self.html = self._part("html")
        page = Read()
        page.feed(self.html)
        self.seen = " ".join("".join(page.words).split())
        self.links = page.links
        files = [part for part in parsed.walk() if part.get_content_type() == "text/calendar"]
        self.days: list[Any] = Calendar.from_ical(files[0].get_content()).walk("VEVENT") if files else []
        self.calendar = files[0] if files else None

    def _part(self, kind: str) -> str:
        part = self.message.get_body((kind,))
        assert part is not None, f"no {kind} part"
        return str(part.get_content())

    def day(self, end: str) -> Any:
        return next((day for day in self.days if f"-{end}@" in str(day["UID"])), None)


def the(mail: str, **receiver: Any) -> Mail:
    return Mail.objects.select_related("kitchen", "buyer", "holder").get(kind=mail, **receiver)


def facts_of(words: str) -> set[str]:
    """Every date and amount that is said."""
    return set(
        re.findall(r"\d+(?:\.\d+)? (?:k?g|kits?)\b|\d{1,2} (?:January|May|June|July|August|December)(?: \d{4})?", words)
    )


def same_in_both(got: Received) -> None:
    assert facts_of(got.text) == facts_of(got.seen)
    assert set(re.findall(r"https?://\S+", got.text)) == set(got.links)
    assert got.message["Subject"] in got.seen


def order(farm: World, amount: int = 2_000, *, at_least: int = 0, **more: Any) -> Received:
    ordering.place(
        [Asked(farm.product.public_id, amount, at_least=at_least)],
        kitchen=farm.kitchen.public_id,
        on=FRIDAY,
        by=ADA,
        now=NOW,
        **more,
    )
    return Received(the("order_received"))


def a_kit(farm: World, *reports: tuple[EventKind, date], holder: Holder | None = None) -> Kit:
    lot = Lot.objects.create(
        kind="kits", strain=farm.strain, grade="kit", batch=farm.crop.batch, ready_on=MONDAY,
        best_before=date(2026, 6, 20), made_at=NOW,
    )  # fmt: skip
    if holder is None:
        holder = Holder.objects.create(name="Dai", email="dai@example.org", made_at=NOW)
    kit = Kit.objects.create(batch=farm.crop.batch, lot=lot, state="sent", holder=holder)
    for kind, on in ((EventKind.SEALED, MONDAY), (EventKind.SOLD, MONDAY), (EventKind.SENT, MONDAY), *reports):
        tell(kit, kind, on)
    return kit


def tell(kit: Kit, kind: EventKind, on: date) -> None:
    KitEvent.objects.create(kit=kit, kind=kind, on=on, at=NOW, by=ADA)
    Kit.objects.filter(pk=kit.pk).update(version=kit.version + 1)
    kit.refresh_from_db()


def care(*kits: Kit, step: str = "arrived", cycle: int = 1, kind: str = "care") -> Mail:
    holder = kits[0].holder
    assert holder is not None
    mail = mails.queue(kind, holder=holder, subject={}, once=f"{step}:{kits[0]}:{kits[0].version}", now=NINE)
    for kit in kits:
        CareMail.objects.create(kit=kit, step=step, cycle=cycle, due_at=NINE, state="queued", mail=mail)
    return mail


# ---- Orders ---------------------------------------------------------------------------------------------------------


def test_cleo_reads_a_word_for_each_line_and_no_percent(farm: World) -> None:
    got = order(farm, reference="week 19")
    same_in_both(got)
    assert re.search(r"2 kg ordered, all of it promised for Friday 8 May 2026: (sure|likely)\.", got.seen)
    assert "week 19" in got.seen
    assert "%" not in got.text + got.seen
    assert got.message["Subject"].startswith("Your order ")


def test_what_cannot_be_promised_is_said_with_the_first_day_for_all_of_it(farm: World) -> None:
    got = order(farm, 400_000)
    same_in_both(got)
    assert "400 kg ordered" in got.text
    assert "o not plan on" in got.text
    assert "for all of it" in got.text


def test_an_order_is_one_whole_day_in_the_calendar(farm: World) -> None:
    got = order(farm)
    (day,) = got.days
    assert got.calendar is not None
    assert got.calendar.get_param("method") == "PUBLISH"
    assert (day["DTSTART"].dt, day["DTEND"].dt) == (FRIDAY, FRIDAY + timedelta(days=1))
    assert type(day["DTSTART"].dt) is date
    assert (day["SEQUENCE"], day["DTSTAMP"].dt) == (1, NINE)
    placed = the("order_received").subject["order"]
    changed = ordering.change_line(
        str(about.gather([the("order_received")]).orders[placed].public_id), number=1, to=1_000, by=ADA, now=NOW
    )
    (after,) = Received(the("order_received")).days
    assert changed.ordered == 1_000
    assert (after["UID"], after["SEQUENCE"] > day["SEQUENCE"]) == (day["UID"], True)


def test_nothing_promised_is_no_day(farm: World) -> None:
    got = order(farm, 400_000, at_least=400_000)
    assert "Do not plan on any of it for Friday 8 May 2026." in got.text
    assert got.days == []


def test_a_spiteful_name_is_only_a_name(farm: World) -> None:
    farm.kitchen.name = SPITEFUL
    farm.kitchen.save()
    Farm.objects.update(name='Tide & <i>Mill</i>\t"Mushrooms"')
    got = order(farm, reference="<script>alert(1)</script>\nBcc: eve@example.org")
    assert f"Hello {SPITEFUL}," in got.text
    assert f"Hello {SPITEFUL}," in got.seen
    assert "<b>Tom" not in got.html
    assert "<script" not in got.html
    assert "<i>" not in got.html
    assert "\n" not in got.message["Subject"]
    assert got.message["Bcc"] is None
    assert got.days[0]["SUMMARY"] == 'Delivery from Tide & <i>Mill</i> "Mushrooms"'


def test_other_languages_arrive_whole(farm: World) -> None:
    Farm.objects.update(name="Pilzhof Mühlgraben, Žižkov & Söhne am Großen Wasserfall bei den Holzhütten")
    farm.kitchen.name = "Zur Ähre 🍄"
    farm.kitchen.save()
    got = order(farm)
    assert got.bytes.isascii()
    assert max(map(len, got.bytes.split(b"\r\n"))) < 998, "RFC 5322, section 2.1.1"
    assert b"\n" not in got.bytes.replace(b"\r\n", b"")
    assert "Zur Ähre 🍄" in got.text
    assert "Großen Wasserfall" in str(got.message["From"])


# ---- Shortages ------------------------------------------------------------------------------------------------------


def test_a_shortage_says_what_comes_why_and_where_to_answer(farm: World) -> None:
    order(farm)
    told = mails.queue(
        "shortage", kitchen=farm.kitchen, once="short", now=NINE,
        subject={
            "order": the("order_received").subject["order"], "lines": [1], "reasons": {"1": "harvest_short"},
            "offers": {"1": "OFFR-1234"},
        },
    )  # fmt: skip
    got = Received(told)
    same_in_both(got)
    assert "2 kg ordered, 2 kg promised" in got.seen
    assert "Less was harvested than we expected" in got.text
    assert got.links[0].endswith("#short-OFFR-1234")
    for word in ("tier", "%", "kitchen", "other order"):
        assert word not in got.text.replace("Kitchen", "")


# ---- Kits -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", PROGRAMME, ids=lambda step: step.key)
@pytest.mark.parametrize("tender", [False, True])
def test_every_step_says_the_same_in_both_parts_with_every_caution(farm: World, step: Any, tender: bool) -> None:
    if tender:
        farm.strain.hardy, farm.strain.kit = False, PINK.as_data()
        farm.strain.save()
    Farm.objects.update(allergen_wording="Holds wheat bran & rye.")
    got = Received(care(a_kit(farm), step=step.key, cycle=step.cycles[0]))
    same_in_both(got)
    assert got.message["Subject"] == step.title
    for words in (*CAUTIONS, "Holds wheat bran & rye."):
        assert words in " ".join(got.text.split())
        assert words in got.seen
    assert ("between 12 and 25 °C" in got.text) is tender
    assert ("between 12 and 25 °C" in got.seen) is tender


def test_before_a_start_only_arrival_and_start_by_are_days(farm: World) -> None:
    got = Received(care(a_kit(farm)))
    assert {str(day["SUMMARY"]).partition(": ")[2] for day in got.days} == {"the kit arrives", "last day to start it"}
    assert got.day("start_by-1")["DTSTART"].dt == date(2026, 6, 20)


def test_a_report_moves_a_day_under_its_name_and_takes_out_what_is_over(farm: World) -> None:
    """The worked example of ``read.mail_days``, two months later."""
    kit = a_kit(farm, (EventKind.STARTED, date(2026, 5, 1)))
    before = Received(care(kit, step="misting"), now=datetime(2026, 5, 3, 9, tzinfo=UTC))
    assert before.day("pins-1")["DTSTART"].dt == date(2026, 5, 8)
    assert before.day("ready-1")["DTSTART"].dt == date(2026, 5, 13)
    assert before.day("rewater-1")["DTSTART"].dt == date(2026, 5, 25)
    assert before.day("start_by-1")["STATUS"] == "CANCELLED"
    tell(kit, EventKind.PINS, date(2026, 5, 6))
    after = Received(care(kit, step="doubling"), now=datetime(2026, 5, 7, 9, tzinfo=UTC))
    assert after.day("ready-1")["UID"] == before.day("ready-1")["UID"]
    assert after.day("ready-1")["SEQUENCE"] > before.day("ready-1")["SEQUENCE"]
    assert after.day("ready-1")["DTSTART"].dt == date(2026, 5, 11)
    assert after.day("pins-1")["STATUS"] == "CANCELLED"
    assert "look for pins, about" not in after.text
    same_in_both(after)


def test_after_a_picking_the_next_flush_has_its_days(farm: World) -> None:
    kit = a_kit(farm, (EventKind.STARTED, date(2026, 4, 20)), (EventKind.HARVESTED_ALL, date(2026, 5, 3)))
    got = Received(care(kit, step="rest"))
    told = {str(day["UID"]).partition("@")[0][10:] for day in got.days if day["STATUS"] == "CONFIRMED"}
    assert told == {"rewater-1", "pins-2", "ready-2"}


def test_a_paused_or_troubled_kit_has_no_days(farm: World) -> None:
    for kind in (EventKind.PAUSED, EventKind.TROUBLE):
        holder = Holder.objects.create(email=f"{kind}@example.org", made_at=NOW)
        got = Received(care(a_kit(farm, (EventKind.STARTED, MONDAY), (kind, MONDAY), holder=holder), kind="safety"))
        assert got.days == []


def test_each_button_leads_to_the_holders_page(farm: World) -> None:
    kit = a_kit(farm)
    got = Received(care(kit))
    assert got.links[0].startswith("https://farm.example.org/h/")
    assert got.links[0].endswith(f"#kit-{kit.public_id}")
    assert got.links[1] == f"{got.links[0].partition('#')[0]}/{kit.public_id}/trouble/"
    assert "I started it today" in got.seen
    assert got.message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"


def test_a_safety_mail_cannot_be_ended(farm: World) -> None:
    got = Received(care(a_kit(farm), step="nothing_seen", kind="safety"))
    assert got.message["List-Unsubscribe"] is None
    assert "No more care mails" not in got.text + got.seen


def test_kits_that_share_a_mail_are_told_the_earliest_start_by(farm: World) -> None:
    first = a_kit(farm)
    second = a_kit(farm, holder=first.holder)
    Lot.objects.filter(pk=second.lot_id).update(best_before=date(2026, 6, 10))
    got = Received(care(first, second, step="not_started"))
    assert "it waits until Wednesday 10 June 2026" in got.text
    assert got.seen.count("last day to start it") == 2
    same_in_both(got)


def test_a_gift_tells_neither_side_of_the_other_and_no_price() -> None:
    Farm.objects.create(pk=1, name="Tide Mill", delivery_weekdays=[0, 1, 2, 3, 4])
    strain = a_strain()
    buyer = a_buyer()
    (kit,) = sent_kits(buyer, a_product(strain, grade="kit"), gift=True)
    eve = Holder.objects.create(name="Eve Longbarrow", email="eve@example.org", made_at=NOW)
    Kit.objects.filter(pk=kit.pk).update(holder=eve)
    kit.refresh_from_db()
    to_buyer = Received(the("kit_sent"))
    to_holder = Received(care(kit))
    for address, got in ((eve.email, to_buyer), (buyer.email, to_holder)):
        for words in (got.text, got.html, got.bytes.decode()):
            assert address not in words
    assert "Hello Eve Longbarrow," in to_holder.text
    assert "Dai" not in to_holder.text
    assert "Longbarrow" not in to_buyer.text
    for got in (to_buyer, to_holder):
        assert not re.search(r"EUR|€|price(?! goes)", got.text + got.seen)
        same_in_both(got)
    assert to_buyer.days == [], "its clock begins with its holder"


def test_a_gift_s_own_day_is_told_when_it_comes_and_on_the_day() -> None:
    Farm.objects.create(pk=1, name="Tide Mill", delivery_weekdays=[0, 1, 2, 3, 4])
    caring.lay_programme()
    chosen = date(2026, 5, 20)
    (kit,) = sent_kits(a_buyer(), a_product(a_strain(), grade="kit"), gift=True)
    Order.objects.filter(lines__kits=kit).update(start_on=chosen)
    kits.join(
        kit.joining_code, email="eve@example.org", name="Eve", zone="Europe/Berlin", warmth="normal",
        now=NINE + timedelta(days=6),
    )  # fmt: skip
    assert caring.due(now=NINE + timedelta(days=6)) == 1
    first = Received(the("care"), now=NINE + timedelta(days=6))
    same_in_both(first)
    assert first.message["Subject"] == "How to start your kit"
    assert "wishes it to begin on Wednesday 20 May 2026" in first.text
    assert first.day("start_on-1")["DTSTART"].dt == chosen

    ten = datetime(2026, 5, 20, 8, tzinfo=UTC)  # ten in Berlin
    Mail.objects.update(state="sent", sent_at=NINE + timedelta(days=6))
    assert caring.due(now=ten) == 1
    got = Received(Mail.objects.select_related("holder").get(state="planned"), now=ten)
    same_in_both(got)
    assert got.message["Subject"] == "Today your kit may begin"
    assert got.message["To"] == "eve@example.org"
    assert got.message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    for words in (*CAUTIONS, "I started it today", "Something is wrong", "chose today for its start"):
        assert words in " ".join(got.text.split())
        assert words in got.seen
    assert "Dai" not in got.text + got.seen, "who gave it is not said"
    assert {str(day["STATUS"]) for day in got.days} == {"CONFIRMED", "CANCELLED"}, "its arrival is over"


def test_a_parcel_names_its_days(settings: Any) -> None:
    Farm.objects.create(pk=1, name="Tide Mill", delivery_weekdays=[0, 1, 2, 3, 4])
    (kit,) = sent_kits(a_buyer(), a_product(a_strain(), grade="kit"))
    got = Received(the("kit_sent"), now=NOW)
    same_in_both(got)
    for words in CAUTIONS:
        assert words in got.seen
    assert {str(day["UID"]).partition("@")[0] for day in got.days} <= {
        f"{kit.public_id.lower()}-arrived-1", f"{kit.public_id.lower()}-start_by-1",
    }  # fmt: skip
    assert got.day("start_by-1") is not None


# ---- Staff ----------------------------------------------------------------------------------------------------------


def test_staff_read_what_is_to_be_done(farm: World) -> None:
    told = mails.queue(
        "kit_trouble", to_staff=True, subject={"kit": "ABCD-1234", "trouble": "mould"}, once="t", now=NINE
    )
    got = Received(told)
    assert got.message["Subject"] == "Please look: trouble with a kit"
    assert "trouble: mould" in got.text
    assert "trouble: mould" in got.seen


def test_a_mail_can_be_looked_at_before_it_goes(farm: World) -> None:
    mail = care(a_kit(farm))
    seen = emails.preview(mail.public_id, now=NINE)
    assert (seen.subject, "How to start" in seen.text, "<h1" in seen.html) == ("How to start your kit", True, True)
    assert seen.calendar.startswith("BEGIN:VCALENDAR")
    with pytest.raises(Missing):
        emails.preview("NONE-NONE", now=NINE)


@pytest.mark.parametrize("step", PROGRAMME, ids=lambda step: step.key)
def test_a_step_can_be_looked_at_for_an_invented_kit(farm: World, step: Any) -> None:
    caring.lay_programme()
    seen = emails.preview_step(step.key, strain=farm.strain.public_id, now=NINE)
    assert seen.subject == step.title
    assert "Hello Dai" in seen.text
    assert not Kit.objects.exists()
    with pytest.raises(Missing):
        emails.preview_step("no_such_step", now=NINE)
