"""The mails' templates, with their style sheet written into the elements once, when a template is loaded.

Many mail programs drop style sheets, so each element carries its own styles.  To work that out for each mail would cost
more than all else about it.  Here it is worked out for each template: the tags of the template language are set
aside as comments (as words inside an element's own brackets or a title), the style sheet is written into the elements
around them, and the tags are put back.  A rule can therefore look at an element and its classes, and at what stands
around it in the same file, but not across files.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import css_inline
from django.template import Context, Engine
from django.template.loaders.filesystem import Loader as FilesystemLoader

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.template.base import Origin

FOLDER: Final = Path(__file__).resolve().parent.parent / "templates"
STYLES: Final = "mail/mail.css"

_TAG: Final = re.compile(r"{%.*?%}|{{.*?}}|{#.*?#}", re.DOTALL)
_IN_CLASS: Final = re.compile(r'class="[^"]*{[{%][^"]*"')
_ASIDE: Final = re.compile(r"<!--set-aside-(\d+)-->|set-aside-(\d+)-")


class Loader(FilesystemLoader):
    """Templates from the folder; those for HTML come with their styles in place."""

    def get_contents(self, origin: Origin) -> str:
        source = super().get_contents(origin)
        return inline(source, styles=_styles()) if str(origin.name).endswith(".html") else source


def render(template: str, facts: Mapping[str, object]) -> str:
    """A mail's template with its facts.  What is given is escaped in HTML and left as it is in plain text."""
    context = Context(dict(facts), autoescape=template.endswith(".html"), use_l10n=False, use_tz=False)
    return _engine().get_template(template).render(context)


def inline(source: str, *, styles: str) -> str:
    """A template's source, whole page or part of one, with the styles in its elements.

    :class:`ValueError` where a tag stands inside a class: which rules hold would only be known when it is rendered.
    """
    if wrong := _IN_CLASS.search(source):
        raise ValueError(f"A template's tag cannot choose a class, since styles are laid before it is read: {wrong[0]}")
    tags: list[str] = []

    def set_aside(found: re.Match[str]) -> str:
        before = source[: found.start()]
        # Inside an element's own brackets or a title a comment would be words.
        inside = before.rfind("<") > before.rfind(">") or before.rfind("<title") > before.rfind("</title")
        tags.append(found.group())
        return f"set-aside-{len(tags) - 1}-" if inside else f"<!--set-aside-{len(tags) - 1}-->"

    def put_back(found: re.Match[str]) -> str:
        return tags[int(found[1] or found[2])]

    bare = _TAG.sub(set_aside, source)
    inliner = css_inline.CSSInliner(inline_style_tags=False, keep_style_tags=True, extra_css=styles)
    whole = "<html" in bare
    return _ASIDE.sub(put_back, inliner.inline(bare) if whole else inliner.inline_fragment(bare, styles))


def style(fragment: str) -> str:
    """Finished HTML, with no template's tags in it, with the mails' styles in its elements."""
    return css_inline.CSSInliner(inline_style_tags=False).inline_fragment(fragment, _styles())


@lru_cache(maxsize=1)
def _engine() -> Engine:
    return Engine(
        dirs=[str(FOLDER)],
        loaders=[("django.template.loaders.cached.Loader", [("fulfilment.out.inlining.Loader", [str(FOLDER)])])],
    )


@lru_cache(maxsize=1)
def _styles() -> str:
    return (FOLDER / STYLES).read_text(encoding="utf-8")
