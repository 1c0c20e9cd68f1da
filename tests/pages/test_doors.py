"""Every page there is, for everybody: the table says who may, and a page that it does not name fails."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, get_resolver

from fulfilment.admin.site import site
from fulfilment.models import Event, Holder, Kit, Kitchen, Mail, Order, StandingOrder
from fulfilment.services import holds
from tests.pages.signed import holder_token, kitchen_token, unsubscribe_token
from tests.pages.test_admin_roles import CHANGED_BY, SEEN_BY, House
from tests.people import ADA
from tests.world import NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.django_db

ALL, STAFF, GROWING, PACKING, OFFICE = (
    frozenset(names.split())
    for names in ("nobody eve ada ben olive cleo", "ada ben olive", "ada olive", "ben olive", "olive")
)
"""Who may open a page: Ada grows, Ben packs, Olive is the office, Cleo a kitchen; Eve has no role."""

PAGES: Final = {
    **dict.fromkeys(("today", "store", "lot", "lot-take", "lot-dry", "lot-correct", "lot-harvest"), STAFF),
    **dict.fromkeys(("coming", "scores"), STAFF),
    **dict.fromkeys(("holds", "hold", "hold-end", "hold-release", "hold-destroy"), STAFF),
    **dict.fromkeys(("rooms", "finished-crops", "room", "crop", "harvest", "crop-log"), GROWING),
    **dict.fromkeys(("batch", "batch-new", "batch-log", "batch-open", "batch-seal"), GROWING),
    **dict.fromkeys(("batch-kits", "batch-recount"), GROWING),
    **dict.fromkeys(("sources", "intake-new", "spawn-new", "input-new", "donor-new", "supplier-new"), GROWING),
    **dict.fromkeys(("orders", "order", "delivery-note"), PACKING),
    **dict.fromkeys(("packing", "packing-make-lists", "packing-crates", "packing-door"), PACKING),
    **dict.fromkeys(("packing-parcel", "packing-collection", "pick-list", "pick-list-paper"), PACKING),
    **dict.fromkeys(("pick-list-close", "pick-list-pick", "pick-list-undo", "pick-list-tare"), PACKING),
    **dict.fromkeys(("first-steps", "days-looked-at", "mails", "mail", "mail-letter", "mail-again"), OFFICE),
    **dict.fromkeys(("order-new", "order-check", "order-new-kits", "order-kits-check"), OFFICE),
    **dict.fromkeys(("order-line-amount", "order-line-drop", "order-cancel"), OFFICE),
    **dict.fromkeys(("standing-orders", "standing-order-new", "standing-order", "standing-order-change"), OFFICE),
    **dict.fromkeys(("kits", "kit", "kit-event", "kit-room", "kit-replace", "kit-hold", "kit-links"), OFFICE),
    "plan": STAFF,
    "kitchen-links": OFFICE,
    # Whoever has the address: its token is the key.
    **dict.fromkeys(("kitchen-page", "kitchen-add", "kitchen-day", "kitchen-pause", "kitchen-resume"), ALL),
    **dict.fromkeys(("kitchen-answer-shortage", "kitchen-press-shortage", "kitchen-answer-doubt"), ALL),
    **dict.fromkeys(("kitchen-press-doubt", "kitchen-change", "kitchen-cancel", "kitchen-usual-day"), ALL),
    **dict.fromkeys(("holder-page", "holder-mails", "holder-report", "holder-room", "holder-trouble"), ALL),
    **dict.fromkeys(("holder-advice", "unsubscribe", "join", "joined", "sign-in", "sign-out"), ALL),
    **dict.fromkeys(("live", "ready", "metrics"), ALL),
}  # fmt: skip
"""Who may open each page, by the name of its address."""

POSTED: Final = {"hold-release": GROWING, "hold-destroy": GROWING}
"""Who may send a form, where more may look."""

AS_MAILED: Final = {"k/<str:token>": "kitchen-page", "h/<str:token>": "holder-page", "u/<str:token>": "unsubscribe"}
"""Addresses without a name: a page's own, as the mails have it."""

ENTERED: Final = frozenset({"ada", "ben", "olive", "cleo"})
RECORDS: Final = {
    **dict.fromkeys(("index", "app_list", "password_change", "password_change_done", "jsi18n", "logout"), ENTERED),
    "login": ALL,
    "autocomplete": frozenset[str](),
    "": ENTERED,
}
"""The records' pages beside those of the kinds of rows, which are ``test_admin_roles``' own tables."""


