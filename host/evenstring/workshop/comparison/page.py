"""Before and after as one self-contained page in the look of the report: the answer first, then group by group."""

from __future__ import annotations

from evenstring import __version__
from evenstring.report.drawing.picture import draw
from evenstring.report.sections.section import signed
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import ACTIONS, CAUTIONS, ENDED
from evenstring.workshop.comparison.answer import UNPROVED, Answer, Became
from evenstring.workshop.comparison.compare import Change, Compared, Row
from evenstring.workshop.comparison.picture import pictures
from evenstring.workshop.comparison.quantities import QUANTITIES, Kind

__all__ = ["comparison_page"]

_ACTIONS: dict[str, str] = {str(action): said for action, said in ACTIONS.items()}
_ENDED: dict[str, str] = {str(end): said for end, said in ENDED.items()}


def comparison_page(found: Compared, told: Answer, name: str, about: str) -> str:
    """The page.

    Args:
        found: group by group.
        told: what the answer is.
        name: of the pack.
        about: which recordings, of when.
    """
    kinds = _kinds(found)
    return page_template(asset("comparison.html.j2")).render(
        css=own_css(),
        name=name or "This string",
        about=about,
        told=told,
        became=[_became(b) for b in told.became],
        other_pack=found.other_pack,
        unproved=f"{UNPROVED[0].upper()}{UNPROVED[1:]}." if found.unproved else "",
        figures=_figures(found),
        pictures=[draw(p) for p in pictures(found, told.became)],
        kinds=kinds,
        rows=[_row(r, kinds) for r in found.rows],
        notes=found.cautions,
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def _became(b: Became) -> str:
    kind, c = next(k for k in QUANTITIES if k.key == b.change.quantity), b.change
    moved = f"{_tenths(c.before)} {kind.unit} before, {_tenths(c.after)} {kind.unit} after"
    by = f"{_tenths(c.low)} to {_tenths(c.high)} {kind.unit} (95 %)"
    return f"Group {b.group}, {b.fate}: {moved}, {kind.said}; changed by {by}."


def _figures(found: Compared) -> list[tuple[str, str, str]]:
    before, after = found.spread_mv
    spread = "not known" if after is None else f"{after:.0f} mV"
    was = "" if before is None else f"before: {before:.0f} mV"
    words = [_ACTIONS.get(v, v.replace("_", " ")) for v in found.verdicts]
    ends = [_ENDED.get(e, e).rstrip(".") for e in found.ended]
    return [
        ("verdict now", words[1], f"before: {words[0]}"),
        ("last charge", ends[1], f"before: {ends[0]}"),
        ("spread at the end of the charge", spread, was),
    ]


def _kinds(found: Compared) -> list[Kind]:
    """What is known of any group."""
    return [k for k in QUANTITIES if any(r.of(k.key) for r in found.rows)]


def _row(row: Row, kinds: list[Kind]) -> tuple[str, ...]:
    cells = [cell for kind in kinds for cell in _cells(row.of(kind.key))]
    return (f"{row.group}{' *' if row.clear else ''}", *cells)


def _cells(c: Change | None) -> tuple[str, str, str]:
    if c is None:
        return "not known", "", ""
    return _tenths(c.before), _tenths(c.after), f"{_tenths(c.by)} ± {(c.high - c.low) / 2.0:.1f}"


def _tenths(value: float) -> str:
    """With a sign, and no zero below zero."""
    return signed(f"{value:+z.1f}")
