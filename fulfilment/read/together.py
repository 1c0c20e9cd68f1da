"""Several questions answered by one statement, which is written out once and asked many times.

Where many people wait for one row, what costs is not the reading but the asking: a way to the database and back for
each question, and putting it into SQL anew each time.  Here a function says which querysets are wanted; they are
written out once for each shape of what is given (whether there are kits, say), and later only given other values.  Each
question comes back as JSON in a column of one row (:mod:`.prepared` is for one question alone)::

    def questions(*, strains, today):
        return {"keepings": Keeping.objects.filter(strain__in=strains).values_list("grade", "best_before_days"),
                "closed": ClosedDay.objects.filter(on__gte=today).values_list("on")}

    found = together(questions, strains=[1, 2], today=today)
    found["closed"]     # [(date(2026, 5, 1),)]

What is given stands for a value of the statement (a number, a text, a day, an instant) or for many to look among (a
list of numbers or of texts); a tuple is several of these.  ``None``, ``True`` and ``False`` choose what is asked: the
function sees them as they are.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from itertools import count
from typing import Any, Final
from weakref import WeakKeyDictionary

from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import Field, QuerySet
from django.db.models.expressions import RawSQL

from fulfilment.read.prepared import Given

Questions = Callable[..., Mapping[str, "QuerySet[Any, Any]"]]
Convert = Callable[[Any], Any]

_CACHED: Final = 512
_numbers = count(1)
_AS_JSON: Final = {
    "postgresql": "(SELECT COALESCE(json_agg(json_build_array({columns})), '[]')::text FROM ({rows}) AS t)",
    "sqlite": "(SELECT json_group_array(json_array({columns})) FROM ({rows}) AS t)",
}
_AMONG: Final = {
    ("postgresql", "numbers"): "SELECT unnest(%s::bigint[])",
    ("postgresql", "texts"): "SELECT unnest(%s::text[])",
    ("sqlite", "numbers"): "SELECT value FROM json_each(%s)",
    ("sqlite", "texts"): "SELECT value FROM json_each(%s)",
}
_NEVER: Final = frozenset({"BinaryField", "DecimalField", "FloatField", "DurationField"})
"""What JSON does not bring back as it was."""


def together(questions: Questions, /, **given: Any) -> dict[str, list[Any]]:
    """The rows of each question: tuples of a ``values_list``, else model instances."""
    asked = _written(questions, connection.vendor, tuple((name, _shape(value)) for name, value in given.items()))
    values = [_adapted(value) for value in _flat(given.values())]
    found: dict[str, list[Any]] = {name: [] for name in asked.empty}
    if asked.answers:
        with connection.cursor() as cursor:
            _execute(cursor, asked, values)
            row = cursor.fetchone()
        assert row is not None, "a statement of columns has one row"
        for answer, told in zip(asked.answers, row, strict=True):
            found[answer.name] = answer.read(told)
    return found


@dataclass(frozen=True, slots=True)
class _Answer:
    """How a question's column is read: which values to make of JSON's, and the model of whole rows."""

    name: str
    model: Any
    fields: tuple[str, ...]
    converts: tuple[tuple[int, Convert], ...]

    def read(self, told: str) -> list[Any]:
        rows = json.loads(told)
        for place, convert in self.converts:
            for row in rows:
                if row[place] is not None:
                    row[place] = convert(row[place])
        if self.model is None:
            return list(map(tuple, rows))
        return [self.model.from_db(connection.alias, self.fields, row) for row in rows]


@dataclass(frozen=True, slots=True)
class _Asked:
    name: str
    sql: str
    params: tuple[Any, ...]
    answers: tuple[_Answer, ...]
    empty: tuple[str, ...]


_prepared: WeakKeyDictionary[Any, set[str]] = WeakKeyDictionary()
"""Which statements each connection to PostgreSQL knows by name."""


def _execute(cursor: Any, asked: _Asked, values: list[Any]) -> None:
    """On PostgreSQL the statement is prepared once a connection: planning it takes ten times as long as doing it."""
    if connection.vendor != "postgresql":
        cursor.execute(asked.sql, [values[int(p.name)] if isinstance(p, Given) else p for p in asked.params])
        return
    places = sorted({int(each.name) for each in asked.params if isinstance(each, Given)})
    known = _prepared.setdefault(connection.connection, set())
    if asked.name not in known:
        cursor.execute(f"PREPARE {asked.name} AS {_numbered(asked, places)}")
        known.add(asked.name)
    marks = f" ({', '.join(['%s'] * len(places))})" if places else ""
    cursor.execute(f"EXECUTE {asked.name}{marks}", [values[place] for place in places])


def _numbered(asked: _Asked, places: list[int]) -> str:
    """The statement with what is given numbered, and all else written out."""
    from psycopg import sql

    marks = [
        f"${places.index(int(each.name)) + 1}"
        if isinstance(each, Given)
        else sql.Literal(each).as_string(connection.connection)
        for each in asked.params
    ]
    return asked.sql % tuple(marks)


@lru_cache(maxsize=_CACHED)
def _written(questions: Questions, vendor: str, shapes: tuple[tuple[str, Any], ...]) -> _Asked:
    places = count()
    columns, params, answers, empty = [], [], [], []
    for name, asked in questions(**{name: _slotted(shape, places) for name, shape in shapes}).items():
        try:
            compiler = asked.query.get_compiler(connection=connection)
            sql, given = compiler.as_sql(with_col_aliases=True)
        except EmptyResultSet:
            empty.append(name)
            continue
        names = ", ".join(f't."{alias}"' for _, _, alias in compiler.select)
        columns.append(_AS_JSON[vendor].format(columns=names, rows=sql))
        params.extend(given)
        whole = asked.query.default_cols
        answers.append(
            _Answer(
                name,
                asked.model if whole else None,
                tuple(each.target.attname for each, _, _ in compiler.select) if whole else (),
                tuple(_converts((each.output_field for each, _, _ in compiler.select), vendor=vendor)),
            )
        )
    return _Asked(
        f"together_{next(_numbers)}", f"SELECT {', '.join(columns)}", tuple(params), tuple(answers), tuple(empty)
    )


def _shape(value: Any) -> Any:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, tuple):
        return tuple(_shape(each) for each in value)
    if isinstance(value, list):
        return ("texts" if isinstance(value[0], str) else "numbers") if value else "nothing"
    return "value"


def _slotted(shape: Any, places: Iterator[int]) -> Any:
    if shape is None or isinstance(shape, bool):
        return shape
    if isinstance(shape, tuple):
        return tuple(_slotted(each, places) for each in shape)
    value = Given(str(next(places)))
    if shape == "nothing":
        return []
    if shape == "value":
        return value
    return RawSQL(_AMONG[connection.vendor, shape], [value], output_field=Field())  # noqa: S611 - one of the texts above


def _flat(values: Iterable[Any]) -> Iterator[Any]:
    for value in values:
        if isinstance(value, tuple):
            yield from _flat(value)
        elif value is not None and not isinstance(value, bool):
            yield value


def _adapted(value: Any) -> Any:
    if isinstance(value, list):
        return value if connection.vendor == "postgresql" else json.dumps(value)
    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    return connection.ops.adapt_datefield_value(value) if isinstance(value, date) else value


def _converts(fields: Iterable[Any], *, vendor: str) -> Iterator[tuple[int, Convert]]:
    for place, field in enumerate(fields):
        kind = field.get_internal_type()
        assert kind not in _NEVER, f"JSON does not bring a {kind} back as it was"
        if kind == "DateField":
            yield place, date.fromisoformat
        elif kind == "TimeField":
            yield place, time.fromisoformat
        elif kind == "DateTimeField":
            yield place, _instant
        elif kind == "BooleanField":
            yield place, bool
        elif kind == "JSONField" and vendor == "sqlite":
            yield place, json.loads


def _instant(told: str) -> datetime:
    found = datetime.fromisoformat(told)
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
