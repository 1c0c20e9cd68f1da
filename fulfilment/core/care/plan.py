"""From a kit's milestones to its mails, and from the mails planned to what must change.

Three questions, each a function without a clock of its own:

* :func:`dates`: which steps does one kit call for, as things stand, and at which instant?
* :func:`changes`: one person's planned mails against those steps: keep, move, cancel, add, or mark late.
* :func:`dispatch`: of one person's mails that are due, which leave now?

The rules.  A mail sent or being sent is never touched, and its step never comes again.  Order and safety mails go at
once.  Care mails go from 08:00 to 20:00 on the holder's wall clock, one a day (kits of one order at one step share it);
where two want a day the later one takes the next free day.  Three days after its wanted instant a care mail is dropped.
Of the steps of one kit that are due together, as after an outage, only the newest goes.  What is planned and still
wanted keeps its day, so that asking twice changes nothing: after its changes are applied, ``changes`` is empty.

Worked example: Dai started a pearl kit on 1 March, so "look for pins" is planned for the 8th.  On the 6th she reports
pins: that mail is cancelled, doubling is added for the 7th, ready for the 10th, and the misting mail of the 3rd, which
was sent, stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from fulfilment.core.calendar import farm_day, instant, zone_of
from fulfilment.core.care.events import GROWTH, EventKind, KitEvent, KitStage, standing
from fulfilment.core.care.programme import CLOSES, OPENS, PROGRAMME, Anchor, CareStep, MailKind
from fulfilment.core.care.timeline import KitCare, Milestone, milestones, of_this_order

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from fulfilment.core.care.profiles import KitProfile, Warmth

LATEST: Final = timedelta(days=3)
"""How late a care mail may go."""


class MailStatus(StrEnum):
    PLANNED = "planned"
    SENDING = "sending"
    SENT = "sent"
    CANCELLED = "cancelled"
    LATE = "late"
    UNKNOWN = "unknown"
    FAILED = "failed"


_MAY_HAVE_GONE: Final = frozenset({MailStatus.SENDING, MailStatus.SENT, MailStatus.UNKNOWN})


@dataclass(frozen=True, slots=True)
class DueStep:
    """A step of the programme that a kit calls for, at the instant the programme wants."""

    kit_id: int
    order_id: int
    person: str
    zone: str
    step: CareStep
    cycle: int
    due_at: datetime


@dataclass(frozen=True, slots=True)
class PlannedMail:
    """The row a planned mail is stored in: one for each kit, step and cycle (unique unless cancelled).

    ``wanted_at`` is what the programme asks for, ``due_at`` when it will go (another day where the holder already gets
    a mail that day).  Rows of one ``envelope`` that leave together are one mail: kits of one order at one step.
    """

    kit_id: int
    order_id: int
    step: str
    cycle: int
    person: str
    zone: str
    kind: MailKind
    template: str
    wanted_at: datetime
    due_at: datetime
    envelope: str
    status: MailStatus = MailStatus.PLANNED
    sent_at: datetime | None = None
    """When it was first handed over for sending."""
    mail_id: int | None = None

    @property
    def key(self) -> tuple[int, str, int]:
        return (self.kit_id, self.step, self.cycle)


@dataclass(frozen=True, slots=True)
class Move:
    """``row`` as it was, and the row it becomes."""

    row: PlannedMail
    to: PlannedMail


@dataclass(frozen=True, slots=True)
class Changes:
    """What turns one person's rows into the plan of now.  Rows that are not planned any more are in none of these."""

    keep: tuple[PlannedMail, ...] = ()
    move: tuple[Move, ...] = ()
    cancel: tuple[PlannedMail, ...] = ()
    add: tuple[PlannedMail, ...] = ()
    late: tuple[PlannedMail, ...] = ()

    @property
    def nothing(self) -> bool:
        return not (self.move or self.cancel or self.add or self.late)


@dataclass(frozen=True, slots=True)
class Dispatch:
    """What happens to one person's due mails: rows that leave together, rows too late, rows that wait."""

    send: tuple[tuple[PlannedMail, ...], ...] = ()
    late: tuple[PlannedMail, ...] = ()
    wait: tuple[Move, ...] = ()


