"""Rows as the records show them, and the forms that change them through the services.

:class:`Rows` shows a list (filters, search by id, days) and a row's page: its facts, what belongs to it, what happened
to it.  It writes nothing and nothing can be deleted.  A kind of row that may be changed names its forms: ``adds`` for a
new one, ``changes`` for the row's own terms, ``doings`` for what else is done with it.  Each is a :class:`RecordForm`,
whose ``do`` calls a service; a service's problem stands beside its field, and the form is done once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from typing import TYPE_CHECKING, Any, ClassVar, Final

from django.contrib import messages
from django.contrib.admin import ModelAdmin, display
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.contrib.admin.models import ADDITION, CHANGE, LogEntry
from django.contrib.admin.utils import display_for_field, display_for_value, label_for_field, lookup_field, unquote
from django.contrib.admin.views.main import ChangeList
from django.contrib.contenttypes.models import ContentType
from django.core.exceptions import FieldDoesNotExist, ObjectDoesNotExist, PermissionDenied
from django.db import transaction
from django.db.models import BooleanField, DateField, Field, ForeignKey, JSONField, TimeField
from django.http import Http404, HttpResponse, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import path, reverse
from django.utils.html import format_html
from django.utils.text import capfirst

from fulfilment.admin.forms import NOT_FROM_A_LINK, RecordForm
from fulfilment.admin.site import RECORDS, hand_of, site
from fulfilment.admin.words import WORDS, in_words, said
from fulfilment.core import codes
from fulfilment.core.problems import Missing, Problem
from fulfilment.models import Event
from fulfilment.read.scope import SIGHTS, visible
from fulfilment.web.ground.forms import attempt
from fulfilment.web.ground.showing import then

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from django.db.models import Model, QuerySet
    from django.http import HttpRequest
    from django.urls import URLPattern

    from fulfilment.admin.site import Leave

    Admin = ModelAdmin[Any]
    List = ChangeList
else:
    Admin, List = ModelAdmin, ChangeList

MOST_ROWS: Final = 200
LONGEST_NUMBER: Final = 19
"""A row's number has fewer digits than this."""
"""Rows of a table on another row's page."""
MOST_EVENTS: Final = 200


@dataclass(frozen=True, slots=True)
class Table:
    """What belongs to a row, as a table on its page: ``of`` is the accessor, ``columns`` as in a list."""

    title: str
    of: str
    columns: tuple[str, ...]
    also: tuple[str, ...] = ()
    """Further rows that the columns' words are made from."""
    newest_first: bool = False


@dataclass(frozen=True, slots=True)
class Doing:
    """A button on a row's page."""

    word: str
    address: str
    danger: bool


class RowList(List):
    """A list whose rows are known by their public ids."""

    def url_for_result(self, result: Model) -> str:
        return site.address(result)


