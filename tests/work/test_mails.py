"""Mails leave after their row is committed, once if the server answers, and never for who must not get them."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import TYPE_CHECKING, Any

import pytest
from aiosmtpd.controller import Controller
from django.db import transaction

from fulfilment import work
from fulfilment.core.care import PINK, PROGRAMME
from fulfilment.core.problems import Conflict
from fulfilment.models import CareMail, Event, Farm, Holder, Kit, Lot, Mail
from fulfilment.models.states import MAIL
from fulfilment.out import emails
from fulfilment.read import links
from fulfilment.services import mails, ordering
from fulfilment.services.ordering import Asked
from tests import world
from tests.work.test_drain import ended, in_child
from tests.world import ADA, MONDAY, NOW, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from aiosmtpd.smtp import SMTP, Envelope, Session

pytestmark = pytest.mark.django_db(transaction=True)

NINE = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
QUARTER = timedelta(minutes=15)


@dataclass
class Postbox:
    """A mail server that does as it is told: ``says`` is its answer to a mail, ``drops`` cuts the line instead."""

    got: list[EmailMessage] = field(default_factory=list)
    says: dict[str, str] = field(default_factory=dict)
    drops: int = 0
    connections: int = 0

    async def handle_EHLO(  # noqa: N802 - the server calls it so
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.connections += 1
        session.host_name = hostname
        return responses

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802 - the same
        assert isinstance(envelope.content, bytes)
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        answer = self.says.get(envelope.rcpt_tos[0], "250 OK")
        if answer.startswith("250"):
            self.got.append(message)
        if self.drops:
            self.drops -= 1
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
        return answer

    def to(self) -> list[str]:
        return [str(message["To"]) for message in self.got]


def text_of(message: EmailMessage) -> str:
    """The plain text, as whoever reads no HTML has it."""
    part = message.get_body(("plain",))
    assert part is not None
    return str(part.get_content())


@pytest.fixture(autouse=True)
def _only_mails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "SWEEPS", ())
    monkeypatch.setattr(work, "DO", {})


@pytest.fixture
def postbox(settings: Any) -> Iterator[Postbox]:
    box = Postbox()
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
    settings.EMAIL_TIMEOUT = 5
    settings.PUBLIC_URL = "https://farm.example.org"
    yield box
    controller.stop()


@pytest.fixture
def farm() -> World:
    made = world.build()
    Mail.objects.all().delete()
    return made


@pytest.fixture
def dai(farm: World) -> Holder:
    return Holder.objects.create(name="Dai", email="dai@example.org", zone="Etc/UTC", made_at=NOW)


def a_kit(farm: World, holder: Holder) -> Kit:
    lot = Lot.objects.create(
        kind="kits", strain=farm.strain, grade="kit", batch=farm.crop.batch, ready_on=MONDAY,
        best_before=date(2026, 6, 20), made_at=NOW,
    )  # fmt: skip
    return Kit.objects.create(batch=farm.crop.batch, lot=lot, state="sent", holder=holder)


def care(kit: Kit, step: str = "arrived", *, due_at: datetime = NINE, kind: str = "care", once: str = "") -> Mail:
    assert kit.holder is not None
    with transaction.atomic():
        mail = mails.queue(
            kind, holder=kit.holder, subject={}, once=once or f"{step}:{kit.public_id}", due_at=due_at, now=due_at
        )
        CareMail.objects.create(kit=kit, step=step, due_at=due_at, state="queued", mail=mail)
    return mail


def note(number: int = 1, *, due_at: datetime = NINE) -> Mail:
    return mails.queue("plan_refused", to_staff=True, subject={"found": number}, once=f"note:{number}", now=due_at)


def state(mail: Mail) -> str:
    mail.refresh_from_db()
    assert mail.state in MAIL
    return mail.state


def test_cleo_is_told_what_was_promised(farm: World, postbox: Postbox) -> None:
    world.plan()
    order = ordering.place(
        [Asked(farm.product.public_id, 2_000)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=4),
        reference="week 19", by=ADA, now=NOW,
    )  # fmt: skip
    assert work.drain(now=NINE) == 1
    (message,) = postbox.got
    mail = Mail.objects.get(kind="order_received")
    assert message["To"] == "heron@example.org"
    assert message["From"] == "Tide Mill Mushrooms <farm@example.org>"
    assert message["Subject"] == f"Your order {order.public_id} for Friday 8 May 2026"
    assert message["Message-ID"] == mail.message_id
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime == NINE
    assert message["List-Unsubscribe"] is None
    text = text_of(message)
    assert "Pearl oyster, 500 g: 2 kg ordered" in text
    assert "week 19" in text
    page = next(word for word in text.split() if word.startswith("https://farm.example.org/k/"))
    assert links.kitchen(page.rpartition("/")[2], now=NINE) == farm.kitchen
    assert (state(mail), mail.sent_at, mail.tries) == ("sent", NINE, 1)
    assert work.drain(now=NINE) == 0


def test_dai_is_told_what_the_kit_needs_and_how_to_hear_no_more(farm: World, dai: Holder, postbox: Postbox) -> None:
    Farm.objects.update(allergen_wording="Holds wheat bran.")
    kit = a_kit(farm, dai)
    care(kit)
    assert work.drain(now=NINE) == 1
    (message,) = postbox.got
    assert message["Subject"] == "How to start your kit"
    assert message["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    address = message["List-Unsubscribe"].strip(" <>")
    assert address.startswith("https://farm.example.org/u/")
    assert links.unsubscriber(address.rpartition("/")[2], now=NINE) == dai
    text = text_of(message)
    for words in (
        kit.public_id,
        "20 June 2026",
        "Cook the mushrooms through",
        "ask a doctor",
        "Holds wheat bran.",
        "waste rules",
    ):
        assert words in text
    assert "cold" not in text.lower(), "it is hardy"


@pytest.mark.parametrize("step", PROGRAMME, ids=lambda step: step.key)
def test_every_step_of_the_programme_has_its_words_and_the_cautions(
    farm: World, dai: Holder, postbox: Postbox, step: Any
) -> None:
    care(a_kit(farm, dai), step.key)
    assert work.drain(now=NINE) == 1
    assert postbox.got[0]["Subject"] == step.title
    assert "Cook the mushrooms through" in text_of(postbox.got[0])


def test_pink_kits_carry_the_caution_about_cold(farm: World, dai: Holder, postbox: Postbox) -> None:
    farm.strain.hardy, farm.strain.kit = False, PINK.as_data()
    farm.strain.save()
    care(a_kit(farm, dai))
    work.drain(now=NINE)
    assert "between 12 and 25 °C" in text_of(postbox.got[0])


def test_kits_at_one_step_share_a_mail(farm: World, dai: Holder, postbox: Postbox) -> None:
    first, second = a_kit(farm, dai), a_kit(farm, dai)
    mail = care(first)
    CareMail.objects.create(kit=second, step="arrived", due_at=NINE, state="queued", mail=mail)
    work.drain(now=NINE)
    text = text_of(postbox.got[0])
    assert f"Kits {first.public_id}, {second.public_id}" in text


def test_asked_for_twice_it_is_one_mail(farm: World) -> None:
    assert note() == note()


def test_many_mails_go_over_one_connection(farm: World, postbox: Postbox) -> None:
    for number in range(20):
        note(number)
    assert work.drain(now=NINE) == 20
    assert (len(postbox.got), postbox.connections) == (20, 1)
    assert len({message["Message-ID"] for message in postbox.got}) == 20


def test_accepted_and_dropped_is_unknown_and_repeated_once_under_the_same_id(farm: World, postbox: Postbox) -> None:
    postbox.drops = 2
    mail = note()
    work.drain(now=NINE)
    assert state(mail) == "unknown"
    assert work.drain(now=NINE + QUARTER - timedelta(seconds=1)) == 0
    work.drain(now=NINE + QUARTER)
    assert state(mail) == "failed"
    assert [message["Message-ID"] for message in postbox.got] == [mail.message_id] * 2
    assert Event.objects.filter(kind="mail_failed", subject=mail.public_id).count() == 1
    assert work.drain(now=NINE + timedelta(days=1)) == 0
    mails.retry(mail.public_id, by=ADA, now=NINE + timedelta(days=1))
    work.drain(now=NINE + timedelta(days=1))
    assert state(mail) == "sent"


def test_one_drop_leaves_the_others_on_a_new_connection(farm: World, postbox: Postbox) -> None:
    postbox.drops = 1
    sent = [note(number) for number in range(4)]
    work.drain(now=NINE)
    assert sorted(state(mail) for mail in sent) == ["sent", "sent", "sent", "unknown"]
    work.drain(now=NINE + QUARTER)
    assert {state(mail) for mail in sent} == {"sent"}
    assert len(postbox.got) == 5


def test_a_refusal_for_now_is_tried_again_and_one_for_good_is_not(farm: World, postbox: Postbox) -> None:
    postbox.says = {"farm@example.org": "451 come back later", "heron@example.org": "550 no such box"}
    later = note()
    never = mails.queue("hello", kitchen=farm.kitchen, subject={}, once="x", now=NINE)
    ordering_mail = mails.queue("shortage", kitchen=farm.kitchen, subject={"order": 404}, once="y", now=NINE)
    work.drain(now=NINE)
    assert (state(later), state(never), state(ordering_mail)) == ("planned", "failed", "failed")
    assert never.last_error.startswith("It cannot be written"), "there are no words for such a mail"
    assert ordering_mail.last_error == "It cannot be written: Missing."
    assert later.last_error.startswith("451")
    assert later.due_at == NINE, "since when it should have gone does not move"
    assert work.drain(now=NINE) == 0
    postbox.says["farm@example.org"] = "550 no such box"
    work.drain(now=NINE + mails.FIRST_PAUSE)
    assert (state(later), later.last_error[:3]) == ("failed", "550")


def test_a_refusal_that_never_passes_fails_the_fifth_time(farm: World, postbox: Postbox) -> None:
    postbox.says = {"farm@example.org": "451 come back later"}
    mail = note()
    now = NINE
    for _ in range(8):
        work.drain(now=now)
        now += timedelta(hours=2)
    assert (state(mail), mail.tries) == ("failed", mails.MOST_TRIES)


def test_a_server_that_is_away_costs_no_try(farm: World, settings: Any, postbox: Postbox) -> None:
    port, settings.EMAIL_PORT = settings.EMAIL_PORT, 9
    mail = note()
    for minute in range(10):
        assert work.drain(now=NINE + timedelta(minutes=minute)) == 0
    assert (state(mail), mail.tries) == ("planned", 0)
    settings.EMAIL_PORT = port
    assert work.drain(now=NINE + timedelta(minutes=10)) == 1


@pytest.mark.parametrize("after_talking", [False, True])
def test_a_worker_killed_around_the_talk(
    farm: World, postbox: Postbox, monkeypatch: pytest.MonkeyPatch, after_talking: bool
) -> None:
    """Before the talk or before the mark: nobody can tell, so it is unknown first and repeated once."""
    mail = note()

    def die(*_: object, **__: object) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(*((mails, "sent") if after_talking else (emails, "send")), die)
        assert ended(in_child(lambda: work.drain(now=NINE))) == -signal.SIGKILL
    assert state(mail) == "sending"
    assert work.drain(now=NINE + timedelta(minutes=1)) == 0
    over = NINE + mails.LEASE
    assert work.drain(now=over) == 0
    assert state(mail) == "unknown"
    work.drain(now=over + QUARTER)
    assert state(mail) == "sent"
    assert len(postbox.got) == 1 + after_talking
    assert len({message["Message-ID"] for message in postbox.got}) == 1


def test_a_mail_that_kills_its_worker_does_not_take_others_with_it(
    farm: World, postbox: Postbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, poison, last = note(1), note(666), note(3)
    write = emails.write

    def deadly(letter: Any, *, now: datetime) -> Any:
        if letter.mail.pk == poison.pk:
            os.kill(os.getpid(), signal.SIGKILL)
        return write(letter, now=now)

    monkeypatch.setattr(emails, "write", deadly)
    now = NINE
    for _ in range(8):
        ended(in_child(lambda now=now: work.drain(now=now)))  # type: ignore[misc]  # bound early
        now += QUARTER
    assert (state(first), state(poison), state(last)) == ("sent", "failed", "sent")


def test_workers_at_once_send_each_mail_once(farm: World, postbox: Postbox) -> None:
    for number in range(60):
        note(number)

    def drain() -> None:
        while work.drain(now=NINE):
            pass

    assert [ended(child) for child in [in_child(drain) for _ in range(3)]] == [0, 0, 0]
    assert len(postbox.got) == 60
    assert len({message["Message-ID"] for message in postbox.got}) == 60


def test_after_an_outage_only_the_newest_care_mail_of_a_kit_goes(farm: World, dai: Holder, postbox: Postbox) -> None:
    kit = a_kit(farm, dai)
    old = [
        care(kit, step, due_at=NINE + timedelta(days=day)) for day, step in enumerate(("arrived", "misting", "ready"))
    ]
    work.drain(now=NINE + timedelta(days=2, hours=1))
    assert [state(mail) for mail in old] == ["late", "late", "sent"]
    assert set(CareMail.objects.filter(mail__in=old[:2]).values_list("state", flat=True)) == {"late"}


def test_forty_days_of_outage_are_no_mail_but_the_order_mails(farm: World, dai: Holder, postbox: Postbox) -> None:
    stale, order = care(a_kit(farm, dai)), note()
    work.drain(now=NINE + timedelta(days=40))
    assert (state(stale), state(order)) == ("late", "sent")


def test_care_held_up_by_an_outage_keeps_the_holders_night(farm: World, dai: Holder, postbox: Postbox) -> None:
    dai.zone = "Asia/Tokyo"
    dai.save()
    mail = care(a_kit(farm, dai))
    safety = care(a_kit(farm, dai), "nothing_seen", kind="safety")
    late = datetime(2026, 5, 4, 12, 30, tzinfo=UTC)  # 21:30 in Tokyo
    work.drain(now=late)
    assert (state(mail), state(safety)) == ("planned", "sent")
    assert work.drain(now=datetime(2026, 5, 4, 22, 59, tzinfo=UTC)) == 0
    work.drain(now=datetime(2026, 5, 4, 23, 0, tzinfo=UTC))  # 08:00 there
    assert state(mail) == "sent"


def test_two_kits_of_one_holder_are_two_days(farm: World, dai: Holder, postbox: Postbox) -> None:
    first, second = care(a_kit(farm, dai)), care(a_kit(farm, dai), "ready")
    work.drain(now=NINE)
    assert (state(first), state(second)) == ("sent", "planned")
    work.drain(now=NINE + timedelta(days=1))
    assert state(second) == "sent"


def test_who_unsubscribed_or_was_erased_gets_nothing_but_what_concerns_safety(
    farm: World, dai: Holder, postbox: Postbox
) -> None:
    mail, safety = care(a_kit(farm, dai)), care(a_kit(farm, dai), "nothing_seen", kind="safety")
    dai.unsubscribed_at = NINE
    dai.save()
    work.drain(now=NINE)
    assert (state(mail), state(safety)) == ("cancelled", "sent")
    last = care(a_kit(farm, dai), kind="safety", once="last")
    dai.erased_at = NINE
    dai.save()
    work.drain(now=NINE)
    assert state(last) == "cancelled"
    assert len(postbox.got) == 1


def test_a_planned_mail_can_be_called_back_and_a_sent_one_cannot(farm: World, postbox: Postbox) -> None:
    first, second = note(1), note(2)
    mails.cancel(first, by=ADA, now=NINE)
    work.drain(now=NINE)
    assert (state(first), state(second)) == ("cancelled", "sent")
    with pytest.raises(Conflict):
        mails.cancel(second, by=ADA, now=NINE)


def test_a_line_break_in_a_name_does_not_become_a_header(farm: World, postbox: Postbox) -> None:
    Farm.objects.update(name="Tide Mill\nBcc: eve@example.org")
    mail = note()
    work.drain(now=NINE)
    assert (state(mail), postbox.got) == ("failed", [])
