"""Work that waits is done once, whoever dies over it."""

from __future__ import annotations

import os
import signal
import threading
import traceback
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from django.db import connections, transaction

from fulfilment import work
from fulfilment.core.problems import Conflict
from fulfilment.models import Event, Job
from fulfilment.services import events, jobs
from tests.world import ADA

if TYPE_CHECKING:
    from collections.abc import Callable

    from fulfilment.services.jobs import Claim

pytestmark = pytest.mark.django_db(transaction=True)

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
AFTER_THE_LEASE = NOW + jobs.LEASE + timedelta(seconds=1)


@pytest.fixture(autouse=True)
def _only_what_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "SWEEPS", ())


def does(monkeypatch: pytest.MonkeyPatch, **steps: Callable[[Claim, datetime], Callable[[], object] | None]) -> None:
    monkeypatch.setattr(work, "DO", steps)


def ask(kind: str, *subjects: str) -> None:
    with transaction.atomic():
        for subject in subjects:
            jobs.add(kind, subject=subject, due_at=NOW)


def note(one: Claim, now: datetime) -> Callable[[], object]:
    """The effect of these jobs: a line that says it was done."""
    return lambda: events.record("done", subject=one.subject, by="worker", at=now)


def dies(_: Claim, now: datetime) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def dies_while_writing(one: Claim, now: datetime) -> Callable[[], object]:
    def effect() -> None:
        events.record("done", subject=one.subject, by="worker", at=now)
        os.kill(os.getpid(), signal.SIGKILL)

    return effect


def done() -> Counter[str]:
    return Counter(Event.objects.filter(kind="done").values_list("subject", flat=True))


def in_child(do: Callable[[], object]) -> int:
    """Start a process of our own that does this; its number."""
    connections.close_all()
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        do()
        code = 0
    except BaseException:  # noqa: BLE001 - a forked test process must not run the tests that follow
        traceback.print_exc()
    finally:
        os._exit(code)


def ended(pid: int) -> int:
    """Its exit code, or minus the signal that ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def test_asked_twice_it_is_done_once(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    ask("note", "a")
    ask("note", "a")
    assert Job.objects.get().wanted == 2
    assert work.drain(now=NOW) == 1
    assert (done(), work.drain(now=NOW)) == ({"a": 1}, 0)


def test_what_is_taken_back_was_never_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    with transaction.atomic():
        jobs.add("note", subject="a", due_at=NOW)
        transaction.set_rollback(True)
    assert work.drain(now=NOW) == 0


def test_what_is_due_later_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    with transaction.atomic():
        jobs.add("note", subject="a", due_at=NOW + timedelta(hours=2))
        jobs.add("note", subject="a", due_at=NOW + timedelta(hours=1))
        jobs.add("note", subject="a", due_at=NOW + timedelta(hours=3))
    assert work.drain(now=NOW + timedelta(minutes=59)) == 0
    assert work.drain(now=NOW + timedelta(minutes=60)) == 1


def test_a_wish_that_comes_while_it_is_done_is_done_after(monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[int] = []

    def step(one: Claim, now: datetime) -> Callable[[], object]:
        begun.append(one.wanted)
        if len(begun) == 1:
            ask("note", "a")
        return note(one, now)

    does(monkeypatch, note=step)
    ask("note", "a")
    assert work.drain(now=NOW) == 2
    assert (begun, done()) == ([1, 2], {"a": 2})


@pytest.mark.parametrize("step", [dies, dies_while_writing])
def test_a_worker_that_is_killed_leaves_it_to_the_next(
    monkeypatch: pytest.MonkeyPatch, step: Callable[[Claim, datetime], Callable[[], object] | None]
) -> None:
    ask("note", "a")
    does(monkeypatch, note=step)
    assert ended(in_child(lambda: work.drain(now=NOW))) == -signal.SIGKILL
    does(monkeypatch, note=note)
    assert work.drain(now=NOW) == 0, "it is leased still"
    assert done() == {}
    assert work.drain(now=AFTER_THE_LEASE) == 1
    assert done() == {"a": 1}


def test_a_worker_that_is_killed_after_its_commit_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    ask("note", "a")

    def drain_and_die() -> None:
        work.drain(now=NOW)
        os.kill(os.getpid(), signal.SIGKILL)

    assert ended(in_child(drain_and_die)) == -signal.SIGKILL
    assert work.drain(now=AFTER_THE_LEASE) == 0
    assert done() == {"a": 1}


def test_whoever_lost_the_lease_writes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ben's worker is slow; its lease runs out and Ada's does the job while Ben's still computes."""
    slow = [True]

    def step(one: Claim, now: datetime) -> Callable[[], object]:
        if slow.pop() if slow else False:
            assert work.drain(now=AFTER_THE_LEASE) == 1
        return note(one, now)

    does(monkeypatch, note=step)
    ask("note", "a")
    work.drain(now=NOW)
    assert Event.objects.get(kind="done").at == AFTER_THE_LEASE
    job = Job.objects.get()
    assert (job.planned, job.lease, job.attempts) == (job.wanted, "", 0)


