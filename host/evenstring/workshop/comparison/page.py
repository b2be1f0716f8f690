"""Before and after as one self-contained page in the look of the report: the answer first, then group by group."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from evenstring import __version__
from evenstring.report.drawing.picture import draw
from evenstring.report.sections.section import signed
from evenstring.report.words import ACTIONS, CAUTIONS
from evenstring.text import plain
from evenstring.workshop.comparison.answer import Answer, Became
from evenstring.workshop.comparison.compare import Compared, Row
from evenstring.workshop.comparison.picture import pictures

__all__ = ["comparison_page"]

_UNITS = {"level": "mV from the median group at the end of the charge", "resistance": "% over the median's resistance"}
_ACTIONS: dict[str, str] = {str(action): said for action, said in ACTIONS.items()}


def comparison_page(found: Compared, told: Answer, name: str, about: str) -> str:
    """The page.

    Args:
        found: group by group.
        told: what the answer is.
        name: of the pack.
        about: which recordings, of when.
    """
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, finalize=_shown, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(_asset("comparison.html.j2")).render(
        css=Markup(_asset("page.css")),  # noqa: S704  # our own file
        name=name or "This string",
        about=about,
        told=told,
        became=[_became(b) for b in told.became],
        other_pack=found.other_pack,
        figures=_figures(found),
        pictures=[draw(p) for p in pictures(found, told.became)],
        rows=[_row(r) for r in found.rows],
        notes=found.cautions,
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def _shown(value: Any) -> Any:
    return value if isinstance(value, Markup) else plain(value, 1200)


def _asset(name: str) -> str:
    return files("evenstring.report").joinpath("assets", name).read_text(encoding="utf-8")


def _became(b: Became) -> str:
    low, _, high = b.changed
    moved = f"{b.before:+.1f} before, {b.after:+.1f} after, changed by {low:+.1f} to {high:+.1f} (95 %)"
    return signed(f"Group {b.group}, {b.fate}: {moved}, {_UNITS[b.quantity]}.")


def _figures(found: Compared) -> list[tuple[str, str, str]]:
    before, after = found.spread_mv
    spread = "not known" if after is None else f"{after:.0f} mV"
    was = "" if before is None else f"before: {before:.0f} mV"
    words = [_ACTIONS.get(v, v.replace("_", " ")) for v in found.verdicts]
    return [("spread at the end of the charge", spread, was), ("verdict now", words[1], f"before: {words[0]}")]


def _row(row: Row) -> tuple[str, ...]:
    return (
        f"{row.group}{' *' if row.clear else ''}",
        *_cells(row.departure_mv, row.moved_mv),
        *_cells(row.resistance_percent, row.changed_percent),
    )


def _cells(pair: tuple[float, float] | None, changed: tuple[float, float, float] | None) -> tuple[str, str, str]:
    if pair is None or changed is None:
        return "not known", "", ""
    low, by, high = changed
    return signed(f"{pair[0]:+.1f}"), signed(f"{pair[1]:+.1f}"), signed(f"{by:+.1f} ± {(high - low) / 2.0:.1f}")
