"""Who may enter: users with their roles, and keys for programs."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, cast

from django import forms
from django.contrib.admin import display
from django.contrib.auth.models import User

from fulfilment.admin.forms import RecordForm
from fulfilment.admin.rows import Rows, kept
from fulfilment.models import ApiKey, Kitchen
from fulfilment.read.people import ROLES
from fulfilment.services import keys, people
from fulfilment.web.ground.forms import Day

if TYPE_CHECKING:
    from django.db.models import Model, QuerySet
    from django.http import HttpRequest

    from fulfilment.admin.site import Hand

ROLE_WORDS: Final = {
    "grower": "grower: rooms, batches, harvests, store",
    "office": "office: everything",
    "packing": "packing: what is picked and sent",
}
SCOPE_WORDS: Final = {
    **ROLE_WORDS,
    "shop": "shop: kit orders and their buyers",
    "kitchen": "kitchen: one kitchen’s own orders, and nothing beside it",
}


def _password() -> forms.CharField:
    return forms.CharField(
        strip=False, help_text="At least 10 signs. They can change it once they have signed in.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )  # fmt: skip


class AddUser(RecordForm):
    title, button, done = "New user", "Add the user", "They can sign in now."
    note = "Staff only. A kitchen’s own user is added on the kitchen’s page."
    secret = True
    name = forms.CharField(max_length=35, label="Login name", help_text="One word, of letters, digits and @ . + - _")
    password = _password()
    roles = forms.MultipleChoiceField(
        choices=[(role, ROLE_WORDS[role]) for role in ROLES], widget=forms.CheckboxSelectMultiple
    )

    def do(self) -> Model:
        return people.add_user(
            self.given("name"), password=self.given("password"), roles=self.given("roles"), by=self.hand.by,
            now=self.hand.now,
        )  # fmt: skip


class SetRoles(RecordForm):
    title, done = "Roles", "The roles are set. They hold from the next page on."
    roles = forms.MultipleChoiceField(
        choices=[(role, ROLE_WORDS[role]) for role in ROLES], widget=forms.CheckboxSelectMultiple
    )

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.is_active) and not Kitchen.objects.filter(user=row).exists()

    def begin(self) -> dict[str, Any]:
        return {"roles": list(self.row.groups.values_list("name", flat=True))}

    def do(self) -> Model:
        return people.set_roles(self.row.username, roles=self.given("roles"), by=self.hand.by, now=self.hand.now)


class SetPassword(RecordForm):
    title, button, done = "Another password", "Set the password", "The password is set."
    note = "Whoever is signed in with the old one is signed out."
    secret = True
    password = _password()

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.is_active)

    def do(self) -> Model:
        return people.set_password(
            self.row.username, password=self.given("password"), by=self.hand.by, now=self.hand.now
        )


class EndUser(RecordForm):
    title, button, done, danger = "End", "End this user", "They can sign in no more.", True
    note = "They are signed out at once and can sign in no more. What they did stays written under their name."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return bool(row.is_active)

    def do(self) -> Model:
        return people.end_user(self.row.username, by=self.hand.by, now=self.hand.now)


@kept(User)
class Users(Rows):
    adds = AddUser
    doings = {"roles": SetRoles, "password": SetPassword, "end": EndUser}
    list_display = ("username", "roles", "is_active", "last_login", "date_joined")
    list_filter = ("is_active", "groups")
    search_fields = ("username",)
    search_help_text = "By login name."
    ordering = ("username",)
    facts = ("username", "roles", "is_active", "last_login", "date_joined")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        return super().get_queryset(request).select_related("kitchen").prefetch_related("groups")

    def roles(self, row: User) -> str:
        kitchen = getattr(row, "kitchen", None)
        if kitchen is not None:
            return f"kitchen {kitchen}"
        found = sorted(group.name for group in row.groups.all() if group.name in ROLES)
        return ", ".join(["administrator"] * row.is_superuser + found) or "none"

    def titled(self, row: Any) -> str:
        return f"User {row}"

    def subject_of(self, row: Any) -> str:
        return f"login:{row.pk}"


# ---- Keys -----------------------------------------------------------------------------------------------------------


def _ended(row: Any, hand: Hand) -> bool:
    return not keys.works(row, now=hand.now)


class MakeKey(RecordForm):
    title, button = "New key", "Make the key"
    note = "A program signs its requests with it. It is shown once: have the place where it goes at hand."
    secret = True
    places = {"expires_at": "until"}
    name = forms.CharField(max_length=keys.NAME_LENGTH, help_text="What it is for, such as: web shop.")
    scopes = forms.MultipleChoiceField(
        choices=[(scope, SCOPE_WORDS[scope]) for scope in keys.SCOPES], label="May do",
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    kitchen = forms.ChoiceField(required=False, label="For this kitchen")
    until = Day(required=False, label="Last day it works", help_text="Empty: until it is revoked.")

    def shape(self) -> None:
        kitchens = Kitchen.objects.filter(active=True).order_by("name").values_list("public_id", "name")
        cast(forms.ChoiceField, self.fields["kitchen"]).choices = [
            ("", "–"), *((key, f"{name} ({key})") for key, name in kitchens),
        ]  # fmt: skip

    def do(self) -> Model:
        until, kitchen = self.given("until"), self.given("kitchen")
        made, secret = keys.make(
            self.given("name"), scopes=self.given("scopes"),
            kitchen=Kitchen.objects.get(public_id=kitchen) if kitchen else None,
            expires_at=keys.end_of(until) if until is not None else None,
            by=self.hand.by, now=self.hand.now,
        )  # fmt: skip
        self.shows = {"key": secret, "says": f"Known everywhere else as {made.prefix}."}
        return made


class RotateKey(RecordForm):
    title, button = "A new one in its place", "Make the new key"
    note = "The old key works two days more, so that the program can be given the new one without a gap."
    secret = True

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return not _ended(row, hand)

    def do(self) -> Model:
        made, secret = keys.rotate(self.row.prefix, by=self.hand.by, now=self.hand.now)
        self.shows = {
            "key": secret, "says": f"Known everywhere else as {made.prefix}. The old one works two days more.",
        }  # fmt: skip
        return made


class RevokeKey(RecordForm):
    title, button, done, danger = "Revoke", "Revoke the key", "The key works no more.", True
    note = "It stops working at once, and so does the program that uses it."

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        return not _ended(row, hand)

    def do(self) -> Model:
        return keys.revoke(self.row.prefix, by=self.hand.by, now=self.hand.now)


@kept(ApiKey)
class ApiKeys(Rows):
    adds = MakeKey
    doings = {"rotate": RotateKey, "revoke": RevokeKey}
    key = "prefix"
    list_display = ("prefix", "name", "may", "kitchen", "expiry_date", "last_used_on", "works")
    list_filter = ("revoked",)
    search_fields = ("prefix", "name")
    search_help_text = "By its beginning or name."
    ordering = ("-created",)
    facts = ("prefix", "name", "may", "kitchen", "created", "expiry_date", "last_used_on", "replaces", "works")

    @display(description="may do")
    def may(self, row: ApiKey) -> str:
        return ", ".join(row.scopes)

    def works(self, row: ApiKey) -> str:
        return "yes" if keys.works(row, now=datetime.now(UTC)) else "no"

    def titled(self, row: Any) -> str:
        return f"Key {row.prefix}, {row.name}"

    def subject_of(self, row: Any) -> str:
        return str(row.prefix)