def dates(kit: KitCare, programme: Sequence[CareStep] = PROGRAMME) -> tuple[DueStep, ...]:
    """The steps the kit calls for as things stand, by instant; past ones too, since they may have been sent or not."""
    stands = standing(kit.events)
    days = milestones(kit)
    events = of_this_order(kit.events)
    silent = stands.paused or stands.troubled or kit.unsubscribed or not kit.holder
    due: list[DueStep] = []
    for step in programme:
        if step.mail is MailKind.CARE and silent:
            continue
        person = kit.buyer if step.mail is MailKind.ORDER else kit.holder or kit.buyer
        for cycle in step.cycles:
            milestone = days.get((Anchor.START_ON, 1)) if _asks_for_a_start(step) else None
            milestone = milestone or days.get((step.anchor, cycle))
            if milestone is None or not _is_called_for(step, cycle, stands.stage, stands.cycle, events):
                continue
            due_at = _due_at(step, milestone, kit.zone)
            if due_at is not None:
                due.append(DueStep(kit.kit_id, kit.order_id, person, kit.zone, step, cycle, due_at))
    return tuple(sorted(due, key=lambda each: each.due_at))


def changes(rows: Iterable[PlannedMail], due: Iterable[DueStep], *, now: datetime) -> Changes:
    """What must change in the rows of one person, given the steps of all kits of that person."""
    rows = tuple(rows)
    planned = {row.key: row for row in rows if row.status is MailStatus.PLANNED}
    done = {row.key: row for row in rows if row.status not in {MailStatus.PLANNED, MailStatus.CANCELLED}}
    wanted = {mail.key: mail for mail in map(_as_mail, due) if mail.key not in done}
    cancel = tuple(row for key, row in planned.items() if key not in wanted)
    dropped = _stale(wanted.values(), done.values(), now=now)
    placed = _place([mail for key, mail in wanted.items() if key not in dropped], planned, rows, now=now)

    keep: list[PlannedMail] = []
    move: list[Move] = []
    add: list[PlannedMail] = []
    late: list[PlannedMail] = []
    for key in wanted:
        row, to = planned.get(key), placed.get(key)
        if to is None:
            late += [row] if row else []
        elif row is None:
            add.append(to)
        elif row == replace(to, mail_id=row.mail_id):
            keep.append(row)
        else:
            move.append(Move(row, replace(to, mail_id=row.mail_id)))
    return Changes(tuple(keep), tuple(move), cancel, tuple(add), tuple(late))


def dispatch(rows: Iterable[PlannedMail], *, now: datetime) -> Dispatch:
    """Of one person's rows (all of them: what has gone today counts), which due ones leave now.

    The sender marks the rows of ``send`` and commits before it talks to anybody; ``wait`` gives the rows their next
    instant, so that a drain does not meet them again before it.
    """
    rows = tuple(rows)
    due = [row for row in rows if row.status is MailStatus.PLANNED and row.due_at <= now]
    at_once: dict[str, list[PlannedMail]] = {}
    for row in due:
        if row.kind is not MailKind.CARE:
            at_once.setdefault(row.envelope, []).append(row)
    care = [row for row in due if row.kind is MailKind.CARE]
    gone = [row for row in rows if row.status in _MAY_HAVE_GONE]
    newest = _newest([*care, *(row for row in gone if row.kind is MailKind.CARE)])
    late = [row for row in care if now - row.wanted_at > LATEST or (row.wanted_at, row.due_at) < newest[row.kit_id]]
    care = sorted((row for row in care if row not in late), key=lambda row: (row.wanted_at, row.order_id, row.step))
    send = [tuple(group) for group in at_once.values()]
    wait: list[Move] = []
    if care:
        first = care[0]
        opens = next_opening(now, zone=first.zone)
        if opens == now and farm_day(now, first.zone) not in _days_taken(rows):
            send.append(tuple(row for row in care if row.envelope == first.envelope))
            care = [row for row in care if row.envelope != first.envelope]
        wait = [Move(row, replace(row, due_at=_next_try(row, opens=opens, now=now))) for row in care]
    return Dispatch(tuple(send), tuple(late), tuple(wait))


def next_opening(now: datetime, *, zone: str) -> datetime:
    """``now`` where care mails may go now, else the next instant from which they may."""
    local = now.astimezone(zone_of(zone))
    if OPENS <= local.time() < CLOSES:
        return now
    day = local.date() if local.time() < OPENS else local.date() + timedelta(days=1)
    return instant(day, OPENS, zone)