def routes() -> Iterator[tuple[str, str]]:
    """(route, name) of every address but the API's."""

    def walk(found: list[Any], before: str) -> Iterator[tuple[str, str]]:
        for each in found:
            route = before + str(each.pattern)
            if isinstance(each, URLResolver):
                yield from walk(list(each.url_patterns), route)
            else:
                assert isinstance(each, URLPattern)
                yield route, each.name or AS_MAILED.get(route, "")

    yield from (each for each in walk(list(get_resolver().url_patterns), "") if not each[0].startswith("api/"))


class Doors(House):
    """The house, its farm's addresses filled in, and what was written."""

    def __init__(self, clock: time_machine.Traveller) -> None:
        super().__init__(clock)
        ids, kitchen = self.all.ids, self.all.farm.kitchen
        held = holds.hold("lot", ids["lots"], reason="damp", by=ADA, now=NOW)
        holder = self.a_holder()
        self.tokens = {
            "k": kitchen_token(kitchen, now=NOW),
            "h": holder_token(holder, now=NOW),
            "u": unsubscribe_token(holder, now=NOW),
        }
        self.codes = {
            "rooms": self.all.farm.room.public_id, "batches": ids["batches"], "crops": ids["crops"],
            "store": ids["lots"], "holds": held.public_id, "orders": ids["orders"], "packing": ids["pick-lists"],
            "kits": ids["kits"], "mails": Mail.objects.order_by("pk")[0].public_id, "kitchens": kitchen.public_id,
            "k": ids["orders"], "h": holder.kits.get().public_id, "u": "",
        }  # fmt: skip

    def a_holder(self) -> Holder:
        """Dai, who holds a kit."""
        holder = Holder.objects.create(name="Dai", email="dai@example.org", zone="Etc/UTC", made_at=NOW)
        kit = Kit.objects.filter(holder=None).exclude(public_id=self.all.ids["kits"]).first()
        assert kit is not None
        Kit.objects.filter(pk=kit.pk).update(holder=holder)
        return holder

    def fill(self, route: str) -> str:
        """An address of this route with ids that exist."""
        first, second, *_ = [*route.split("/"), ""]
        code = self.codes.get(first, "")
        if "standing" in (first, second) or "/usual/" in route:
            code = self.all.ids["standing-orders"]
        if (first, second) in {("packing", word) for word in ("doors", "parcels", "collections")}:
            code = self.all.ids["shipments"]
        for part, value in (
            ("<str:code>", code), ("<code>", code), ("<int:number>", "1"), ("<str:what>", "skip"),
            ("<str:kind>", "contaminated"), ("<slug:what>", "mould"), ("<delivery_day:on>", "2026-05-08"),
            ("<str:told>", self.all.ids["doubts" if "/doubts/" in route else "shortages"]),
            ("<str:choice>", "drop"), ("<str:token>", self.tokens.get(first, "")),
            ("^(?P<app_label>fulfilment|auth)/$", "fulfilment/"), ("(?P<url>.*)$", "nowhere"),
        ):  # fmt: skip
            route = route.replace(part, value)
        assert not set("<>^$") & set(route), route
        return "/" + route

    def visitor(self, name: str) -> Client:
        return Client() if name == "nobody" else self.sign_in(name)


@pytest.fixture
def doors() -> Iterator[Doors]:
    with time_machine.travel(NOW, tick=False) as clock:
        yield Doors(clock)


def pages() -> list[tuple[str, str, frozenset[str]]]:
    """(route, name, who may) of every page that is no row's of the records."""
    found = []
    for route, name in routes():
        if route.startswith("admin/"):
            if not route.startswith(("admin/fulfilment/", "admin/auth/")):
                found.append((route, name, RECORDS[name]))
        else:
            found.append((route, name, PAGES[name]))
    return found


def test_the_tables_name_every_page_and_no_others() -> None:
    named = {name for route, name in routes() if not route.startswith("admin/")}
    assert named == set(PAGES)
    of_rows = {
        route.split("/")[2] for route, _ in routes() if route.startswith(("admin/fulfilment/", "admin/auth/"))
    }  # fmt: skip
    for kinds in (*SEEN_BY.values(), *CHANGED_BY.values()):
        assert kinds <= of_rows
    rest = {
        name for route, name in routes()
        if route.startswith("admin/") and not route.startswith(("admin/fulfilment/", "admin/auth/"))
    }  # fmt: skip
    assert rest == set(RECORDS)


