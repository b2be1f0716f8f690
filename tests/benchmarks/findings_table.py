"""The tables of the findings' marks, and where they are written: host/METHODS.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.stats import binomtest

__all__ = ["Collected", "table", "write"]

Collected = dict[str, dict[str, list[float]]]  # what is judged -> group of sessions -> marks
METHODS = Path(__file__).parents[2] / "host" / "METHODS.md"
BEGIN, END = "<!-- findings figures: begin -->", "<!-- findings figures: end -->"


def table(marks: Collected) -> list[str]:
    """One row for each thing judged and group of sessions; shares with their one-sided lower 95 % binomial bound."""
    lines = ["| what | of | n | figure | at least (95 %) |", "|---|---|---|---|---|"]
    for what in sorted(marks):
        for group in sorted(marks[what]):
            values = np.array(marks[what][group])
            lines.append(f"| {what} | {group} | {len(values)} | {_figure(what, values)} |")
    return lines


def _figure(what: str, values: np.ndarray) -> str:
    if "error" in what:
        return f"median {np.median(values):.0%} | "
    if "width" in what:
        return f"median {np.median(values):.1f} | "
    if what.startswith("share"):
        return (
            f"median {np.median(values):.0%}, mean {values.mean():.0%}, least tenth {np.quantile(values, 0.1):.0%} | "
        )
    least = binomtest(round(values.sum()), len(values), alternative="greater").proportion_ci(0.95).low
    return f"{values.mean():.1%} | {least:.1%}"


def write(lines: list[str], count: int, first: int) -> None:
    """Put the tables between their two marks."""
    text = METHODS.read_text(encoding="utf-8")
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    intro = f"{count} sessions, numbers {first} to {first + count - 1}, by `python -m tests.benchmarks.findings_marks`:"
    METHODS.write_text(text[:a] + "\n" + intro + "\n\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")
