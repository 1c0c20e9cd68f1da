"""A Friday morning with lists to pack, and the hands that press buttons on its pages."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import unescape
from typing import Any

from django.contrib.auth.models import Group, User
from django.test import Client

from fulfilment.models import Line, Lot, PickList, Way
from fulfilment.services import packing
from tests.builders.kitchens import (
    BEN,
    FRIDAY,
    NOW,
    a_batch,
    a_buyer,
    a_farm,
    a_fresh_lot,
    a_kitchen,
    a_line,
    a_product,
    a_strain,
    plan,
)
from tests.builders.kits import a_kit_lot


@dataclass(slots=True)
class Friday:
    """Two kitchens on the round Town, each due pearl oysters of one lot of 20 kg."""

    lot: Lot
    line: Line
    other: Line

    @property
    def list(self) -> PickList:
        return PickList.objects.get(way="round")

    def address(self, more: str = "") -> str:
        return f"/packing/{self.list.public_id}/{more}"


def friday(*, due: int = 1_000, tolerance_pct: int = 5) -> Friday:
    a_farm()
    strain = a_strain()
    lot, product = a_fresh_lot(strain, 20_000), a_product(strain)
    line = a_line(a_kitchen("The Heron", postcode="11", tolerance_pct=tolerance_pct), product, due)
    other = a_line(a_kitchen("The Gull", postcode="12"), product, 2_000)
    plan((line, lot, due), (other, lot, 2_000))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    return Friday(lot, line, other)


def kits_to_send(count: int = 2, *, way: Way = Way.CARRIER) -> tuple[Lot, Line]:
    """Dai's kits on the list of that way."""
    strain = a_strain("Pink oyster", tender=True)
    lot = a_kit_lot(a_batch(strain), 5)
    line = a_line(a_buyer(), a_product(strain, grade="kit"), count, way=way)
    plan((line, lot, count))
    packing.make_pick_lists(FRIDAY, by=BEN, now=NOW)
    return lot, line


def signed_in(name: str = "ben", role: str = "packing") -> Client:
    user = User.objects.create_user(name)
    if role:
        user.groups.add(Group.objects.get_or_create(name=role)[0])
    client = Client()
    client.force_login(user)
    return client


def words(response: Any) -> str:
    """What a reader sees of an answer of the test client, in one line."""
    text = re.sub(r"<(script|style|head)\b.*?</\1>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())


def row(line: Line, lot: Lot, amount: object, **more: object) -> dict[str, Any]:
    """What the row's form sends."""
    return {"once": "first", "for_line": str(line), "lot": lot.public_id, "tare": "0", "scale": str(amount), **more}
