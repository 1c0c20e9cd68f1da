"""Plain words as HTML: paragraphs, lists, links.

What a mail says is written once, as plain text; this is the same words in elements, so that the two parts of a mail
cannot say different things.  A blank line ends a paragraph, lines that begin with ``- `` are a list, and all else is
escaped.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import groupby

from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from fulfilment.out import inlining


@lru_cache(maxsize=512)
def as_html(words: str) -> SafeString:
    """Paragraphs and lists, with the mails' styles."""
    found: list[str] = []
    for paragraph in words.strip().split("\n\n"):
        lines = [line.strip() for line in paragraph.splitlines() if line.strip()]
        for listed, group in groupby(lines, key=lambda line: line.startswith("- ")):
            if listed:
                items = "".join(f"<li>{escape(line[2:])}</li>" for line in group)
                found.append(f"<ul>{items}</ul>")
            else:
                found.append(f"<p>{escape(' '.join(group))}</p>")
    return mark_safe(inlining.style("".join(found)))  # noqa: S308 - every piece of text in it was escaped above
