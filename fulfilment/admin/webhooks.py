"""Other programs that are told what happens: set up, tried, switched off and on, and what became of each message."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, cast

from django import forms
from django.contrib.admin import display

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.people import SCOPE_WORDS
from fulfilment.admin.rows import Rows, Table, kept
from fulfilment.core.problems import Invalid
from fulfilment.models import Kitchen, WebhookEndpoint, WebhookMessage
from fulfilment.read.webhook_kinds import KINDS, OF_EVENT, PING
from fulfilment.read.webhooks import WHY_DISABLED
from fulfilment.services import webhooks
from fulfilment.services.webhooks.queue import KEPT

if TYPE_CHECKING:
    from django.db.models import Model

    from fulfilment.admin.site import Hand

ENABLED: Final = WebhookEndpoint.State.ENABLED
LEAD: Final = "This is the secret. It is shown this once and stored nowhere: copy it now."
SECRET_NOTE: Final = "The program checks with it that a message is ours. It is shown once."  # noqa: S105 - words for people


def _kinds() -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(
        choices=[(name, name.replace(".", " ").replace("_", " ")) for name in KINDS if name != PING], label="Told of",
        help_text="What each says stands in the API’s reference under webhooks.",
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip


def _address() -> forms.CharField:
    return forms.CharField(
        max_length=500, help_text="It begins with https:// and is on the public internet.",
        widget=forms.TextInput(attrs={"inputmode": "url", "autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip


def _note() -> forms.CharField:
    return forms.CharField(
        required=False, max_length=60, label="Your own name for it", help_text="Such as: kitchen screen."
    )


class AddEndpoint(RecordForm):
    title, button = "New webhook endpoint", "Add the endpoint"
    note = f"{SECRET_NOTE} Have the place where it goes at hand."
    secret = True
    address = _address()
    note_ = _note()
    scope = forms.ChoiceField(
        choices=list(SCOPE_WORDS.items()), label="Sees what its own key would see", initial="office"
    )
    kitchen = forms.ChoiceField(required=False, label="Of this kitchen")
    kinds = _kinds()
    places = {"note": "note_"}

    def shape(self) -> None:
        kitchens = Kitchen.objects.filter(active=True).order_by("name").values_list("public_id", "name")
        cast(forms.ChoiceField, self.fields["kitchen"]).choices = [
            ("", "–"), *((key, f"{name} ({key})") for key, name in kitchens),
        ]  # fmt: skip

    def do(self) -> Model:
        kitchen = self.given("kitchen")
        made, secret = webhooks.add(
            self.given("address"), scope=self.given("scope"),
            kitchen=Kitchen.objects.get(public_id=kitchen) if kitchen else None, kinds=self.given("kinds"),
            note=self.given("note_"), by=self.hand.by, now=self.hand.now,
        )  # fmt: skip
        self.shows = {
            "lead": LEAD,
            "key": secret,
            "says": "Messages are signed with it from now on. Send a ping to try it.",
        }
        return made


class ChangeEndpoint(RecordForm):
    title = "Change"
    address = _address()
    note_ = _note()
    kinds = _kinds()
    places = {"note": "note_"}

    def begin(self) -> dict[str, Any]:
        return {"address": self.row.address, "note_": self.row.note, "kinds": self.row.kinds}

    def do(self) -> Model:
        return webhooks.change(
            self.row.public_id, address=self.given("address"), note=self.given("note_"), kinds=self.given("kinds"),
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip


class Rotate(RecordForm):
    title, button = "New secret", "Make the new secret"
    note = f"{SECRET_NOTE} The old one signs beside it for the hours you say, so that there is no gap."
    secret = True
    hours = forms.IntegerField(
        min_value=0,
        max_value=24,
        initial=24,
        label="Hours the old one goes on signing",
        help_text="0 if it has leaked.",
    )
    places = {"old_signs_h": "hours"}

    def do(self) -> Model:
        row, secret = webhooks.rotate(
            self.row.public_id, old_signs=timedelta(hours=self.given("hours")), by=self.hand.by, now=self.hand.now
        )
        self.shows = {
            "lead": LEAD,
            "key": secret,
            "says": f"The old one signs beside it for {self.given('hours')} hours.",
        }
        return row


class Ping(RecordForm):
    title, button, done = "Send a ping", "Send it", "It is on its way. How it went stands under tries in a moment."
    note = "A message that says nothing, to see whether it arrives."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.state == ENABLED)

    def do(self) -> Model:
        webhooks.ping(self.row.public_id, by=self.hand.by, now=self.hand.now)
        return cast(WebhookEndpoint, self.row)


class Replay(RecordForm):
    title, button, done = "Send again", "Send again", "What is asked for goes out again."
    note = "Each message keeps its number, so that a program can tell what it had before."
    message = forms.CharField(required=False, max_length=40, help_text="One message by its number, msg_…")
    since = forms.DateTimeField(
        required=False, label="Or all since",
        help_text=f"Within the last {KEPT.days} days; also what was missed while off.",
        widget=forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"}),
        error_messages={"invalid": "This is no instant: write it as 2026-05-04T06:00."},
    )  # fmt: skip

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.state == ENABLED)

    def do(self) -> Model:
        since: datetime | None = self.given("since")
        if not since and not self.given("message"):
            raise Invalid("Say which message, or since when.", where="message")
        webhooks.replay(
            self.row.public_id, message=self.given("message"), since=since, by=self.hand.by, now=self.hand.now
        )
        return cast(WebhookEndpoint, self.row)


class Disable(RecordForm):
    title, button, done, danger = "Switch off", "Switch it off", "Nothing is posted there any more.", True
    note = "What waits is dropped. Switched on again, all that was missed can be sent."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.state == ENABLED)

    def do(self) -> Model:
        return webhooks.change(self.row.public_id, enabled=False, by=self.hand.by, now=self.hand.now)


class Enable(RecordForm):
    title, button, done = "Switch on", "Switch it on", "Messages go there again from now on."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.state != ENABLED)

    def do(self) -> Model:
        return webhooks.change(self.row.public_id, enabled=True, by=self.hand.by, now=self.hand.now)


@kept(WebhookEndpoint)
class WebhookEndpoints(Rows):
    adds = AddEndpoint
    changes = ChangeEndpoint
    doings = {"ping": Ping, "replay": Replay, "rotate": Rotate, "disable": Disable, "enable": Enable}
    list_display = ("public_id", "note", "whose", "stands", "failing_since", "served_at", "address")
    list_filter = ("state", "scope")
    search_fields = ("public_id__istartswith", "note", "kitchen__public_id__istartswith")
    search_help_text = "By its id, its name or its kitchen’s id."
    ordering = ("-pk",)
    facts = ("public_id", "note", "whose", "address", "told_of", "stands", "failing_since", "served_at", "made_at")
    tables = (
        Table("Last tries", "attempts", ("outcome", "status", "at", "took_ms", "message"), newest_first=True),
        Table(
            "Last messages", "messages", ("kind", "subject", "state", "tries", "due_at", "message_id"), also=("event",),
            newest_first=True,
        ),
    )  # fmt: skip

    @display(description="whose")
    def whose(self, row: WebhookEndpoint) -> str:
        return str(row.kitchen.name) if row.kitchen is not None else SCOPE_WORDS[row.scope].partition(":")[0]

    def told_of(self, row: WebhookEndpoint) -> str:
        return ", ".join(row.kinds)

    @display(description="state", ordering="state")
    def stands(self, row: WebhookEndpoint) -> str:
        return "on" if row.state == ENABLED else f"off. {WHY_DISABLED[row.why_disabled]}"


@kept(WebhookMessage)
class WebhookMessages(Rows):
    key = "message_id"
    list_display = ("message_id", "endpoint", "kind", "subject", "state", "tries", "due_at", "delivered_at")
    list_filter = ("state",)
    search_fields = ("message_id__istartswith", "endpoint__public_id__istartswith", "event__subject__istartswith")
    search_help_text = "By its number, its endpoint’s id, or the id of what it is about."
    ordering = ("-pk",)
    facts = ("message_id", "endpoint", "kind", "subject", "state", "tries", "due_at", "delivered_at", "made_at")
    tables = (Table("Tries", "attempts", ("at", "outcome", "status", "took_ms"), newest_first=True),)

    def kind(self, row: WebhookMessage) -> str:
        return OF_EVENT[row.event.kind].name

    @display(description="about")
    def subject(self, row: WebhookMessage) -> str:
        return str(row.event.subject)

    def subject_of(self, row: Any) -> str:
        return ""