def rehearse(
    profile: KitProfile,
    *,
    warmth: Warmth,
    sent_on: date,
    zone: str,
    programme: Sequence[CareStep] = PROGRAMME,
    reporting: bool,
    transit_days: int = 2,
) -> tuple[DueStep, ...]:
    """All mails of an invented kit, for a look at a programme before it is used.

    The holder starts it the day it arrives, and then either reports everything in the evening of its likely day or
    nothing more.
    """
    kit = KitCare(0, 0, "buyer", "holder", zone, profile, (), warmth=warmth, transit_days=transit_days)
    met: dict[tuple[str, int], DueStep] = {}
    for kind, cycle in _script(profile, reporting=reporting):
        on = sent_on
        if kind in _REPORTS:
            anchor, back = _REPORTS[kind]
            on = milestones(kit)[anchor, cycle - back].likely
        at = instant(on, CLOSES, zone)
        for each in dates(kit, programme):
            if each.due_at < at:
                met.setdefault((each.step.key, each.cycle), each)
        kit = replace(kit, events=(*kit.events, KitEvent(kind, on, at, cycle)))
    for each in dates(kit, programme):
        met.setdefault((each.step.key, each.cycle), each)
    return tuple(sorted(met.values(), key=lambda each: each.due_at))


_REPORTS: Final[Mapping[EventKind, tuple[Anchor, int]]] = {
    EventKind.STARTED: (Anchor.ARRIVED, 0),
    EventKind.PINS: (Anchor.PINS, 0),
    EventKind.HARVESTED_FIRST: (Anchor.READY, 0),
    EventKind.HARVESTED_ALL: (Anchor.PICKED, 0),
    EventKind.REWATERED: (Anchor.REWATER, 1),
}
"""The milestone on whose likely day an invented holder reports, and how many flushes before it is counted."""


def _script(profile: KitProfile, *, reporting: bool) -> list[tuple[EventKind, int]]:
    script = [(kind, 1) for kind in (EventKind.SEALED, EventKind.SOLD, EventKind.SENT, EventKind.STARTED)]
    for cycle in range(1, profile.flushes + 1) if reporting else ():
        kinds = (EventKind.REWATERED, EventKind.PINS, EventKind.HARVESTED_FIRST, EventKind.HARVESTED_ALL)
        script += [(kind, cycle) for kind in kinds[cycle == 1 :]]
    return script


def _asks_for_a_start(step: CareStep) -> bool:
    """Before the giver's day such a question would be too early."""
    return step.anchor is Anchor.ARRIVED and step.offset_days > 0 and EventKind.STARTED in step.unless


def _is_called_for(step: CareStep, cycle: int, stage: KitStage, running: int, events: Sequence[KitEvent]) -> bool:
    if step.mail is MailKind.CARE:
        if stage is KitStage.REPLACED or (stage is KitStage.FINISHED and step.anchor is not Anchor.END):
            return False
        if step.anchor is not Anchor.END and running > cycle:
            return False
    told = {event.kind for event in events if event.kind not in GROWTH or event.cycle == cycle}
    before = {event.kind for event in events if event.cycle == cycle - 1}
    return (
        (not step.needs or bool(step.needs & told))
        and (not step.needs_before or bool(step.needs_before & before))
        and not step.unless & told
    )


def _due_at(step: CareStep, milestone: Milestone, zone: str) -> datetime | None:
    if step.at is None:
        return milestone.reported_at
    return instant(milestone.at(step.point) + timedelta(days=step.offset_days), step.at, zone)


def _as_mail(due: DueStep) -> PlannedMail:
    day = farm_day(due.due_at, due.zone)
    return PlannedMail(
        kit_id=due.kit_id,
        order_id=due.order_id,
        step=due.step.key,
        cycle=due.cycle,
        person=due.person,
        zone=due.zone,
        kind=due.step.mail,
        template=due.step.template,
        wanted_at=due.due_at,
        due_at=due.due_at,
        envelope=f"{due.order_id}/{due.step.key}/{due.cycle}/{day.isoformat()}",
    )


