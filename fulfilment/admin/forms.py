"""Forms of the records: one thing a person does, in the services' words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Final

from django import forms

from fulfilment.core.calendar.days import WEEKDAYS
from fulfilment.core.problems import Stale
from fulfilment.web.ground.forms import PageForm

if TYPE_CHECKING:
    from django.db.models import Model

    from fulfilment.admin.site import Hand

NOT_FROM_A_LINK: Final = frozenset({"once", "confirmed", "seen"})
"""Fields that a link to a form cannot fill in beforehand."""


class RecordForm(PageForm):
    """One thing a person does with a row (or to make one), in the services' words.

    ``title`` and ``button`` say it; ``do`` calls the service and returns the row it is about, or None where that is
    gone.  ``look`` shows what would come of it, where ``looks`` names the button for that; nothing is kept then.
    """

    title: ClassVar[str] = ""
    button: ClassVar[str] = "Save"
    note: ClassVar[str] = ""
    done: ClassVar[str] = "Saved."
    danger: ClassVar[bool] = False
    template: ClassVar[str] = "admin/farm/form.html"
    layout: ClassVar[str] = ""
    """``pairs``: two fields beside one another where there is room."""
    looks: ClassVar[str] = ""
    look_template: ClassVar[str] = ""
    looks_first: ClassVar[bool] = False
    """Whether it is looked at before it can be done."""
    secret: ClassVar[bool] = False
    """Something secret is typed or shown: no trace of it is kept to answer the same form again."""

    seen = forms.CharField(max_length=12, required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, row: Any = None, hand: Hand, **kwargs: Any) -> None:
        self.row, self.hand = row, hand
        self.shows: dict[str, Any] = {}
        """What is shown once it is done, for a form with a secret."""
        kwargs["initial"] = {**self.begin(), **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        self.fields["seen"].initial = getattr(row, "version", "")
        self.shape()

    @classmethod
    def offered(cls, row: Any, hand: Hand) -> bool:
        """Whether there is anything to do so with this row."""
        return True

    def begin(self) -> dict[str, Any]:
        """What the fields begin with."""
        return {}

    def shape(self) -> None:
        """Choices that only the rows know."""

    def do(self) -> Model | None:
        raise NotImplementedError

    def look(self) -> dict[str, object]:
        return {}

    def again(self) -> bool:
        """Whether, now that it is done, the same form is wanted once more."""
        return False

    def given(self, name: str) -> Any:
        return self.cleaned_data.get(name)

    def news(self, *names: str) -> dict[str, Any]:
        """The fields of these names that differ from how they began, so that nothing else is written."""
        return {name: self.cleaned_data[name] for name in names if name in self.changed_data}

    def check_unchanged(self) -> None:
        """Raises :class:`Stale` where somebody changed the row after this form was shown."""
        now = str(getattr(self.row, "version", ""))
        if self.row is not None and self.given("seen") and self.given("seen") != now:
            raise Stale("Somebody changed this after you opened it. Open it anew, look, and change it then.")


# ---- Fields ---------------------------------------------------------------------------------------------------------

DAYS: Final = list(enumerate(WEEKDAYS))


class Weekdays(forms.TypedMultipleChoiceField):
    """Days of the week, Monday 0 … Sunday 6."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(choices=DAYS, coerce=int, widget=forms.CheckboxSelectMultiple, **kwargs)


class Clock(forms.TimeField):
    """A time of day by the farm's clock."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TimeInput(format="%H:%M", attrs={"type": "time"}))
        kwargs.setdefault("error_messages", {"invalid": "This is no time of day: write it as 09:30."})
        super().__init__(**kwargs)
