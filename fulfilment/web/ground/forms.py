"""Forms of the pages: what was typed becomes what a service takes, and a service's problem stands beside its field.

A form is done once.  It carries a name of its own (``once``), made when the page is shown: pressed twice, sent again
after a lost answer or gone back to, it finds what it did the first time.  What is unlikely is asked once: the service
says :class:`Unconfirmed`, the form shows the sentence with a tick box, and the same form with the tick does it.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from decimal import Decimal
from typing import TYPE_CHECKING, Any, ClassVar, Final

from django import forms
from django.core.exceptions import ValidationError
from django.forms.renderers import TemplatesSetting

from fulfilment.core.problems import Problem, Unconfirmed
from fulfilment.core.units import MAX_GRAMS
from fulfilment.services import once

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from django.http import HttpRequest

NOT_PART_OF_IT: Final = frozenset({"csrfmiddlewaretoken"})


class Renderer(TemplatesSetting):
    """Fields as the farm's stylesheet has them."""

    field_template_name = "pages/forms/field.html"


class PageForm(forms.Form):
    """The base of every form on a page.

    ``places`` maps a service's path (``grades.0.weighed_g``) to the field it is typed in; a path that is not there is
    looked for by its last word, and what no field is to blame for stands above the form.
    """

    default_renderer = Renderer()
    use_required_attribute = True
    places: ClassVar[Mapping[str, str]] = {}

    once = forms.CharField(max_length=40, required=False, widget=forms.HiddenInput)
    confirmed = forms.BooleanField(required=False, widget=forms.HiddenInput, label="Yes, it is so")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)
        self.fields["once"].initial = secrets.token_urlsafe(12)
        self.asks = ""
        """The sentence that wants a tick, where the service wants one."""
        self.order_fields([name for name in self.fields if name not in ("once", "confirmed")])

    @property
    def yes(self) -> bool:
        """Whether the tick was set."""
        return bool(self.cleaned_data.get("confirmed"))

    def refuse(self, problem: Problem) -> None:
        """Put the problem's sentence where it belongs."""
        if isinstance(problem, Unconfirmed):
            self.asks = problem.sentence
            self.fields["confirmed"].widget = forms.CheckboxInput()
            return
        last = problem.where.rpartition(".")[2]
        for name in (self.places.get(problem.where), problem.where, self.places.get(last), last):
            if name and name in self.fields:
                self.add_error(name, problem.sentence)
                return
        self.add_error(None, problem.sentence)


def attempt(request: HttpRequest, form: PageForm, action: Callable[[], str], *, by: str, now: datetime) -> str | None:
    """Do what a valid form asks for, once: the address to go to then; None where the form must be shown again.

    ``action`` calls the services and returns the address (an absolute path).  What it raises as a problem is on the
    form afterwards, and nothing of it is kept.
    """
    if not form.is_valid():
        return None
    try:
        answer = once.perform(
            by, key=f"page:{form.cleaned_data['once'] or secrets.token_urlsafe(12)}", fingerprint=_fingerprint(request),
            action=lambda: once.Answer(303, action().encode()), now=now,
        )  # fmt: skip
    except Problem as problem:
        if problem.reason_code == "key_reused":
            form.add_error(None, "This form was saved already. Look at what it did, then fill in a new one.")
            return None
        form.refuse(problem)
        return None
    return answer.body.decode()


def _fingerprint(request: HttpRequest) -> str:
    """What was sent and where to, without what changes by itself."""
    digest = hashlib.sha256(request.path.encode())
    for name in sorted(request.POST):
        if name not in NOT_PART_OF_IT:
            digest.update(repr((name, request.POST.getlist(name))).encode())
    return digest.hexdigest()


# ---- Fields ---------------------------------------------------------------------------------------------------------

_WEIGHT: Final = re.compile(r"(?P<number>\d{1,9}(?:[.,]\d{1,6})?)\s*(?P<unit>kg|g)?", re.IGNORECASE)


class Grams(forms.Field):
    """A weight as the scale shows it: ``1980``, ``1980 g`` or ``1.98 kg``; a plain number is grams."""

    def __init__(self, *, at_least: int = 1, at_most: int = MAX_GRAMS, **kwargs: Any) -> None:
        self.at_least, self.at_most = at_least, at_most
        kwargs.setdefault(
            "widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", "maxlength": "20"})
        )
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> int | None:
        text = "" if value is None else str(value).strip()
        if not text:
            return None
        found = _WEIGHT.fullmatch(text)
        if found is None:
            raise ValidationError(f"{text[:20]!r} is no weight: write grams as 1980, or 1.98 kg.")
        number = Decimal(found["number"].replace(",", "."))
        if (found["unit"] or "").lower() == "kg":
            number *= 1000
        elif number % 1:
            raise ValidationError(f"{text} is no whole number of grams: write {number:.0f}, or {text} kg.")
        grams = int(number)
        if not self.at_least <= grams <= self.at_most:
            raise ValidationError(f"{grams:,} g is out of bounds: from {self.at_least:,} to {self.at_most:,} g.")
        return grams


class Celsius(forms.DecimalField):
    """A temperature in degrees Celsius, to a tenth; whether it can be so is the service's to say."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("max_digits", 5)
        kwargs.setdefault("decimal_places", 1)
        kwargs.setdefault("localize", False)
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> Any:
        text = str(value or "").strip().replace(",", ".").removesuffix("°C").strip()
        return super().to_python(text)


class Day(forms.DateField):
    """A day of the farm's calendar."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}))
        kwargs.setdefault("error_messages", {"invalid": "This is no date: write it as 2026-05-04."})
        kwargs.setdefault("input_formats", ["%Y-%m-%d"])
        super().__init__(**kwargs)


class Reason(forms.CharField):
    """Why somebody does it; kept with the event."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("max_length", 200)
        kwargs.setdefault("label", "Reason")
        super().__init__(**kwargs)
