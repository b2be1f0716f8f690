"""Tables and the reliability figure of the causes' marks, and where they are written: host/MARKS.md."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from tests.benchmarks.weakness_marks import Mark
from tests.worlds.fault_sessions import CLASSES

__all__ = ["at_least", "figure", "table", "write"]

HOST = Path(__file__).parents[2] / "host"
MARKS, FIGURE = HOST / "MARKS.md", HOST / "weakness_reliability.svg"
BEGIN, END = "<!-- weakness figures: begin -->", "<!-- weakness figures: end -->"
_BINS = ((0.2, 0.5), (0.5, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.97), (0.97, 1.0))
_COLOURS = {0.5: "#246", 0.05: "#a43"}


def at_least(hits: list[bool]) -> float:
    """One-sided lower 95 % binomial bound."""
    return float(binomtest(sum(hits), len(hits), alternative="greater").proportion_ci(0.95).low)


def _at_most(hits: list[bool]) -> float:
    return float(binomtest(sum(hits), len(hits), alternative="less").proportion_ci(0.95).high)


def _share(hits: list[bool], bound: str) -> str:
    if not hits:
        return ""
    end = f"at least {at_least(hits):.0%}" if bound == "low" else f"at most {_at_most(hits):.1%}"
    return f"{np.mean(hits):.1%} ({end})"


def _size(share: float) -> str:
    return {1.0: "full", 0.5: "half", 0.0: ""}.get(share, "0.5 to 1.3")


def table(marks: list[Mark]) -> list[str]:
    """All tables, with one-sided 95 % binomial bounds."""
    rows: dict[tuple[str, str, str], list[Mark]] = defaultdict(list)
    for m in marks:
        rows[m.kind, m.cause, _size(m.share)].append(m)
    lines = [
        "| session | fault | size | n | right | wrong, at 0.8 or more | cannot tell | named | size error, median |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for (kind, cause, size), of in rows.items():
        errors = [m.error for m in of if m.error is not None]
        healthy = cause == "healthy"
        shown = [
            "" if healthy else _share([m.right for m in of], "low"),
            _share([m.wrong for m in of], "high"),
            "" if healthy else f"{np.mean([m.undecided for m in of]):.0%}",
            "" if healthy else _share([m.named for m in of], "low"),
            f"{np.median(errors):.0%}" if errors else "",
        ]
        lines.append(f"| {kind} | {cause.replace('_', ' ')} | {size} | {len(of)} | {' | '.join(shown)} |")
    return [*lines, "", *_intervals(marks), "", *_reliability(marks), "", *_by_cause(marks)]


def _intervals(marks: list[Mark]) -> list[str]:
    inside = [m.inside for m in marks if m.inside is not None]
    lines = []
    if inside:
        ends = binomtest(sum(inside), len(inside)).proportion_ci()
        lines.append(
            f"Stated 90 % intervals of size hold in {np.mean(inside):.0%} ({ends.low:.0%} to {ends.high:.0%}) of"
            f" {len(inside)}."
        )
    reserve = [m.reserve for m in marks if m.reserve is not None]
    if reserve:
        errors = np.abs([r[0] for r in reserve])
        held = [r[1] for r in reserve]
        ends = binomtest(sum(held), len(held)).proportion_ci()
        lines.append(
            f"Reserve: 90 % of {len(reserve)} within {np.quantile(errors, 0.9) * 100:.1f} points of SoC; its 90 %"
            f" interval, {np.median([r[2] for r in reserve]) * 100:.1f} points wide in the middle, holds in"
            f" {np.mean(held):.0%} ({ends.low:.0%} to {ends.high:.0%})."
        )
    return lines


def _weighted(marks: list[Mark], prevalence: float) -> list[tuple[float, bool, str, float]]:
    """Statements of ride and charge: confidence, true, cause, weight, so that `prevalence` of the packs are faulty."""
    of = [m for m in marks if m.kind == CLASSES[0]]
    healthy = sum(m.cause == "healthy" for m in of)
    weights = {True: (1.0 - prevalence) / max(healthy, 1), False: prevalence / max(len(of) - healthy, 1)}
    return [(s.confidence, s.true, s.cause, weights[m.cause == "healthy"]) for m in of for s in m.said]


def bins(marks: list[Mark], prevalence: float) -> list[tuple[float, float, int, float, float]]:
    """Range of stated confidence, statements, mean stated, share true."""
    said = _weighted(marks, prevalence)
    out = []
    for low, high in _BINS:
        here = [s for s in said if low <= s[0] < high]
        if here:
            w = np.array([s[3] for s in here])
            stated, true = (float(np.average([s[k] for s in here], weights=w)) for k in (0, 1))
            out.append((low, high, len(here), stated, true))
    return out


def _reliability(marks: list[Mark]) -> list[str]:
    lines = [
        "Ride and charge, all sizes. Confidence is stated for half of the packs faulty; beside it, one in twenty:",
        "",
        "| stated confidence | statements | mean stated | true, half faulty | true, 5 % faulty |",
        "|---|---|---|---|---|",
    ]
    few = {row[:2]: row[4] for row in bins(marks, 0.05)}
    for low, high, n, stated, true in bins(marks, 0.5):
        lines.append(f"| {low:.2f} to {high:.2f} | {n} | {stated:.2f} | {true:.2f} | {few[low, high]:.2f} |")
    return lines


def _by_cause(marks: list[Mark]) -> list[str]:
    lines = ["| cause stated | statements below 0.8 | mean stated | true | at 0.8 and more | mean stated | true |",
             "|---|---|---|---|---|---|---|"]  # fmt: skip
    said = _weighted(marks, 0.5)
    for cause in sorted({s[2] for s in said}):
        cells = []
        for low, high in ((0.0, 0.8), (0.8, 1.0)):
            here = [s for s in said if s[2] == cause and low <= s[0] < high]
            if here:
                w = [s[3] for s in here]
                stated, true = (np.average([s[k] for s in here], weights=w) for k in (0, 1))
                cells += [str(len(here)), f"{stated:.2f}", f"{true:.2f}"]
            else:
                cells += ["0", "", ""]
        lines.append(f"| {cause.replace('_', ' ')} | {' | '.join(cells)} |")
    return lines


def figure(marks: list[Mark]) -> str:
    """Reliability as a small drawing: a dot on the line means that the confidence means what it says."""
    dots = "".join(
        f'<g fill="{colour}">'
        + "".join(
            f'<circle cx="{40 + 200 * s:.1f}" cy="{220 - 200 * r:.1f}" r="{2 + n**0.5 / 4:.1f}" fill-opacity="0.7"/>'
            for *_, n, s, r in bins(marks, prevalence)
        )
        + "</g>"
        for prevalence, colour in _COLOURS.items()
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 260 260" width="390" role="img" font-family="sans-serif"'
        ' font-size="10"><title>Stated confidence against the share that was true</title>'
        '<path d="M40 20V220H240M40 220L240 20" fill="none" stroke="#777"/>'
        f'{dots}<text x="105" y="248">stated confidence</text>'
        '<text x="14" y="130" transform="rotate(-90 14 130)" text-anchor="middle">share true</text>'
        '<text x="28" y="24">1</text><text x="28" y="223">0</text><text x="237" y="232">1</text>'
        f'<text x="120" y="196" fill="{_COLOURS[0.5]}">half of the packs faulty</text>'
        f'<text x="120" y="210" fill="{_COLOURS[0.05]}">one in twenty faulty</text></svg>\n'
    )


def write(lines: list[str], count: int, first: int, drawing: str) -> None:
    """Between the marks in MARKS.md; the figure beside it."""
    text = MARKS.read_text(encoding="utf-8")
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    intro = f"{count} sessions, numbers from {first}, by `python -m tests.benchmarks.weakness_marks`:"
    MARKS.write_text(text[:a] + "\n" + intro + "\n\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")
    FIGURE.write_text(drawing, encoding="utf-8")
