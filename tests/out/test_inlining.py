"""Styles are laid into a template once, and its own tags come out as they went in."""

from __future__ import annotations

import re

import pytest

from fulfilment.out import inlining
from fulfilment.out.inlining import FOLDER, inline
from fulfilment.out.wording import as_html

STYLES = "p { margin: 0 } .button { color: #ffffff }"
TEMPLATES = sorted(path.relative_to(FOLDER).as_posix() for path in (FOLDER / "mail").rglob("*.html"))


def test_an_element_gets_its_styles_and_tags_stay_whole() -> None:
    source = '{% if a > b %}<p>{{ x|default:"&" }}</p>{% endif %}<a class="button" href="{{ page }}">go</a>'
    made = inline(source, styles=STYLES)
    assert '{% if a > b %}<p style="margin: 0;">{{ x|default:"&" }}</p>{% endif %}' in made
    assert 'href="{{ page }}"' in made
    assert "color: #ffffff" in made


def test_a_title_keeps_its_tag() -> None:
    page = "<html><head><title>{{ subject }}</title></head><body><p>{{ name }}</p></body></html>"
    assert "<title>{{ subject }}</title>" in inline(page, styles="")


def test_a_tag_inside_a_class_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot choose a class"):
        inline('<p class="a{% if b %} c{% endif %}">x</p>', styles=STYLES)


@pytest.mark.parametrize("name", TEMPLATES)
def test_no_mail_wants_anything_from_elsewhere(name: str) -> None:
    made = inline((FOLDER / name).read_text(), styles=(FOLDER / inlining.STYLES).read_text())
    assert not re.search(r"<(img|link|script|iframe|object|video|audio|form)\b|@import|url\(", made)
    assert "set-aside" not in made
    assert re.findall(r"{%.*?%}|{{.*?}}", made) == re.findall(r"{%.*?%}|{{.*?}}", (FOLDER / name).read_text())


def test_words_become_paragraphs_and_lists_and_nothing_else() -> None:
    made = as_html("Look:\n- a <b>\n- c & d\n\nThen.")
    assert re.sub(r' style="[^"]*"', "", made) == (
        "<p>Look:</p><ul><li>a &lt;b&gt;</li><li>c &amp; d</li></ul><p>Then.</p>"
    )
