"""Standing orders: listed by kitchen, begun, changed for a date, paused, ended."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Final

from django import forms
from django.contrib import messages
from django.http import HttpResponseRedirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.calendar.rules import CODES
from fulfilment.core.problems import Missing
from fulfilment.read.orders import standing as reading
from fulfilment.read.orders import taking
from fulfilment.services import standing
from fulfilment.services.ordering import Asked
from fulfilment.web.ground.doors import OFFICE, staff, today_of
from fulfilment.web.ground.forms import Day, PageForm, Reason, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.orders.grid import BEFORE, GridForm

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse
    from django.urls import URLPattern

    from fulfilment.core.problems import Problem
    from fulfilment.read.orders.standing import Standing
    from fulfilment.read.orders.taking import Start
    from fulfilment.read.scope import Actor

EVERY: Final = ((1, "every week"), (2, "every second week"), (3, "every third week"), (4, "every fourth week"))
ON_CLOSED: Final = (
    ("left_out", "left out"),
    ("earlier", "delivered on the nearest delivery day before it"),
    ("later", "delivered on the nearest delivery day after it"),
)
"""What becomes of a date on which nothing is delivered, within a week of it."""
CLOSED: Final = "A date without deliveries is"
WAYS: Final = (("round", "By round"), ("collected", "They collect it"), ("carrier", "By carrier"))


def _why() -> Reason:
    return Reason(
        label="Reason, where a date is past its cut-off",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class BeginForm(GridForm):
    """What a kitchen takes again and again."""

    places: ClassVar[Mapping[str, str]] = {"rule": "weekdays"}

    kitchen = forms.CharField(max_length=20, widget=forms.HiddenInput)
    weekdays = forms.TypedMultipleChoiceField(
        label="On", choices=list(enumerate(WEEKDAYS)), coerce=int, widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one weekday."},
    )  # fmt: skip
    every = forms.TypedChoiceField(label="How often", choices=EVERY, coerce=int, initial=1)
    starts_on = Day(label="From")
    ends_on = Day(label="Until", required=False)
    way = forms.ChoiceField(label="Way", choices=WAYS, initial="round")
    on_closed = forms.ChoiceField(label=CLOSED, choices=ON_CLOSED, initial="left_out")

    def __init__(self, start: Start, *args: Any, **kwargs: Any) -> None:
        first = start.first_day
        initial = {"kitchen": start.code, "starts_on": first.on if first is not None else None}
        super().__init__(start.products, *args, usual=start.usual, initial=initial, **kwargs)
        self.start = start

    @property
    def rest(self) -> list[forms.BoundField]:
        return [self[name] for name in ("weekdays", "every", "starts_on", "ends_on", "way", "on_closed")]

    @property
    def rule(self) -> str:
        """The recurrence, of a valid form."""
        days = ",".join(CODES[day] for day in sorted(self.cleaned_data["weekdays"]))
        return f"FREQ=WEEKLY;INTERVAL={self.cleaned_data['every']};BYDAY={days}"


class DateForm(PageForm):
    """Something about one date of the rule."""

    on = Day(label="Date")
    because = _why()


class PauseForm(PageForm):
    """No deliveries from a day to a day."""

    places: ClassVar[Mapping[str, str]] = {"on": "last"}

    first = Day(label="From")
    last = Day(label="To, that day too")
    because = _why()

    def refuse(self, problem: Problem) -> None:
        if problem.where == "last_on":
            problem.where = "last"
        super().refuse(problem)


class ResumeForm(PageForm):
    """A pause is cut short."""

    on = Day(label="It delivers again from")
    because = _why()


class TermsForm(PageForm):
    """What becomes of dates without deliveries, and how it goes."""

    on_closed = forms.ChoiceField(label=CLOSED, choices=ON_CLOSED, widget=forms.RadioSelect)
    way = forms.ChoiceField(
        label="Way", choices=WAYS, help_text="Orders made already stay as they are; dates that were left out may come."
    )


class EndForm(PageForm):
    """The last date it delivers."""

    last_on = Day(label="Last day it delivers", help_text="Orders already made for later dates are cancelled.")


class AmountsForm(GridForm):
    """Other amounts on one date."""

    on = Day(label="Date")
    because = _why()

    def __init__(self, lines: tuple[reading.StandingLineSeen, ...], *args: Any, **kwargs: Any) -> None:
        products = [taking.ProductSeen(line.product, line.name, line.pack, line.is_kit) for line in lines]
        super().__init__(products, *args, usual={line.product: line.amount for line in lines}, **kwargs)

    def refuse(self, problem: Problem) -> None:
        product = problem.where.removeprefix("amounts.")
        if BEFORE + product in self.fields:
            self.add_error(BEFORE + product, problem.sentence)
            return
        super().refuse(problem)


class LinesForm(GridForm):
    """Other lines from a day on; a product that stays keeps the least that is taken of it."""

    from_on = Day(
        label="From", required=False,
        help_text="Empty: from the first date that can still be changed. Orders made already for later dates follow.",
    )  # fmt: skip
    because = _why()

    def __init__(self, found: Standing, *args: Any, **kwargs: Any) -> None:
        sold = {each.code: each for each in taking.products()}
        own = {
            line.product: taking.ProductSeen(line.product, line.name, line.pack, line.is_kit) for line in found.lines
        }
        super().__init__(
            list((own | sold).values()), *args, usual={line.product: line.amount for line in found.lines}, **kwargs
        )
        self.least = {line.product: line.at_least for line in found.lines}

    @property
    def asked(self) -> list[Asked]:
        return [
            Asked(each.product, each.amount, at_least=min(self.least.get(each.product, 0), each.amount))
            for each in super().asked
        ]


ACTIONS: Final = ("skip", "amounts", "as-usual", "lines", "pause", "resume", "terms", "end")
SAID: Final[Mapping[str, str]] = {
    "skip": "That date is skipped.",
    "amounts": "That date has other amounts.",
    "lines": "These lines hold from that day.",
    "pause": "It is paused.",
    "resume": "It delivers again from that day.",
    "terms": "So it is from now on.",
    "as-usual": "That date is as usual again.",
    "end": "It has an end.",
}


@staff(OFFICE)
def page(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """All that still deliver."""
    found = reading.standing_orders(today=today_of(now), now=now)
    return show(request, actor, "pages/orders/standing.html", here="orders", found=found)


@staff(OFFICE)
def begin(request: HttpRequest, actor: Actor, *, now: datetime) -> HttpResponse:
    """Whose, then what and how often."""
    if request.method == "POST":
        start = taking.start_for_kitchen(request.POST.get("kitchen", ""), today=today_of(now), now=now)
        form = BeginForm(start, request.POST)

        def action() -> str:
            asked = form.cleaned_data
            made = standing.begin(
                start.code, lines=form.asked, rule=form.rule, starts_on=asked["starts_on"], ends_on=asked["ends_on"],
                way=asked["way"], on_closed=asked["on_closed"], by=actor.name, now=now,
            )  # fmt: skip
            return reverse("standing-order", args=[made.public_id])

        address = attempt(request, form, action, by=actor.name, now=now)
        if address is not None:
            messages.success(request, "It is begun; its dates in the coming weeks are orders now.")
            return HttpResponseRedirect(address, status=303)
        return _begin(request, actor, form, status=422)
    text = request.GET.get("customer", "").strip()
    found = taking.matching_kitchens(text)
    if len(found) == 1:
        start = taking.start_for_kitchen(found[0].code, today=today_of(now), now=now)
        begun = BeginForm(start)
        begun.focus()
        return _begin(request, actor, begun)
    says = f"There is no kitchen with “{text[:40]}” in its name." if text and not found else ""
    return show(
        request, actor, "pages/orders/whose.html", here="orders", status=422 if says else 200, text=text, found=found,
        says=says, kitchens=taking.kitchens(), standing=True,
    )  # fmt: skip


@staff(OFFICE)
def one(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """Its dates to come, and what can be changed."""
    return _one(request, actor, reading.standing_order(code, today=today_of(now), now=now))


@require_POST
@staff(OFFICE)
def change(request: HttpRequest, actor: Actor, *, now: datetime, code: str, what: str) -> HttpResponse:
    """Skip a date, other amounts on it, as usual again; other lines, a pause, its end; closed dates, an end."""
    if what not in ACTIONS:
        raise Missing("There is no such page.")
    found = reading.standing_order(code, today=today_of(now), now=now)
    form = _form_of(found, what, request.POST)

    def action() -> str:
        asked = form.cleaned_data
        signed: dict[str, Any] = {"by": actor.name, "now": now}
        if what == "skip":
            standing.skip(found.code, on=asked["on"], because=asked["because"], **signed)
        elif what == "as-usual":
            standing.as_usual(found.code, on=asked["on"], because=asked["because"], **signed)
        elif what == "pause":
            standing.pause(found.code, first=asked["first"], last=asked["last"], because=asked["because"], **signed)
        elif what == "resume":
            standing.resume(found.code, on=asked["on"], because=asked["because"], **signed)
        elif what == "terms":
            standing.change_terms(found.code, on_closed=asked["on_closed"], way=asked["way"], **signed)
        elif what == "end":
            standing.end(found.code, last_on=asked["last_on"], **signed)
        elif isinstance(form, LinesForm):
            standing.set_lines(found.code, form.asked, from_on=asked["from_on"], because=asked["because"], **signed)
        elif isinstance(form, AmountsForm):
            standing.change(found.code, on=asked["on"], amounts=form.amounts, because=asked["because"], **signed)
        return reverse("standing-order", args=[found.code])

    address = attempt(request, form, action, by=actor.name, now=now)
    if address is None:
        return _one(request, actor, found, status=422, **{what.replace("-", "_"): form})
    messages.success(request, SAID[what])
    return HttpResponseRedirect(address, status=303)


def _form_of(found: Standing, what: str, data: object = None) -> PageForm:
    auto_id = f"id-{what}-%s"
    following = found.next_date
    if what == "amounts":
        initial = {"on": following.on if following is not None else None}
        return AmountsForm(found.lines, data, auto_id=auto_id, initial=initial)
    if what == "lines":
        return LinesForm(found, data, auto_id=auto_id)
    kinds: dict[str, type[PageForm]] = {
        "skip": DateForm, "as-usual": DateForm, "pause": PauseForm, "resume": ResumeForm, "terms": TermsForm,
        "end": EndForm,
    }  # fmt: skip
    begins: dict[str, dict[str, Any]] = {
        "skip": {"on": following.on if following is not None else None},
        "terms": {"on_closed": found.on_closed, "way": found.way},
    }
    return kinds[what](data, auto_id=auto_id, initial=begins.get(what, {}))


def _one(request: HttpRequest, actor: Actor, found: Standing, *, status: int = 200, **shown: PageForm) -> HttpResponse:
    named = {what.replace("-", "_"): _form_of(found, what) for what in ACTIONS} | shown
    return show(
        request, actor, "pages/orders/standing_one.html", here="orders", status=status, standing=found,
        open_form=next(iter(shown), ""), closed=dict(ON_CLOSED)[found.on_closed], goes=dict(WAYS)[found.way], **named,
    )  # fmt: skip


def _begin(request: HttpRequest, actor: Actor, form: BeginForm, *, status: int = 200) -> HttpResponse:
    return show(
        request, actor, "pages/orders/standing_new.html", here="orders", status=status, form=form, start=form.start
    )


PAGES: list[URLPattern] = [
    path("orders/standing/", page, name="standing-orders"),
    path("orders/standing/new/", begin, name="standing-order-new"),
    path("orders/standing/<str:code>/", one, name="standing-order"),
    path("orders/standing/<str:code>/<str:what>/", change, name="standing-order-change"),
]
