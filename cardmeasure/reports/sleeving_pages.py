"""The environment of the page templates: everything that comes from outside is escaped, whatever it holds."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from cardmeasure.text import printable, valid_text

if TYPE_CHECKING:
    from jinja2 import Environment

_MARKS = re.compile(r"([\\`*_{}\[\]<>#!|~&])")
_AT_THE_START = re.compile(r"^(\d*)([-+=.)])")


@cache
def html_pages() -> Environment:
    """Templates of HTML pages: text is escaped for HTML."""
    return _environment(autoescape=True)


@cache
def markdown_pages() -> Environment:
    """Templates of Markdown pages: text is escaped for Markdown, HTML within it too."""
    environment = _environment(autoescape=False)
    environment.finalize = _plain_markdown
    return environment


def _environment(*, autoescape: bool) -> Environment:
    from jinja2 import DictLoader, Environment, StrictUndefined

    folder = files("cardmeasure.reports").joinpath("templates")
    pages = {
        page.name: page.read_text(encoding="utf-8") for page in folder.iterdir() if page.name.endswith((".html", ".md"))
    }
    environment = Environment(
        loader=DictLoader(pages), autoescape=autoescape, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["shown"] = lambda text: printable(valid_text(str(text)))
    return environment


def _plain_markdown(value: object) -> object:
    """A value as text that means nothing in Markdown: one line, marks escaped."""
    if not isinstance(value, str):
        return value
    return _AT_THE_START.sub(r"\1\\\2", _MARKS.sub(r"\\\1", printable(valid_text(value))))
