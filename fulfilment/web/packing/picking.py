"""One pick list: take what a row says, or what is really there; scan to a row; undo.

With a script the line alone is swapped; without one the page comes again.  A pick that could not be sent is kept on the
phone and sent later under the same name, so that it is done once (``static/farm/packing.js``).
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, Final
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from fulfilment.core.problems import Missing
from fulfilment.core.units import said
from fulfilment.read.packing import picking as reading
from fulfilment.services import packing
from fulfilment.web.ground.doors import PACKING, staff, today_of
from fulfilment.web.ground.forms import Grams, PageForm, Reason, attempt
from fulfilment.web.ground.showing import show
from fulfilment.web.ground.words import short_day

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from django.http import HttpRequest
    from django.urls import URLPattern

    from fulfilment.read.packing.picking import LineFacts, LotChoice, Picking, RowFacts, StopFacts
    from fulfilment.read.scope import Actor

TARE: Final = "packing_tare_g"
HEAVIEST_TARE_G: Final = 20_000
MOST_KITS: Final = 500


class PickForm(PageForm):
    """What was taken for one row.  ``net`` is what counts: the scale less the empty crate, or kits."""

    places: ClassVar[Mapping[str, str]] = {"amount": "scale", "lot": "other_lot", "kit_numbers": "kit_numbers"}

    for_line = forms.CharField(max_length=20, widget=forms.HiddenInput)
    lot = forms.CharField(max_length=12, required=False, widget=forms.HiddenInput)
    tare = Grams(at_least=0, at_most=HEAVIEST_TARE_G, required=False, widget=forms.HiddenInput)
    scale = Grams(label="On the scale", error_messages={"required": "Weigh it and write what the scale shows."})
    other_lot = forms.CharField(max_length=12, required=False, label="Another lot")
    kit_numbers = forms.CharField(
        max_length=2000, required=False, label="Kit numbers",
        help_text="Only if it matters which: scan or write them, with blanks between.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )  # fmt: skip
    reason = Reason(required=False, help_text="Needed for a lot that is past its date when it arrives.")

    def __init__(
        self, *args: Any, row: RowFacts, line: LineFacts, tare: int = 0, kits: Sequence[str] = (), **kwargs: Any
    ) -> None:
        kwargs.setdefault("auto_id", f"{row.key}-%s")
        super().__init__(*args, **kwargs)
        self.initial.update({"for_line": line.line, "lot": row.lot, "tare": 0 if line.is_kit else tare})
        self.fields["other_lot"].widget = forms.Select(choices=_lots(line.choices, row=row, is_kit=line.is_kit))
        if line.is_kit:
            self.fields["scale"] = forms.IntegerField(
                label="Kits", min_value=1, max_value=MOST_KITS,
                widget=forms.NumberInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
            )  # fmt: skip
            self.initial.update({"scale": len(kits) or row.left or "", "kit_numbers": " ".join(kits)})
        else:
            del self.fields["kit_numbers"]
            self.initial.update({"scale": row.left + tare if row.left else ""})
        self.fields["scale"].widget.attrs["data-left"] = str(row.left)

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.source:
            self.add_error(None, "Nothing of this is in store yet: it is taken once its harvest is written down.")
        scale, tare = given.get("scale"), given.get("tare") or 0
        if scale is not None and scale <= tare:
            self.add_error(
                "scale",
                f"The scale shows {said(scale, is_kit=False)} and the empty crate weighs {said(tare, is_kit=False)}: "
                "nothing would be left. Weigh again, or set the crate to 0.",
            )
        return given

    @property
    def source(self) -> str:
        """The lot it was taken from: the other one where one was chosen."""
        return str(self.cleaned_data.get("other_lot") or self.cleaned_data.get("lot") or "")

    @property
    def net(self) -> int:
        return int(self.cleaned_data["scale"]) - int(self.cleaned_data.get("tare") or 0)

    @property
    def kits(self) -> list[str]:
        return [each for each in re.split(r"[\s,;]+", self.cleaned_data.get("kit_numbers") or "") if each]


class UndoForm(PageForm):
    """Why a pick goes back into store."""

    undone = forms.CharField(max_length=12, widget=forms.HiddenInput)
    reason = Reason(label="Why it goes back", error_messages={"required": "Say why: undoing a pick needs a reason."})

    def __init__(self, *args: Any, pick: str, **kwargs: Any) -> None:
        super().__init__(*args, auto_id=f"undo-{pick}-%s", initial={"undone": pick}, **kwargs)


class TareForm(PageForm):
    """What the empty crate weighs; taken off whatever the scale shows from then on."""

    tare = Grams(at_least=0, at_most=HEAVIEST_TARE_G, required=False, label="Empty crate on the scale")


@staff(PACKING)
def page(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The list.  ``?scan=`` looks for a code and goes to its row."""
    of = reading.picking(code, today=today_of(now))
    text = request.GET.get("scan", "").strip()
    if not text:
        return _shown(request, actor, of)
    found = reading.scanned(text, of)
    if not found.key:
        return _shown(request, actor, of, scan_said=found.sentence)
    asked = {"open": found.key} | ({"kit": found.kit} if found.kit else {})
    return redirect(f"{reverse('pick-list', args=[of.public_id])}?{urlencode(asked)}#{found.key}")


