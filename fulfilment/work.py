"""Draining what waits: the one function behind both bells.

Each call looks for what time itself has made due, then does jobs, sends mails and posts webhooks until ``limit`` things
are done or nothing is left.  Any number of processes on any number of machines may drain at once; a lost, doubled or
late bell changes nothing, since the rows are the truth.

A job goes in three steps: claimed and committed alone; computed outside any transaction; its effect and its being done
committed together, only while the lease is still ours.  A step in ``DO`` returns the effect as a function, or nothing
where what it did was in commits of its own and may be repeated unharmed.
"""

from __future__ import annotations

from datetime import timedelta
from time import monotonic
from typing import TYPE_CHECKING, Final

import structlog
from django.db import transaction

from fulfilment.core.problems import Problem
from fulfilment.out import emails
from fulfilment.out import webhooks as posting
from fulfilment.services import jobs, mails, webhooks

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from fulfilment.models import Mail
    from fulfilment.services.jobs import Claim

    Effect = Callable[[], object]
    Step = Callable[[Claim, datetime], Effect | None]
    Sweep = Callable[[datetime], object]

log = structlog.get_logger(__name__)

BATCH: Final = 25
"""Jobs or mails under one lease: enough to make the claim cheap, few enough to be over long before it ends."""

MOMENT_S: Final = 0.1
"""For how long an accepted mail may stand unmarked: a commit for each would be most of the time that mails take."""


class Overtaken(Exception):
    """The lease ran out while the work was done and somebody else has it now; what we would have written is dropped."""


def drain(*, now: datetime, limit: int = 100) -> int:
    """Do what is due at ``now``, up to ``limit`` things; how many were done, so that 0 means: nothing is left."""
    for look in SWEEPS:
        look(now)
    done, begun = 0, monotonic()
    while done < limit:
        some = min(BATCH, limit - done)
        step = _some_jobs(now=now, limit=some) + _some_mails(now=now, limit=some)
        # A long job has passed meanwhile, and these leases are short.
        step += _some_webhooks(now=now + timedelta(seconds=monotonic() - begun))
        if not step:
            break
        done += step
    return done


# ---- Jobs -----------------------------------------------------------------------------------------------------------


def _some_jobs(*, now: datetime, limit: int) -> int:
    claimed = jobs.claim(DO, now=now, limit=limit)
    started = monotonic()
    for place, one in enumerate(claimed):
        if place and monotonic() - started > jobs.LEASE.total_seconds() / 3:
            # The first ones took long: rather give the rest back than hold them under a lease that may run out.
            jobs.put_back(claimed[place:])
            return place
        _do(one, now=now)
    return len(claimed)


def _do(one: Claim, *, now: datetime) -> None:
    try:
        effect = DO[one.kind](one, now)
        with transaction.atomic():
            if effect is not None:
                effect()
            # Last, so that nobody who asks for more of this work waits for the effect to be written.
            if not jobs.finish(one, now=now):
                raise Overtaken
    except Overtaken:
        log.warning("job_overtaken", kind=one.kind, subject=one.subject)
    except jobs.NotYet as not_yet:
        jobs.put_back([one], due_at=not_yet.due_at)
    except Exception as error:
        # One job's failure must not stop the others; it is counted and shown.
        log.exception("job_failed", kind=one.kind, subject=one.subject, attempts=one.attempts)
        jobs.fail(one, error=_in_short(error), now=now)


def _in_short(error: Exception) -> str:
    """What a person is shown: our own sentences whole; of anything else the kind, since its words may hold anything."""
    return f"{type(error).__name__}: {error.sentence}" if isinstance(error, Problem) else type(error).__name__


# ---- Mails ----------------------------------------------------------------------------------------------------------


def _some_mails(*, now: datetime, limit: int) -> int:
    """Claim, talk, mark; marked within a moment of being accepted, so that a crash repeats that moment's at most."""
    claimed = mails.claim(now=now, limit=limit)
    if not claimed:
        return 0
    begun = marked = monotonic()
    patience = begun + mails.LEASE.total_seconds() / 2
    touched = 0
    accepted: list[Mail] = []
    until: datetime | None = None
    for mail, outcome in emails.send(claimed, now=now, go_on=lambda: monotonic() < patience):
        if outcome.result is emails.Result.NO_SERVER:
            until = now + mails.SERVER_PAUSE
            log.warning("mail_server_away", error=outcome.error)
            break
        touched += 1
        if outcome.result is emails.Result.SENT:
            accepted.append(mail)
        elif outcome.result is emails.Result.UNKNOWN:
            mails.unanswered(mail, now=now)
        else:
            passing = outcome.result is emails.Result.LATER
            mails.refused(mail, error=outcome.error, passing=passing, now=now)
        if monotonic() - marked > MOMENT_S:
            mails.sent(accepted, now=now)
            accepted, marked = [], monotonic()
    mails.sent(accepted, now=now)
    mails.put_back(claimed[touched:], until=until)
    return touched


# ---- Webhooks -------------------------------------------------------------------------------------------------------


def _some_webhooks(*, now: datetime) -> int:
    """Claim a turn for each endpoint that has something due, post to all of them at once, mark each endpoint's own."""
    turns = webhooks.claim(now=now)
    if not turns:
        return 0
    begun = monotonic()
    touched = 0
    for turn, results in posting.post(turns, now=now):
        webhooks.settle(turn, results, now=now + timedelta(seconds=monotonic() - begun))
        touched += len(results)
    return touched


# ---- What is due, and who does it -----------------------------------------------------------------------------------


def _nights_due(now: datetime) -> None:
    from fulfilment.services import nights

    nights.due(now=now)


def _freezes_due(now: datetime) -> None:
    from fulfilment.services import freezing

    freezing.due(now=now)


def _care_due(now: datetime) -> None:
    from fulfilment.services import caring

    caring.due(now=now)


def _replan(_: Claim, now: datetime) -> None:
    from fulfilment.services import doubts, freezing, planning

    planning.replan(now=now)
    freezing.follow_plan(now=now)
    doubts.follow_plan(now=now)


def _night(one: Claim, now: datetime) -> None:
    from fulfilment.services import nights

    nights.run(one.subject, now=now)


def _freeze(one: Claim, now: datetime) -> None:
    from fulfilment.services import freezing

    freezing.freeze(one.subject, now=now)


SWEEPS: tuple[Sweep, ...] = (_nights_due, _freezes_due, _care_due)
DO: Mapping[str, Step] = {"replan": _replan, "night": _night, "freeze": _freeze}
"""The kind of a job → who does it.  Imported when first needed: a process that only mails loads no solver."""
