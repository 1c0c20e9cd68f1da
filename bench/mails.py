"""Run by the row ``mails`` in a process and a database of its own: prints seconds of draining due mails and of smtplib
sending the same bytes over one connection, a pair a round.

The mails are what a farm sends: three care mails to each order mail.  The server answers in a process of its own.
"""

from __future__ import annotations

import multiprocessing
import os
import smtplib
import socket
from datetime import UTC, date, datetime, timedelta
from time import perf_counter, sleep
from typing import Any

import django

from bench.measure import ROUNDS

MAILS = 200
NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
MONDAY = date(2026, 5, 4)


class Taker:
    """Accepts everything."""

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: ARG002, N802 - as the server calls it
        return "250 OK"


def serve(port: Any) -> None:
    from aiosmtpd.controller import Controller

    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        free = held.getsockname()[1]
    Controller(Taker(), hostname="127.0.0.1", port=free).start()
    port.value = free
    while os.getppid() != 1:
        sleep(0.5)


def main() -> None:
    context = multiprocessing.get_context("spawn")
    port = context.Value("i", 0)
    server = context.Process(target=serve, args=(port,), daemon=True)
    server.start()
    while not port.value and server.is_alive():
        sleep(0.05)
    os.environ["DJANGO_SETTINGS_MODULE"] = "farm_orders.settings"
    os.environ["EMAIL_URL"] = f"smtp://127.0.0.1:{port.value}"
    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    lay()

    from fulfilment import work
    from fulfilment.models import Mail
    from fulfilment.out import emails
    from fulfilment.read import mails as about

    work.SWEEPS = ()
    rows = list(Mail.objects.select_related("kitchen", "buyer", "holder"))
    found = about.gather(rows)
    messages = [emails.write(about.letter(mail, found, now=NOW), now=NOW) for mail in rows]
    ready = [(str(each.to[0]), each.message().as_bytes(linesep="\r\n")) for each in messages]

    def drain() -> None:
        while work.drain(now=NOW):
            pass

    def talk() -> None:
        with smtplib.SMTP("127.0.0.1", port.value) as connection:
            for to, content in ready:
                connection.sendmail("farm@example.org", [to], content)

    def again() -> None:
        Mail.objects.update(state="planned", tries=0, lease_until=None, sent_at=None)

    for place in range(ROUNDS + 1):
        took: dict[str, float] = {}
        for name, what in (("drain", drain), ("talk", talk)) if place % 2 else (("talk", talk), ("drain", drain)):
            again()
            begun = perf_counter()
            what()
            took[name] = perf_counter() - begun
            assert name == "talk" or Mail.objects.filter(state="sent").count() == MAILS, "some were not sent"
        if place:
            print(f"{took['drain']:.4f} {took['talk']:.4f}")
    server.terminate()


def lay() -> None:
    """The farm and its due mails."""
    from fulfilment.models import CareMail, Holder, Kit, Lot, Mail
    from fulfilment.services import ordering
    from fulfilment.services.ordering import Asked
    from tests import world

    farm = world.build()
    world.plan()
    for number in range(MAILS // 4):
        ordering.place(
            [Asked(farm.product.public_id, 500)], kitchen=farm.kitchen.public_id, on=MONDAY + timedelta(days=4),
            reference=f"menu {number}", by=world.ADA, now=world.NOW,
        )  # fmt: skip
    lot = Lot.objects.create(
        kind="kits", strain=farm.strain, grade="kit", batch=farm.crop.batch, ready_on=MONDAY,
        best_before=MONDAY + timedelta(days=47), made_at=NOW,
    )  # fmt: skip
    steps = ("arrived", "misting", "pins_due", "doubling", "ready", "rest", "rewater", "second_pins")
    for number in range(MAILS - MAILS // 4):
        holder = Holder.objects.create(name=f"Dai {number}", email=f"dai{number}@example.org", made_at=NOW)
        kit = Kit.objects.create(batch=farm.crop.batch, lot=lot, state="sent", holder=holder)
        start(kit, steps[number % len(steps)])
        mail = Mail.objects.create(kind="care", holder=holder, once=f"care:{number}", due_at=NOW)
        CareMail.objects.create(kit=kit, step=steps[number % len(steps)], due_at=NOW, state="queued", mail=mail)


def start(kit: Any, step: str) -> None:
    """What was reported before such a mail goes."""
    from fulfilment.models import KitEvent

    days = {"sealed": 20, "sold": 19, "sent": 12} | ({} if step == "arrived" else {"started": 7})
    for kind, ago in days.items():
        KitEvent.objects.create(kit=kit, kind=kind, on=MONDAY - timedelta(days=ago), at=NOW, by=ADA)


ADA = "user:ada"

if __name__ == "__main__":
    main()
