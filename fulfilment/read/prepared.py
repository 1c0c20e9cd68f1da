"""Queries that are put into SQL once and asked many times.

They are written in Django's words, and what they give is converted as the models want it; what is saved is saying it
anew at each request, which takes longer than the database's answer.  A row is a named tuple, each of whose fields names
its column, or is called like it:

    class LineTold(NamedTuple):
        number: int
        product: Annotated[str, "product__public_id"]

Only what differs from one asking to the next is left open, a :class:`Given`; :class:`Among` takes any number of keys in
one place, so that the SQL is the same for one and for many:

    LINES = Prepared(LineTold, lambda: Line.objects.filter(Among(F("order"), Given("orders"))).order_by("number"))
    LINES.rows(orders=[7, 9])
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final, Generic, NamedTuple, TypeVar, get_type_hints

from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import Expression, F, Func, Lookup

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from django.db.models import QuerySet
    from django.db.models.sql.compiler import SQLCompiler

    _Lookup = Lookup[bool]
else:
    _Lookup = Lookup

Row = TypeVar("Row", bound=NamedTuple)

Value = int | str | list[int]
"""What can be given: what both databases take as it is, and keys."""


class Given(Expression):
    """A value that is told when the query is asked."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name: Final = name

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:  # noqa: ARG002 - as Django calls it
        return "%s", (self,)


class Among(_Lookup):
    """Whether a key is one of a :class:`Given` list."""

    lookup_name = "among"
    prepare_rhs = False

    def as_sql(self, compiler: SQLCompiler, connection: Any) -> tuple[str, tuple[Any, ...]]:
        return self._written(compiler, connection, "{} = ANY({})")

    def as_sqlite(self, compiler: SQLCompiler, connection: Any) -> tuple[str, tuple[Any, ...]]:
        return self._written(compiler, connection, "{} IN (SELECT value FROM json_each({}))")

    def _written(self, compiler: SQLCompiler, connection: Any, form: str) -> tuple[str, tuple[Any, ...]]:
        key, before = self.process_lhs(compiler, connection)
        keys, after = self.process_rhs(compiler, connection)
        return form.format(key, keys), (*before, *after)


class _Stored(Func):
    """A column as it is stored: SQLite's driver would read each date anew, however often the same comes again."""

    template = "%(expressions)s"

    def as_sqlite(self, compiler: SQLCompiler, connection: Any, **_: Any) -> tuple[str, tuple[Any, ...]]:
        return self.as_sql(compiler, connection, template="+%(expressions)s")

    def get_db_converters(self, connection: Any) -> list[Any]:
        return self.output_field.get_db_converters(connection)


class Prepared(Generic[Row]):
    """One query: ``row`` is what each of its rows is, ``query`` makes it (its columns are the row's)."""

    def __init__(self, row: type[Row], query: Callable[[], QuerySet[Any]]) -> None:
        self._row, self._query = row, query
        self._sql: str | None = None
        self._params: Sequence[Any] = ()
        self._converters: dict[int, tuple[list[Callable[..., Any]], Any]] = {}

    def rows(self, **given: Value) -> list[Row]:
        """The rows for these values, as the query orders them."""
        if self._sql is None:
            self._prepare()
        if not self._sql:
            return []
        values = [_as_taken(given[each.name]) if isinstance(each, Given) else each for each in self._params]
        with connection.cursor() as cursor:
            cursor.execute(self._sql, values)
            found = cursor.fetchall()
        columns: list[Sequence[Any]] = list(zip(*found, strict=True))
        if found:
            for place, (converters, expression) in self._converters.items():
                # The same few days, instants and accounts come again and again: each is converted once.
                made = dict.fromkeys(columns[place])
                for value in made:
                    made[value] = value
                    for convert in converters:
                        made[value] = convert(made[value], expression, connection)
                columns[place] = [made[value] for value in columns[place]]
        return list(map(self._row._make, zip(*columns, strict=True)))

    def _prepare(self) -> None:
        told = (_Stored(F(each)) if isinstance(each, str) else each for each in columns(self._row))
        compiler = self._query().values_list(*told).query.get_compiler(connection=connection)
        try:
            self._sql, self._params = compiler.as_sql()
        except EmptyResultSet:
            # What nobody can be, nothing is.
            self._sql = ""
        self._converters = compiler.get_converters([each for each, _, _ in compiler.select])


def columns(row: type[NamedTuple]) -> list[Any]:
    """What a query must read for such rows, in their order."""
    hints = get_type_hints(row, include_extras=True)
    return [getattr(hints[name], "__metadata__", (name,))[0] for name in row._fields]


def _as_taken(value: Value) -> Value:
    """A list of keys is an array for PostgreSQL, and a JSON text for SQLite."""
    return json.dumps(value) if isinstance(value, list) and connection.vendor == "sqlite" else value
