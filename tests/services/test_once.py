"""Asked a hundred times, done once; what was refused stays refused, what broke may be asked again."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from django.db import connection, connections

from fulfilment.core.problems import Conflict, Invalid
from fulfilment.models import CareMail, Event, Once
from fulfilment.services import events, once
from fulfilment.services.once import Answer, Refused, perform
from tests.world import NOW

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.django_db(transaction=True)


MADE = Answer(201, b'{"b": 1, "a": 2}', {"Location": "/x"})


def make(answer: Answer = MADE) -> Callable[[], Answer]:
    def action() -> Answer:
        events.record("made", subject="x", by="test", at=NOW)
        return answer

    return action


def ask(action: Callable[[], Answer], *, owner: str = "key:ada", key: str = "k", fingerprint: str = "f") -> Answer:
    return perform(owner, key=key, fingerprint=fingerprint, action=action, now=NOW)


def made() -> int:
    return Event.objects.filter(kind="made").count()


def test_the_second_time_the_stored_answer_comes_byte_for_byte() -> None:
    first, second = ask(make()), ask(make(Answer(201, b"another")))
    assert first == second == MADE
    assert made() == 1


def test_another_body_under_the_same_key_is_refused() -> None:
    ask(make())
    with pytest.raises(Invalid) as told:
        ask(make(), fingerprint="g")
    assert (told.value.reason_code, made()) == ("key_reused", 1)


def test_a_key_is_its_owners() -> None:
    ask(make())
    ask(make(), owner="key:eve", fingerprint="g")
    assert made() == 2


def test_a_refusal_takes_its_effects_back_and_is_kept() -> None:
    def refuse() -> Answer:
        make()()
        raise Refused(Answer(409, b"no"))

    assert ask(refuse) == ask(make()) == Answer(409, b"no")
    assert made() == 0


def test_what_breaks_keeps_nothing_and_may_be_sent_again() -> None:
    def break_down() -> Answer:
        make()()
        raise RuntimeError("a bug")

    with pytest.raises(RuntimeError):
        ask(break_down)
    assert (made(), Once.objects.count()) == (0, 0)
    assert ask(make()).status == 201


def test_an_unknown_reference_is_refused_as_such() -> None:
    """Both databases look at foreign keys when all is written."""

    def refer() -> Answer:
        CareMail.objects.create(kit_id=404_404, step="ready", due_at=NOW)
        return Answer(201, b"")

    with pytest.raises(Invalid) as told:
        ask(refer)
    assert told.value.reason_code == "unknown_reference"
    assert (CareMail.objects.count(), Once.objects.count()) == (0, 0)


def test_a_hundred_at_once_are_one() -> None:
    answers: list[Answer] = []
    together = threading.Barrier(100)

    def one() -> None:
        together.wait()
        try:
            answers.append(ask(make()))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=one) for _ in range(100)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made() == 1
    assert answers == [answers[0]] * 100


def test_a_rival_of_a_slow_one_is_told_to_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    if connection.vendor != "postgresql":
        pytest.skip("one writer at a time here: the rival waits for the whole file")
    monkeypatch.setattr(once, "WAIT_MS", 50)
    inside, told = threading.Event(), threading.Event()

    def slow() -> Answer:
        inside.set()
        assert told.wait(20)
        return make()()

    def first() -> None:
        try:
            ask(slow)
        finally:
            connections.close_all()

    thread = threading.Thread(target=first)
    thread.start()
    assert inside.wait(20)
    with pytest.raises(Conflict) as refused:
        ask(make())
    told.set()
    thread.join()
    assert refused.value.reason_code == "in_progress"
    assert ask(make()).status == 201
    assert made() == 1


def test_old_records_are_forgotten() -> None:
    ask(make())
    assert once.forget(before=NOW) == 0
    assert once.forget(before=NOW + timedelta(seconds=1)) == 1
    ask(make())
    assert made() == 2
