"""The tables of the findings' marks, and where they are written: host/MARKS.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.stats import binomtest

__all__ = ["Collected", "add_by_kind", "table", "write"]

Collected = dict[str, dict[str, list[float]]]  # what is judged -> group of sessions -> marks
MARKS = Path(__file__).parents[2] / "host" / "MARKS.md"
_BY_KIND = "by kind: "
_COLUMNS = {
    "phase boundary": "phase boundary",
    "phases all there, none invented": "phases",
    "how the charge ended": "end of charge",
    "spread inside its 95 % interval, one claim a session": "spread inside its interval",
}
BEGIN, END = "<!-- findings figures: begin -->", "<!-- findings figures: end -->"


def add_by_kind(out: Collected, number: int, kind: str, marks: dict[str, list[tuple[str, float]]]) -> None:
    """The chief marks of a session once more, by its kind and whether it had a current sensor."""
    which = f"{kind.replace('_', ' ')} | {'yes' if number % 2 else 'no'}"
    for what in _COLUMNS:
        out[_BY_KIND + what][which] += [value for _, value in marks.get(what, [])]


def table(marks: Collected) -> list[str]:
    """One row for each thing judged and group of sessions, then one for each kind of session.

    Shares come with their one-sided lower 95 % binomial bound.
    """
    lines = ["| what | of | n | figure | at least (95 %) |", "|---|---|---|---|---|"]
    for what in sorted(w for w in marks if not w.startswith(_BY_KIND)):
        for group in sorted(marks[what]):
            values = np.array(marks[what][group])
            lines.append(f"| {what} | {group} | {len(values)} | {_figure(what, values)} |")
    return [*lines, "", *_kinds(marks)]


def _kinds(marks: Collected) -> list[str]:
    lines = [
        "| kind of session | current | " + " | ".join(_COLUMNS.values()) + " |",
        "|---|---|" + "---|" * len(_COLUMNS),
    ]
    for which in sorted(marks[_BY_KIND + next(iter(_COLUMNS))]):
        cells = [np.array(marks[_BY_KIND + what][which]) for what in _COLUMNS]
        lines.append(f"| {which} | " + " | ".join(_share(c) if len(c) else "" for c in cells) + " |")
    return lines


def _share(values: np.ndarray) -> str:
    return f"{values.mean():.1%} of {len(values)} (at least {_least(values):.1%})"


def _least(values: np.ndarray) -> float:
    return float(binomtest(round(values.sum()), len(values), alternative="greater").proportion_ci(0.95).low)


def _figure(what: str, values: np.ndarray) -> str:
    if "error" in what:
        return f"median {np.median(values):.0%} | "
    if "width" in what:
        return f"median {np.median(values):.1f} | "
    if what.startswith("share"):
        return (
            f"median {np.median(values):.0%}, mean {values.mean():.0%}, least tenth {np.quantile(values, 0.1):.0%} | "
        )
    return f"{values.mean():.1%} | {_least(values):.1%}"


def write(lines: list[str], count: int, first: int) -> None:
    """Put the tables between their two marks."""
    text = MARKS.read_text(encoding="utf-8")
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    intro = f"{count} sessions, numbers {first} on, by `python -m tests.benchmarks.findings_marks`:"
    MARKS.write_text(text[:a] + "\n" + intro + "\n\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")