def _stale(
    wanted: Iterable[PlannedMail], done: Iterable[PlannedMail], *, now: datetime
) -> frozenset[tuple[int, str, int]]:
    """Care mails too late to go, or overtaken: a newer step of the same kit is due as well or has gone."""
    care = [mail for mail in wanted if mail.kind is MailKind.CARE and mail.wanted_at <= now]
    gone = [row for row in done if row.kind is MailKind.CARE and row.status in _MAY_HAVE_GONE]
    newest = {kit: instants[0] for kit, instants in _newest([*care, *gone]).items()}
    return frozenset(mail.key for mail in care if now - mail.wanted_at > LATEST or mail.wanted_at < newest[mail.kit_id])


def _newest(rows: Iterable[PlannedMail]) -> dict[int, tuple[datetime, datetime]]:
    newest: dict[int, tuple[datetime, datetime]] = {}
    for row in rows:
        newest[row.kit_id] = max(newest.get(row.kit_id, (row.wanted_at, row.due_at)), (row.wanted_at, row.due_at))
    return newest


def _days_taken(rows: Iterable[PlannedMail]) -> set[date]:
    """The days on which a care mail has gone, or may have."""
    return {
        farm_day(row.sent_at or row.due_at, row.zone)
        for row in rows
        if row.kind is MailKind.CARE and row.status in _MAY_HAVE_GONE
    }


def _place(
    wanted: Sequence[PlannedMail],
    planned: Mapping[tuple[int, str, int], PlannedMail],
    rows: Sequence[PlannedMail],
    *,
    now: datetime,
) -> dict[tuple[int, str, int], PlannedMail]:
    """Each wanted mail on its instant; a care mail that finds no free day in time is left out."""
    placed = {mail.key: mail for mail in wanted if mail.kind is not MailKind.CARE}
    envelopes: dict[str, list[PlannedMail]] = {}
    for mail in wanted:
        if mail.kind is MailKind.CARE:
            envelopes.setdefault(mail.envelope, []).append(mail)
    kept = {name: _planned_at(mails, planned) for name, mails in envelopes.items()}
    taken = _days_taken(rows)

    def turn(name: str) -> tuple[bool, datetime, str]:
        """Who chooses a day first: what was planned before, then what is wanted first."""
        return (kept[name] is None, kept[name] or envelopes[name][0].wanted_at, name)

    for name in sorted(envelopes, key=turn):
        mails = envelopes[name]
        wanted_at = mails[0].wanted_at
        due_at = _free_instant(wanted_at, kept[name], zone=mails[0].zone, taken=taken, now=now)
        if due_at is not None:
            placed |= {mail.key: replace(mail, due_at=due_at) for mail in mails}
    return placed


def _planned_at(mails: Sequence[PlannedMail], planned: Mapping[tuple[int, str, int], PlannedMail]) -> datetime | None:
    """The instant for which this envelope is already planned."""
    instants = [
        planned[mail.key].due_at
        for mail in mails
        if mail.key in planned and replace(planned[mail.key], due_at=mail.due_at, mail_id=None) == mail
    ]
    return min(instants, default=None)


def _free_instant(
    wanted_at: datetime, kept: datetime | None, *, zone: str, taken: set[date], now: datetime
) -> datetime | None:
    """The first instant for a mail on a day not taken, which it then takes; None where that would be too late.

    A mail that is due already keeps its instant where the day on which it can really go is free.
    """
    begin = kept if kept is not None and kept >= wanted_at else wanted_at
    day = farm_day(max(begin, next_opening(now, zone=zone)), zone)
    last = farm_day(wanted_at + LATEST, zone)
    while day in taken:
        day += timedelta(days=1)
    if day > last:
        return None
    taken.add(day)
    goes_next = begin <= now and day == farm_day(next_opening(now, zone=zone), zone)
    return begin if goes_next or day == farm_day(begin, zone) else _same_time(wanted_at, day, zone=zone)


def _same_time(wanted_at: datetime, day: date, *, zone: str) -> datetime:
    return instant(day, wanted_at.astimezone(zone_of(zone)).time(), zone)


def _next_try(row: PlannedMail, *, opens: datetime, now: datetime) -> datetime:
    """Outside the hours the opening, else the same time tomorrow."""
    if opens != now:
        return opens
    return _same_time(row.wanted_at, farm_day(now, row.zone) + timedelta(days=1), zone=row.zone)
