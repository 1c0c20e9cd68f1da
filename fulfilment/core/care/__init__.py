"""Kit care: what a kit's holder hears, when, from what has been reported.

:mod:`events` says what may happen to a kit, :mod:`profiles` how long a strain takes, :mod:`timeline` puts both on
days, :mod:`programme` says which mail follows which, :mod:`plan` makes the mails and their changes.
"""

from __future__ import annotations

from fulfilment.core.care.events import EventKind, KitEvent, KitStage, Standing, check, report, standing, state
from fulfilment.core.care.plan import (
    Changes,
    Dispatch,
    DueStep,
    MailStatus,
    Move,
    PlannedMail,
    changes,
    dates,
    dispatch,
    next_opening,
    rehearse,
)
from fulfilment.core.care.profiles import (
    GOLDEN,
    PEARL,
    PINK,
    PROFILES,
    Advice,
    KitProfile,
    Warmth,
    advise,
    room_warning,
)
from fulfilment.core.care.programme import PROGRAMME, Anchor, CareStep, MailKind, Point, check_programme
from fulfilment.core.care.timeline import KitCare, Milestone, expected

__all__ = [
    "GOLDEN",
    "PEARL",
    "PINK",
    "PROFILES",
    "PROGRAMME",
    "Advice",
    "Anchor",
    "CareStep",
    "Changes",
    "Dispatch",
    "DueStep",
    "EventKind",
    "KitCare",
    "KitEvent",
    "KitProfile",
    "KitStage",
    "MailKind",
    "MailStatus",
    "Milestone",
    "Move",
    "PlannedMail",
    "Point",
    "Standing",
    "Warmth",
    "advise",
    "changes",
    "check",
    "check_programme",
    "dates",
    "dispatch",
    "expected",
    "next_opening",
    "rehearse",
    "report",
    "room_warning",
    "standing",
    "state",
]
