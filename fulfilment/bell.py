"""The doorbell: tells whoever drains the queue that a row has come.

Stands below everything and imports nothing, so that any service may ring it.  What ringing does is set once at
start-up: nothing where `manage.py work` looks by itself, a message on Redis where Celery does the work.  A lost,
doubled or late bell changes nothing, since the row is the truth.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable


def _nobody() -> None:
    """There is no broker: the working process looks every moment."""


_answer: Callable[[], None] = _nobody


def hang(answer: Callable[[], None]) -> None:
    """Decide what ringing does in this process."""
    global _answer
    _answer = answer


def ring() -> None:
    """Say that something is due; returns at once and never fails."""
    _answer()