@require_POST
@staff(PACKING)
def pick(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """Taken: so much, from this lot, for this line."""
    today = today_of(now)
    of = reading.picking(code, today=today)
    stop, line = _line_of(of, request.POST.get("for_line", ""))
    row = next((row for row in line.rows if row.lot == request.POST.get("lot", "")), line.rows[0])
    form = PickForm(request.POST, row=row, line=line)

    def action() -> str:
        packing.pick(
            line.line, lot=form.source, amount=form.net, kit_numbers=form.kits, reason=form.cleaned_data["reason"],
            confirmed=form.yes, by=actor.name, now=now, today=today,
        )  # fmt: skip
        return f"{reverse('pick-list', args=[of.public_id])}#{line.key}"

    to = attempt(request, form, action, by=actor.name, now=now)
    if to is None:
        return _again(request, actor, of, line, picking={row.key: form})
    told = f"Taken: {said(form.net, is_kit=line.is_kit)} of lot {form.source} for {stop.name}."
    return _done(request, actor, to, told, code=code, line=line.line, now=now)


@require_POST
@staff(PACKING)
def undo(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """A pick goes back into store."""
    today = today_of(now)
    of = reading.picking(code, today=today)
    asked = request.POST.get("undone", "")[:12]
    line = next((line for _, line in of.lines() if asked in {each.pick for each in _picks(line)}), None)
    form = UndoForm(request.POST, pick=asked)

    def action() -> str:
        packing.undo_pick(asked, reason=form.cleaned_data["reason"], by=actor.name, now=now, today=today)
        return f"{reverse('pick-list', args=[of.public_id])}#{line.key if line is not None else ''}"

    to = attempt(request, form, action, by=actor.name, now=now)
    if line is None:
        # It was undone before, or is of another list: what the service says, or what it did, is all there is to show.
        if to is None:
            raise Missing(_first_error(form), where="pick")
        return HttpResponse(headers={"HX-Refresh": "true"}) if _swapped(request) else redirect(to)
    if to is None:
        return _again(request, actor, of, line, undoing={asked: form})
    return _done(request, actor, to, "Undone: it is back in store.", code=code, line=line.line, now=now)


@require_POST
@staff(PACKING)
def keep_tare(request: HttpRequest, actor: Actor, *, now: datetime, code: str) -> HttpResponse:
    """The empty crate's weight, kept for this packer while they are signed in."""
    form = TareForm(request.POST, auto_id="tare-%s")
    if not form.is_valid():
        return _shown(request, actor, reading.picking(code, today=today_of(now)), tare_form=form)
    tare = form.cleaned_data["tare"] or 0
    request.session[TARE] = tare
    messages.success(
        request, f"{said(tare, is_kit=False)} come off whatever the scale shows." if tare else "Nothing comes off."
    )
    return redirect("pick-list", code)


# ---- Showing --------------------------------------------------------------------------------------------------------


def _shown(
    request: HttpRequest, actor: Actor, of: Picking, *, scan_said: str = "", tare_form: TareForm | None = None,
    picking: Mapping[str, PickForm] | None = None, undoing: Mapping[str, UndoForm] | None = None,
) -> HttpResponse:  # fmt: skip
    wrong = bool(picking or undoing or tare_form)
    tare = _tare(request)
    return show(
        request, actor, "pages/packing/picking.html", here="packing", status=422 if wrong else 200, of=of,
        scan_said=scan_said, scanned=request.GET.get("scan", ""), opened=request.GET.get("open", ""), tare=tare,
        tare_form=tare_form or TareForm(auto_id="tare-%s", initial={"tare": tare or ""}),
        **_forms(request, [line for _, line in of.lines()], picking=picking, undoing=undoing),
    )  # fmt: skip


def _again(
    request: HttpRequest, actor: Actor, of: Picking, line: LineFacts, *,
    picking: Mapping[str, PickForm] | None = None, undoing: Mapping[str, UndoForm] | None = None,
) -> HttpResponse:  # fmt: skip
    """The form with what is wrong with it: the line alone, or the whole page."""
    if not _swapped(request):
        return _shown(request, actor, of, picking=picking, undoing=undoing)
    facts = _forms(request, [line], picking=picking, undoing=undoing)
    stop = next(stop for stop, each in of.lines() if each is line)
    return render(
        request, "pages/packing/line.html", {"of": of, "stop": stop, "line": line, "tare": _tare(request)} | facts,
        status=422,
    )  # fmt: skip


def _done(
    request: HttpRequest, actor: Actor, to: str, told: str, *, code: str, line: str, now: datetime
) -> HttpResponse:
    if not _swapped(request):
        messages.success(request, told)
        return redirect(to)
    of = reading.picking(code, today=today_of(now))
    stop, fresh = _line_of(of, line)
    facts = {"of": of, "stop": stop, "line": fresh, "told": told, "tare": _tare(request), "swapped": True}
    return render(request, "pages/packing/swapped.html", facts | _forms(request, [fresh]))


def _forms(
    request: HttpRequest, lines: Sequence[LineFacts], *,
    picking: Mapping[str, PickForm] | None = None, undoing: Mapping[str, UndoForm] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """A form for each row and each pick, those that were refused among them."""
    tare, opened, kit = _tare(request), request.GET.get("open", ""), request.GET.get("kit", "")
    rows = {
        row.key: PickForm(row=row, line=line, tare=tare, kits=(kit,) if kit and row.key == opened else ())
        for line in lines
        for row in line.rows
        if row.lot and line.open
    }
    if opened in rows:
        rows[opened].fields["scale"].widget.attrs["autofocus"] = True
    picks = {each.pick: UndoForm(pick=each.pick) for line in lines for each in _picks(line) if line.open}
    return {"forms": rows | dict(picking or {}), "undo_forms": picks | dict(undoing or {})}


def _lots(choices: Sequence[LotChoice], *, row: RowFacts, is_kit: bool) -> list[tuple[str, str]]:
    return [
        ("", f"as planned: {row.lot}" if row.lot else "as planned"),
        *((each.lot, f"{each.lot}, {_about(each, is_kit=is_kit)}") for each in choices if each.lot != row.lot),
    ]


def _about(choice: LotChoice, *, is_kit: bool) -> str:
    past = " (past when it arrives)" if choice.past else ""
    return (
        f"{choice.product}, by {short_day(choice.best_before)}{past}, {said(choice.in_store, is_kit=is_kit)} in store"
    )


def _picks(line: LineFacts) -> list[reading.PickFacts]:
    return [*(each for row in line.rows for each in row.picks), *line.elsewhere]


def _line_of(of: Picking, name: str) -> tuple[StopFacts, LineFacts]:
    found = of.line(name)
    if found is None:
        raise Missing(
            f"Line {name[:20]} is no longer on this list: look at its order, and put back what was taken for it.",
            where="line",
        )
    return found


def _first_error(form: PageForm) -> str:
    return next((str(error) for errors in form.errors.values() for error in errors), "This pick cannot be undone.")


def _tare(request: HttpRequest) -> int:
    kept = request.session.get(TARE, 0)
    return kept if isinstance(kept, int) else 0


def _swapped(request: HttpRequest) -> bool:
    """Whether the page stays and only a part of it is swapped."""
    return request.headers.get("HX-Request") == "true"


PAGES: list[URLPattern] = [
    path("packing/<str:code>/", page, name="pick-list"),
    path("packing/<str:code>/picks/", pick, name="pick-list-pick"),
    path("packing/<str:code>/undone/", undo, name="pick-list-undo"),
    path("packing/<str:code>/tare/", keep_tare, name="pick-list-tare"),
]