class Rows(Admin):
    """A kind of row that the services write: read here, in a list and one by one."""

    adds: ClassVar[type[RecordForm] | None] = None
    changes: ClassVar[type[RecordForm] | None] = None
    doings: ClassVar[Mapping[str, type[RecordForm]]] = {}
    facts: ClassVar[Sequence[str]] = ()
    """What a row's page says; empty: every field."""
    leaves_out: ClassVar[Sequence[str]] = ()
    tables: ClassVar[Sequence[Table]] = ()
    named: ClassVar[str] = ""
    """What the list is called, where the rows' own plural says too little."""
    key: ClassVar[str] = ""
    """The field by which a row is known in its address: its public id, or its number where it has none."""

    change_list_template = "admin/farm/list.html"
    row_template: ClassVar[str] = "admin/farm/row.html"
    list_per_page = 50
    show_full_result_count = False
    actions: Any = None
    list_select_related: ClassVar[bool | list[str] | tuple[str, ...]] = True
    view_on_site = False

    # ---- Who ---------------------------------------------------------------------------------------------------------

    @property
    def leave(self) -> Leave:
        return RECORDS[self.model]

    def _may(self, request: HttpRequest, scopes: frozenset[str]) -> bool:
        return hand_of(request).actor.may(scopes)

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self._may(request, self.leave.see)

    def has_view_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return self._may(request, self.leave.see)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return self.adds is not None and self._may(request, self.leave.change)

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return (self.changes is not None or bool(self.doings)) and self._may(request, self.leave.change)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        rows = super().get_queryset(request)
        hand = hand_of(request)
        if not hand.actor.may(self.leave.see):
            return rows.none()
        return rows & visible(self.model, hand.actor) if self.model in SIGHTS and not hand.staff else rows

    # ---- Which -------------------------------------------------------------------------------------------------------

    def key_of(self, row: Model) -> str:
        """How a row is known in its address and in the log: never by anybody's name."""
        return str(getattr(row, self._key, row.pk))

    @property
    def _key(self) -> str:
        return self.key or ("public_id" if hasattr(self.model, "public_id") else "pk")

    def get_object(self, request: HttpRequest, object_id: str, from_field: str | None = None) -> Any:
        # A link of ours names a row as it is; one that Django made says each underscore in its own way.
        plain = self._named(request, object_id)
        return plain if plain is not None else self._named(request, unquote(object_id))

    def _named(self, request: HttpRequest, named: str) -> Any:
        rows = self.get_queryset(request)
        if self._key == "public_id" and codes.tidy(named):
            return rows.filter(public_id=codes.tidy(named)).first()
        if self._key != "pk" and self._key != "public_id":
            return rows.filter(**{self._key: named}).first()
        return rows.filter(pk=int(named)).first() if named.isdecimal() and len(named) < LONGEST_NUMBER else None

    def _row(self, request: HttpRequest, object_id: str) -> Any:
        """The row, if it is there for whoever asks."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        found = self.get_object(request, object_id)
        if found is None:
            raise Http404
        return found

    @property
    def _plural(self) -> str:
        return capfirst(self.named or str(self.opts.verbose_name_plural))

    def get_list_display(self, request: HttpRequest) -> Any:
        """The columns, their days, instants and ticks said as everywhere else; each the same object every time."""
        if not hasattr(self, "_columns"):
            self._columns: dict[str, Any] = {}
        for name in self.columns(request):
            if name not in self._columns:
                self._columns[name] = self._column(name)
        return tuple(self._columns[name] for name in self.columns(request))

    def get_list_select_related(self, request: HttpRequest) -> Any:
        """What each row refers to comes with it, also what a row may lack: a list asks once, however long it is."""
        if self.list_select_related is not True:
            return self.list_select_related
        return tuple(each.name for each in self.opts.fields if isinstance(each, ForeignKey)) or False

    def columns(self, request: HttpRequest) -> Sequence[str]:
        """Which columns this list has for whoever asks."""
        return [str(name) for name in self.list_display]

    def _column(self, name: str) -> Any:
        try:
            field = self.opts.get_field(name)
        except FieldDoesNotExist:
            return name
        if not isinstance(field, Field) or not (
            isinstance(field, BooleanField | DateField | TimeField | JSONField) or name in WORDS
        ):
            return name
        attribute = field.name
        word = WORDS.get(attribute, str(field.verbose_name))

        @display(description=word, ordering=attribute, empty_value=self.get_empty_value_display())
        def column(row: Model) -> object:
            return said(getattr(row, attribute), name=attribute)

        # By this name the stylesheet knows its cells.
        column.__name__ = attribute
        return column

    def get_changelist(self, request: HttpRequest, **kwargs: Any) -> type[ChangeList]:
        return RowList

    # ---- Pages -------------------------------------------------------------------------------------------------------

    def get_urls(self) -> list[URLPattern]:
        name = f"{self.opts.app_label}_{self.opts.model_name}"
        own = [
            path(
                f"<path:object_id>/{slug}/",
                self.admin_site.admin_view(self._doing_view(form)),
                name=f"{name}_{slug}",
            )
            for slug, form in self._doings().items()
        ]
        # Not the way that a row had before its page was called change: it leads on whatever is asked for.
        return [*own, *(each for each in super().get_urls() if each.name)]

    def _doings(self) -> dict[str, type[RecordForm]]:
        return {**({"edit": self.changes} if self.changes is not None else {}), **self.doings}

    def changelist_view(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        for chosen in request.POST.getlist(ACTION_CHECKBOX_NAME):
            if not (chosen.isascii() and chosen.isdecimal() and len(chosen) < LONGEST_NUMBER):
                raise Missing("One of the rows that were chosen does not exist: open the list anew and choose again.")
        answer: HttpResponse = super().changelist_view(request, {"title": self._plural, **(extra_context or {})})
        return answer

    def changeform_view(
        self,
        request: HttpRequest,
        object_id: str | None = None,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> Any:
        if object_id is None:
            if self.adds is None or not self.has_add_permission(request):
                raise PermissionDenied
            return self._form(request, self.adds, None)
        row = self._row(request, object_id)
        if request.method not in ("GET", "HEAD"):
            raise PermissionDenied
        return self._shown(request, self.row_template, row=row, title=self.titled(row), **self.on_page(request, row))

    def on_page(self, request: HttpRequest, row: Any) -> dict[str, Any]:
        """What a row's page shows."""
        return {
            "doings": [*self.leads(request, row), *self.offered(request, row)],
            "facts": self.facts_of(request, row),
            "tables": self.tables_of(request, row),
            "history": site.address(row, "history") if self.subject_of(row) else "",
        }

    def titled(self, row: Any) -> str:
        return f"{capfirst(str(self.opts.verbose_name))} {row}"

    def offered(self, request: HttpRequest, row: Any) -> list[Doing]:
        hand = hand_of(request)
        if not self.has_change_permission(request, row):
            return []
        return [
            Doing(form.title, site.address(row, slug), form.danger)
            for slug, form in self._doings().items()
            if form.offered(row, hand)
        ]

    def leads(self, request: HttpRequest, row: Any) -> list[Doing]:
        """Where else a row's page leads, as buttons."""
        return []

    def facts_of(self, request: HttpRequest, row: Any) -> list[tuple[str, object]]:
        names = self.facts or [
            each.name for each in self.opts.fields if each.name not in ("id", "version", *self.leaves_out)
        ]
        return [(self._label(name), self._said(request, row, name, self)) for name in names]

    def tables_of(self, request: HttpRequest, row: Any) -> list[dict[str, object]]:
        found: list[dict[str, object]] = []
        for table in self.tables:
            rows = getattr(row, table.of).all()
            registered = site._registry.get(rows.model)  # noqa: SLF001 - what Django's own pages look it up by
            if registered is not None and not registered.has_view_permission(request):
                continue
            known = {each.name for each in rows.model._meta.fields if isinstance(each, ForeignKey)}  # noqa: SLF001 - public by Django's documentation
            with_them = [name for name in table.columns if name in known]
            rows = rows.select_related(*with_them, *table.also).order_by("-pk" if table.newest_first else "pk")
            heads = [WORDS.get(name) or label_for_field(name, rows.model, registered) for name in table.columns]
            cells = [
                [(name, self._said(request, each, name, registered)) for name in table.columns]
                for each in rows[:MOST_ROWS]
            ]
            found.append({"title": table.title, "heads": heads, "rows": cells})
        return found

    def _label(self, name: str) -> str:
        return capfirst(WORDS.get(name) or str(label_for_field(name, self.model, self)))

    def _said(self, request: HttpRequest, row: Any, name: str, registered: Any) -> object:
        """A value in words; what it refers to is a link where that may be read."""
        try:
            field, _, value = lookup_field(name, row, registered)
        except (ObjectDoesNotExist, FieldDoesNotExist):
            return self.get_empty_value_display()
        empty = self.get_empty_value_display()
        if value is None or value == "":
            return empty
        if isinstance(field, ForeignKey):
            other = site._registry.get(type(value))  # noqa: SLF001 - what Django's own pages look it up by
            if other is not None and other.has_view_permission(request):
                return format_html('<a href="{}">{}</a>', site.address(value), str(value))
            return str(value)
        if isinstance(registered, Rows) and registered is not self and name == (registered.key or "public_id"):
            return format_html('<a class="code" href="{}">{}</a>', site.address(row), value)
        if isinstance(value, bool | date | time | dict | list) or name.endswith("_tenths"):
            return said(value, name=name)
        return display_for_field(value, field, empty) if field is not None else display_for_value(value, empty)

    # ---- What happened -----------------------------------------------------------------------------------------------

    def subject_of(self, row: Any) -> str:
        """What events about this row call it; empty where there are none."""
        return str(getattr(row, "public_id", ""))

    def history_view(
        self, request: HttpRequest, object_id: str, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        row = self._row(request, object_id)
        hand, subject = hand_of(request), self.subject_of(row)
        if not subject:
            raise Http404
        events = visible(Event, hand.actor).filter(subject=subject).order_by("-pk")[:MOST_EVENTS]
        facts = [
            {
                "at": each.at,
                "kind": each.kind,
                "by": each.by if hand.staff else "you" if each.by == hand.by else "the farm",
                "data": in_words(each.data) if hand.staff else "",
            }
            for each in events
        ]
        return self._shown(
            request, "admin/farm/history.html", row=row, title=f"What happened to {self.titled(row)}", events=facts
        )

    def delete_view(
        self, request: HttpRequest, object_id: str, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Nothing is deleted here: what was written is ended, cancelled or corrected, and stays to be traced."""
        self._row(request, object_id)
        raise PermissionDenied

    # ---- Doing something ---------------------------------------------------------------------------------------------

    def _doing_view(self, form: type[RecordForm]) -> Callable[..., HttpResponse]:
        def view(request: HttpRequest, object_id: str) -> HttpResponse:
            row = self._row(request, object_id)
            if not self.has_change_permission(request, row):
                raise PermissionDenied
            return self._form(request, form, row)

        return view

    def _form(self, request: HttpRequest, kind: type[RecordForm], row: Any) -> HttpResponse:
        hand = hand_of(request)
        sent = request.POST if request.method == "POST" else None
        linked = {name: value for name, value in request.GET.items() if name not in NOT_FROM_A_LINK}
        form = kind(sent, row=row, hand=hand, initial=linked if sent is None else None)
        seen: dict[str, object] = {}
        if sent is not None and "look" in sent and kind.looks:
            if form.is_valid():
                try:
                    seen = form.look()
                except Problem as problem:
                    form.refuse(problem)
        elif sent is not None:
            answer = self._secretly(request, form) if kind.secret else self._openly(request, form)
            if answer is not None:
                return answer
        return self._shown(
            request,
            kind.template,
            status=422 if form.errors or form.asks else 200,
            title=kind.title if row is None else f"{self.titled(row)}: {kind.title.lower()}",
            form=form,
            row=row,
            back=then(request) or (site.address(row) if row is not None else self._list()),
            button=kind.button,
            danger=kind.danger,
            note=kind.note,
            looks=kind.looks,
            seen=seen,
            look_template=kind.look_template,
        )

    def _openly(self, request: HttpRequest, form: RecordForm) -> HttpResponse | None:
        hand = form.hand
        address = attempt(request, form, lambda: self._do(request, form), by=hand.by, now=hand.now)
        if address is None:
            return None
        messages.success(request, form.done)
        # The form once more, where there is as much again to say; else back to where somebody was led from.
        onward = request.get_full_path() if form.again() else then(request)
        return HttpResponseRedirect(onward or address, status=303)

    def _secretly(self, request: HttpRequest, form: RecordForm) -> HttpResponse | None:
        if not form.is_valid():
            return None
        try:
            with transaction.atomic():
                address = self._do(request, form)
        except Problem as problem:
            form.refuse(problem)
            return None
        if form.shows:
            return self._shown(request, "admin/farm/secret.html", title=form.title, back=address, **form.shows)
        messages.success(request, form.done)
        return HttpResponseRedirect(address, status=303)

    def _do(self, request: HttpRequest, form: RecordForm) -> str:
        """Call the service, write the log, and say where to go then."""
        form.check_unchanged()
        about = form.do()
        logged = about or form.row
        if logged is not None and logged.pk:
            registered = site._registry[type(logged)]  # noqa: SLF001 - what Django's own pages look it up by
            key = registered.key_of(logged) if isinstance(registered, Rows) else str(logged.pk)
            LogEntry.objects.create(
                user_id=int(request.user.pk or 0),
                content_type=ContentType.objects.get_for_model(logged),
                object_id=key,
                object_repr=key[:200],
                action_flag=CHANGE if form.row is not None else ADDITION,
                change_message=form.title,
            )
        return site.address(about) if about is not None else self._list()

    def _list(self) -> str:
        return reverse(f"admin:{self.opts.app_label}_{self.opts.model_name}_changelist")

    def _shown(
        self, request: HttpRequest, template: str, *, status: int = 200, title: str, **facts: Any
    ) -> TemplateResponse:
        common = {
            **site.each_context(request),
            "opts": self.opts,
            "title": title,
            "list_url": self._list(),
            "list_word": self._plural,
        }
        return TemplateResponse(request, template, common | facts, status=status)


def kept(model: type[Model]) -> Callable[[type[Rows]], type[Rows]]:
    """Register the class that shows these rows with the farm's records."""

    def keep(shows: type[Rows]) -> type[Rows]:
        site.register(model, shows)
        return shows

    return keep