def opened(name: str, address: str, answer: Any) -> bool:
    """Whether whoever asked came behind the door."""
    location = answer.headers.get("Location", "")
    if answer.status_code == 302 and location.startswith("/sign-in/?next="):
        assert name == "nobody", address
        return False
    if answer.status_code == 302 and location == "/admin/" and name == "cleo":
        return address == "/admin/fulfilment/" or address.startswith("/admin/password_change")
    if answer.status_code == 403:
        assert name != "nobody", address
        return False
    return True


@pytest.mark.parametrize("name", sorted(ALL))
def test_each_page_opens_for_whom_the_table_says(doors: Doors, name: str) -> None:
    client = doors.visitor(name)
    for route, page, may in pages():
        address = doors.fill(route)
        if page in ("sign-out", "logout", "metrics"):
            continue
        for verb in ("get", "head", "post"):
            before = Event.objects.count()
            answer = getattr(client, verb)(address, headers={"HX-Request": "false"})
            assert answer.status_code < 500, (verb, address)
            if answer.status_code == 405:
                continue
            if page == "login":
                assert answer["Location"].startswith("/sign-in/")
                continue
            if page == "autocomplete":
                assert answer.status_code == {"nobody": 302, "eve": 403}.get(name, 404)
                continue
            who = POSTED.get(page, may) if verb == "post" else may
            assert opened(name, address, answer) == (name in who), (verb, address, answer.status_code)
            if name not in may:
                assert Event.objects.count() == before, (verb, address)


def test_nobody_signs_out_of_nothing_and_nothing_is_read_by_it() -> None:
    assert Client().get("/sign-out/").status_code == 405


def test_looking_never_writes(doors: Doors) -> None:
    """A GET or HEAD of every page and of every list and row of the records, as the office."""
    client = doors.sign_in("olive")
    looked = 0
    for route, name in routes():
        if "<path:object_id>" in route or name in ("logout", "sign-out"):
            continue
        address = doors.fill(route)
        for verb in ("get", "head"):
            with CaptureQueriesContext(connection) as done:
                getattr(client, verb)(address)
            looked += 1
            written = [
                each["sql"] for each in done
                if each["sql"].lstrip().split(" ", 1)[0].upper() in ("INSERT", "UPDATE", "DELETE", "REPLACE")
                and "django_session" not in each["sql"]
            ]  # fmt: skip
            assert not written, (verb, address, written)
    assert looked > 300


def test_rows_that_cannot_be_chosen_do_not_exist(doors: Doors) -> None:
    client = doors.sign_in("olive")
    for chosen in ("\x00", "<script>", "1e308", "٣", "9" * 30):
        for address in ("/admin/fulfilment/mail/", "/admin/fulfilment/job/"):
            answer = client.post(address, {"action": "retry", "_selected_action": chosen})
            assert answer.status_code == 404
            assert "choose again" in answer.content.decode()


def test_days_that_no_farm_has_to_do_with(doors: Doors) -> None:
    client, token, code = Client(), doors.tokens["k"], doors.all.ids["standing-orders"]
    olive = doors.sign_in("olive")
    for on in ("0001-01-01", "1999-12-31", "9999-12-30", "9999-12-31", "2026-02-30", "٢٠٢٦-٠٥-٠٨"):
        assert client.get(f"/k/{token}/{on}/").status_code == 404
        assert client.post(f"/k/{token}/{on}/usual/{code}/", {"do": "skip"}).status_code == 404
        assert client.get(f"/k/{token}/order/", {"on": on, "ask": "1"}).status_code == 422
        assert olive.post(f"/orders/standing/{code}/skip/", {"on": on}).status_code == 422
        assert olive.get("/orders/", {"week": on}).status_code == 400


def test_a_list_asks_once_however_long_it_is() -> None:
    """What a row refers to comes with it, also where a row may lack it."""
    request: Any = None
    for admin in site._registry.values():
        with_them = admin.get_list_select_related(request)
        if with_them is False or with_them is True:
            continue
        asked = {each.split("__")[0] for each in with_them}
        for name in admin.list_display:
            field = next((each for each in admin.opts.fields if each.name == name and each.is_relation), None)
            assert field is None or field.name in asked, (admin, name)


# ---- By link, what is another’s does not exist -----------------------------------------------------------------------


