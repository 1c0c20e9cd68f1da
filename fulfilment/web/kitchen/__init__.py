"""A kitchen's own page by signed link: ``overview``, a ``day`` of it, ``adding`` to it, the ``usual``, ``answers`` to
what it is told of a line; and ``links``, where the office ends links.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fulfilment.web.kitchen import adding, answers, day, links, overview, usual

if TYPE_CHECKING:
    from django.urls import URLPattern

# Fixed words before days.
PAGES: list[URLPattern] = [
    *links.PAGES, *overview.PAGES, *adding.PAGES, *usual.PAGES, *answers.PAGES, *day.PAGES,
]  # fmt: skip
