"""Templates of the pages: autoescape always on, every text cleaned, no clock, no network."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from benchrig.errors import UsageError
from benchrig.judge.verdict import Verdict
from benchrig.report.looks import shape_svg
from benchrig.text import clean
from benchrig.wire.simulated import SENTENCE

# Paper -> CSS page size; "" leaves the paper to the printer.
PAPERS: dict[str, str] = {"": "", "a4": "A4", "letter": "letter"}


def _finalize(value: Any) -> Any:
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return clean(value)


def slug(verdict: object) -> str:
    """``NOT ASSESSED`` as a class name."""
    return str(verdict).lower().replace(" ", "-")


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The one environment of all pages."""
    made = Environment(
        loader=PackageLoader("benchrig.report.html", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["slug"] = slug
    made.filters["shape"] = lambda verdict: drawn(shape_svg(Verdict(verdict)))
    return made


@lru_cache(maxsize=1)
def css() -> Markup:
    """The style sheet, which every page carries."""
    source = resources.files("benchrig.report.html").joinpath("templates/page.css")
    return Markup(source.read_text(encoding="utf-8"))


def page_size(paper: str, *, landscape: bool = False) -> str:
    """The CSS page size of a paper; raises UsageError on a paper it does not know."""
    if paper.lower() not in PAPERS:
        raise UsageError(f"paper {paper!r} is not known; use a4 or letter")
    size = PAPERS[paper.lower()]
    return f"{size} landscape".strip() if landscape else size


def render(template: str, *, simulated: bool, **values: Any) -> str:
    """A whole page; nothing but a word from the records leaves the mark of a simulation out."""
    values.setdefault("page_size", "")
    values["simulation"] = SENTENCE if simulated else ""
    return environment().get_template(template).render(css=css(), **values)


def drawn(svg: str) -> Markup:
    """SVG made by this package, whose texts are escaped already."""
    return Markup(svg)