def test_many_drains_at_once_do_each_thing_once(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    wanted = [f"n{number}" for number in range(240)]
    ask("note", *wanted)

    def drain() -> None:
        while work.drain(now=NOW, limit=30):
            pass

    def in_thread() -> None:
        try:
            drain()
        finally:
            connections.close_all()

    children = [in_child(drain) for _ in range(3)]
    threads = [threading.Thread(target=in_thread) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [ended(child) for child in children] == [0, 0, 0]
    assert done() == dict.fromkeys(wanted, 1)
    assert not Job.objects.exclude(attempts=0).exists()


def test_a_job_that_kills_its_worker_three_times_is_parked_and_nobody_else_is(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note, poison=dies)
    with transaction.atomic():
        jobs.add("note", subject="before", due_at=NOW - timedelta(seconds=2))
        jobs.add("poison", due_at=NOW - timedelta(seconds=1))
        for name in ("after", "later", "last"):
            jobs.add("note", subject=name, due_at=NOW)
    now, kills = NOW, 0
    for _ in range(12):
        kills += ended(in_child(lambda now=now: work.drain(now=now))) == -signal.SIGKILL  # type: ignore[misc]  # bound early
        now += jobs.LEASE + timedelta(seconds=1)
    assert kills == 3
    poison = Job.objects.get(kind="poison")
    assert poison.parked_at is not None
    assert poison.last_error
    assert done() == {"before": 1, "after": 1, "later": 1, "last": 1}
    assert Event.objects.filter(kind="job_parked", data__kind="poison").count() == 1

    with transaction.atomic():
        jobs.add("poison", due_at=now)
    assert work.drain(now=now) == 0, "only a person lets it run again"
    does(monkeypatch, note=note, poison=note)
    jobs.retry("poison", by=ADA, now=now)
    assert work.drain(now=now) == 1
    with pytest.raises(Conflict):
        jobs.retry("poison", by=ADA, now=now)


def test_a_job_that_fails_is_tried_later_and_parked_the_third_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_: Claim, now: datetime) -> None:
        raise ValueError("dai@example.org")

    does(monkeypatch, note=note, broken=fails)
    ask("broken", "x")
    ask("note", "a")
    work.drain(now=NOW)
    job = Job.objects.get(kind="broken")
    assert (job.due_at, job.parked_at, job.last_error) == (NOW + jobs.FIRST_PAUSE, None, "ValueError")
    assert done() == {"a": 1}
    assert work.drain(now=NOW) == 0
    work.drain(now=NOW + timedelta(minutes=1))
    work.drain(now=NOW + timedelta(minutes=5))
    job.refresh_from_db()
    assert (job.attempts, job.parked_at) == (3, NOW + timedelta(minutes=5))


def test_a_job_that_cannot_be_done_yet_is_never_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    def moved(_: Claim, now: datetime) -> None:
        raise jobs.NotYet(now + timedelta(minutes=1))

    does(monkeypatch, note=moved)
    ask("note", "a")
    for minute in range(6):
        work.drain(now=NOW + timedelta(minutes=minute))
    job = Job.objects.get()
    assert (job.attempts, job.parked_at, job.due_at) == (0, None, NOW + timedelta(minutes=6))


def test_a_drain_stops_at_its_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    does(monkeypatch, note=note)
    ask("note", *(f"n{number}" for number in range(7)))
    assert [work.drain(now=NOW, limit=3) for _ in range(4)] == [3, 3, 1, 0]
