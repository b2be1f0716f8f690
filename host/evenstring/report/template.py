"""The one gate from values to a page: everything is plain text and escaped, but for markup that we made ourselves."""

from __future__ import annotations

from importlib.resources import files

import jinja2
from markupsafe import Markup

from evenstring.text import plain

__all__ = ["asset", "own_css", "page_template"]


def page_template(text: str) -> jinja2.Template:
    """Of a page; a name that it is not given is an error of ours, never an empty place."""
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, finalize=_shown, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(text)


def asset(name: str) -> str:
    """Text of one of the files that pages are made of."""
    return files("evenstring.report").joinpath("assets", name).read_text(encoding="utf-8")


def own_css() -> Markup:
    """What all pages look like."""
    return Markup(asset("page.css"))  # noqa: S704  # our own file


def _shown(value: object) -> object:
    return value if isinstance(value, Markup) else plain(value, 1200)