def test_a_kitchens_link_opens_nothing_of_another_kitchen(doors: Doors) -> None:
    client, plough = Client(), doors.other
    theirs = kitchen_token(plough, now=NOW)
    order = Order.objects.filter(kitchen=doors.all.farm.kitchen, standing_order=None)[0]
    standing = StandingOrder.objects.get(kitchen=doors.all.farm.kitchen)
    offer, doubt = (doors.all.ids[noun] for noun in ("shortages", "doubts"))
    before = Event.objects.count()
    sent = {
        "do": "skip",
        "choice": f"drop/{order.on}/",
        "first": "2026-05-08",
        "last": "2026-05-08",
        "on": "2026-05-08",
    }
    for rest in (
        f"orders/{order.public_id}/amounts/", f"orders/{order.public_id}/cancellation/",
        f"{order.on}/usual/{standing.public_id}/", f"usual/{standing.public_id}/pause/",
        f"usual/{standing.public_id}/resume/", f"shortages/{offer}/", f"shortages/{offer.lower()}/",
        f"shortages/{offer}/drop/", f"doubts/{doubt}/", f"doubts/{doubt}/drop/",
    ):  # fmt: skip
        assert client.post(f"/k/{theirs}/{rest}", sent).status_code == 404, rest
    for rest in (f"shortages/{offer}/drop/", f"doubts/{doubt}/drop/", f"doubts/{doubt}/keep/"):
        assert client.get(f"/k/{theirs}/{rest}").status_code == 404, rest
    assert client.get(f"/k/{theirs}/order/?usual={standing.public_id}").status_code == 404
    day = client.get(f"/k/{theirs}/{order.on}/").content.decode()
    assert order.public_id not in day
    assert Event.objects.count() == before


def test_a_holders_link_opens_nothing_of_another_holder(doors: Doors) -> None:
    client = Client()
    other = Kit.objects.get(public_id=doors.all.ids["kits"]).public_id
    before = Event.objects.count()
    token = doors.tokens["h"]
    for rest in (f"{other}/report/", f"{other}/room/", f"{other}/trouble/?what=mould"):
        assert client.post(f"/h/{token}/{rest}", {"kind": "started", "warmth": "normal"}).status_code == 404, rest
    for rest in (f"{other}/trouble/", f"{other}/advice/mould/"):
        assert client.get(f"/h/{token}/{rest}").status_code == 404, rest
    assert Event.objects.count() == before


def test_a_link_for_one_thing_is_nothing_for_another(doors: Doors) -> None:
    client = Client()
    for purpose, token in doors.tokens.items():
        for other in doors.tokens:
            status = client.get(f"/{other}/{token}/").status_code
            assert status == (200 if other == purpose else 404), (purpose, other)
    assert client.get(f"/k/{doors.tokens['k'][:-1]}/").status_code == 404
    Kitchen.objects.filter(pk=doors.all.farm.kitchen.pk).update(active=False)
    assert client.get(f"/k/{doors.tokens['k']}/").status_code == 404


# ---- Forms come from their own page ----------------------------------------------------------------------------------


def test_no_form_is_taken_from_elsewhere(doors: Doors) -> None:
    """But the one click of a mail program, which has no cookie (RFC 8058)."""
    client = Client(enforce_csrf_checks=True)
    client.cookies = doors.sign_in("olive").cookies
    taken = [
        name for route, name in routes()
        if "<path:object_id>" not in route
        and client.post(doors.fill(route), {"once": "a"}).status_code != 403
    ]  # fmt: skip
    assert set(taken) <= {"unsubscribe", "live", "ready", "metrics"}
    said = client.post("/hold/").content.decode()
    assert "This form was not sent from its own page" in said
    assert "<style" not in said


@pytest.mark.parametrize("name", ["olive", "nobody"])
def test_what_is_ones_own_is_kept_in_no_cache_and_framed_nowhere(doors: Doors, name: str) -> None:
    client = doors.visitor(name)
    for route, page, may in pages():
        if name not in may or page in ("live", "ready", "metrics", "jsi18n", "sign-out", "logout", "login", ""):
            continue
        answer = client.get(doors.fill(route))
        if answer.status_code == 405:
            continue
        assert "no-store" in answer["Cache-Control"], route
        assert "private" in answer["Cache-Control"], route
        assert answer["X-Frame-Options"] == ("SAMEORIGIN" if page == "mail-letter" else "DENY"), route
        assert answer["Referrer-Policy"] == "same-origin", route
        assert "default-src 'none'" in answer["Content-Security-Policy"], route
        if page == "mail-letter":
            assert "sandbox" in answer["Content-Security-Policy"]
        if route.startswith(("k/", "h/", "u/")):
            assert answer["X-Robots-Tag"] == "noindex, nofollow"
