"""Logs as JSON lines, one event each, with the request's or task's id on every line."""

from __future__ import annotations

import logging.config
from typing import TYPE_CHECKING

import structlog
from structlog.tracebacks import ExceptionDictTransformer

if TYPE_CHECKING:
    from structlog.typing import EventDict, Processor, WrappedLogger

FORMS = ("json", "console")


def _without_request(_: WrappedLogger, __: str, event: EventDict) -> EventDict:
    """A library hands its request along, whose address may be a signed link; ours is named by its route."""
    if not isinstance(event.get("request", ""), str):
        del event["request"]
    return event


def configure(*, level: str, form: str) -> None:
    """Send everything, Python's own logging too, through one formatter to standard error."""
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.stdlib.PositionalArgumentsFormatter(),
    ]
    last: list[Processor] = (
        [structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback)]
        if form == "console"
        else [
            # Where it happened, never what the variables held: that may be somebody's address or a key.
            structlog.processors.ExceptionRenderer(ExceptionDictTransformer(show_locals=False)),
            structlog.processors.JSONRenderer(),
        ]
    )
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
    )
    logging.config.dictConfig(
        {
            "version": 1,
            "disable_existing_loggers": False,
            "formatters": {
                "line": {
                    "()": structlog.stdlib.ProcessorFormatter,
                    "foreign_pre_chain": [*shared, structlog.stdlib.ExtraAdder(), _without_request],
                    "processors": [structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
                }
            },
            "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
            "root": {"handlers": ["stderr"], "level": level if level in logging.getLevelNamesMapping() else "INFO"},
            "loggers": {
                # Each request is one line already, by its route; these would write its address and the link in it.
                "django.server": {"level": "CRITICAL"},
                "django.request": {"level": "CRITICAL"},
                "django.security.csrf": {"level": "CRITICAL"},
                # A bell each second is no news.
                "celery": {"level": "WARNING"},
                "django_structlog.celery": {"level": "WARNING"},
            },
        }
    )
