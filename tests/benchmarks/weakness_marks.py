"""Marks of the causes: `python -m tests.benchmarks.weakness_marks [SHARE [FIRST]]`; a share of 1 is a long run.

Writes its tables and the reliability figure into host/METHODS.md and host/weakness_reliability.svg. Tuning used numbers
below 100,000; figures come from numbers above. "Right" is over all sessions of a row, "cannot tell" counted as not
right; "wrong" is a statement at confidence 0.8 or more of another group or cause.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from evenstring.analysis.phases import find_phases
from evenstring.analysis.reserve import find_reserve
from evenstring.analysis.weakness import SCATTER, find_weakness
from evenstring.sim.cells import resistance_scale
from scipy.stats import binomtest

from tests.benchmarks.weakness_sessions import CAUSES, CLASSES, GRADIENTS, Case, make_case

HOST = Path(__file__).parents[2] / "host"
METHODS, FIGURE = HOST / "METHODS.md", HOST / "weakness_reliability.svg"
BEGIN, END = "<!-- weakness figures: begin -->", "<!-- weakness figures: end -->"
REPORT_FROM = 100_000
Job = tuple[int, str, str, float]  # number, kind, cause, share of the full size


@dataclass(frozen=True)
class Mark:
    kind: str
    cause: str
    share: float
    right: bool
    wrong: bool
    named: bool  # its group is spoken of
    said: tuple[tuple[float, bool], ...] = ()  # every statement's confidence, and whether it was right
    error: float | None = None  # of size, relative
    inside: bool | None = None  # truth in the 90 % interval
    reserve: tuple[float, bool] | None = None  # error in SoC, inside the interval


def jobs(part: float, first: int) -> list[Job]:
    """What to run: most weight on the class in which all causes can be told, and on healthy packs."""
    out: list[tuple[str, str, float]] = []
    for cause in CAUSES:
        out += [(CLASSES[0], cause, 1.0)] * round(150 * part) + [(CLASSES[0], cause, 0.5)] * round(75 * part)
        for kind in CLASSES[1:]:
            out += [(kind, cause, 1.0)] * round(40 * part)
    out += [(CLASSES[0], "healthy", 0.0)] * round(600 * part)
    for kind in GRADIENTS:
        out += [(kind, "healthy", 0.0)] * round(60 * part) + [(kind, "high_resistance", 1.0)] * round(60 * part)
    return [(first + k, *job) for k, job in enumerate(out)]


def mark(job: Job) -> Mark:
    case = make_case(*job)
    phases = find_phases(case.session, case.profile)
    found, _ = find_weakness(case.session, case.profile, phases)
    right = wrong = named = False
    said, error, inside = [], None, None
    for w in found:
        truth = None if w.cause not in CAUSES else float(case.truth[w.group - 1, CAUSES.index(w.cause)])
        here = w.group == case.group
        named |= here
        if truth is None:
            continue
        truth = -truth if w.cause == "low_capacity" else truth
        good = here and w.cause == case.cause
        # A healthy group that truly lies 3.5 deviations out is no false statement.
        true = good or abs(truth) > 3.5 * SCATTER[CAUSES.index(w.cause)]
        said.append((w.confidence, true))
        if w.confidence >= 0.8 and not true:
            wrong = True
            print(f"wrong: {job}, group {case.group}, said {w}", file=sys.stderr)
        if good:
            right, error, inside = True, abs(w.size / truth - 1.0), w.size_low <= truth <= w.size_high
    reserve = _reserve(case, phases) if case.kind == CLASSES[0] else None
    return Mark(job[1], job[2], job[3], right, wrong, named, tuple(said), error, inside, reserve)


def _reserve(case: Case, phases) -> tuple[float, bool] | None:
    found, _ = find_reserve(case.session, case.profile, phases)
    if found is None:
        return None
    truth = true_reserve(case, found.empty_at_current_a)
    return found.lowest_soc_at_full_load - truth, found.soc_low <= truth <= found.soc_high


def true_reserve(case: Case, amps: float) -> float:
    """SoC of the median group at which the first group falls below empty after five seconds of this current."""
    pack, z = case.pack, np.linspace(0.0, 0.7, 1401)
    middle, capacity = np.median(pack.soc0), np.median(pack.capacity_ah)
    grow = 1.0 + sum(
        share * -np.expm1(-5.0 / tau) for share, tau in ((pack.r1_share, pack.tau1_s), (pack.r2_share, pack.tau2_s))
    )
    limit = 0.0
    for k in range(pack.groups):
        own = pack.soc0[k] + (z - middle) * capacity / pack.capacity_ah[k]
        ohm = pack.r0_ohm[k] * resistance_scale(pack, own, np.full(len(z), 25.0)) * grow
        below = np.flatnonzero(pack.curve.voltage_v(own) - amps * ohm < case.profile.empty_v)
        limit = max(limit, float(z[below[-1]])) if len(below) else limit
    return limit


def collect(todo: list[Job], workers: int = 1) -> list[Mark]:
    if workers == 1:
        return [mark(j) for j in todo]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(mark, todo, chunksize=4))


def _share(hits: list[bool]) -> str:
    if not hits:
        return ""
    ends = binomtest(sum(hits), len(hits)).proportion_ci()
    return f"{np.mean(hits):.0%} ({ends.low:.0%} to {ends.high:.0%})"


def table(marks: list[Mark]) -> list[str]:
    rows: dict[tuple[str, str, float], list[Mark]] = defaultdict(list)
    for m in marks:
        rows[m.kind, m.cause, m.share].append(m)
    lines = [
        "| session | fault | size | n | right (95 % range) | confidently wrong | group named | size error, median |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (kind, cause, share), of in rows.items():
        errors = [m.error for m in of if m.error is not None]
        middle = f"{np.median(errors):.0%}" if errors else ""
        healthy = cause == "healthy"
        right = "" if healthy else _share([m.right for m in of])
        named = "" if healthy else f"{np.mean([m.named for m in of]):.0%}"
        size = "" if healthy else "full" if share == 1.0 else "half"
        wrong = _share([m.wrong for m in of])
        lines.append(
            f"| {kind} | {cause.replace('_', ' ')} | {size} | {len(of)} | {right} | {wrong} | {named} | {middle} |"
        )
    inside = [m.inside for m in marks if m.inside is not None]
    lines += ["", f"Stated 90 % intervals of size hold in {_share(inside)} of {len(inside)}."]
    reserve = [m.reserve for m in marks if m.reserve is not None]
    if reserve:
        errors = np.abs([r[0] for r in reserve])
        lines.append(
            f"Reserve: 90 % of {len(reserve)} within {np.quantile(errors, 0.9) * 100:.1f} points of SoC; its 90 %"
            f" interval holds in {_share([r[1] for r in reserve])}."
        )
    return [*lines, "", *reliability(marks)]


def reliability(marks: list[Mark]) -> list[str]:
    """Stated confidence against the share that was right."""
    lines = ["| stated confidence | statements | mean stated | right |", "|---|---|---|---|"]
    for low, high, n, stated, right in bins(marks):
        lines.append(f"| {low:.2f} to {high:.2f} | {n} | {stated:.2f} | {right:.2f} |")
    return lines


def bins(marks: list[Mark]) -> list[tuple[float, float, int, float, float]]:
    said = [s for m in marks for s in m.said]
    out = []
    for low, high in ((0.2, 0.5), (0.5, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.97), (0.97, 1.0)):
        here = [s for s in said if low <= s[0] < high]
        if here:
            stated, right = np.mean(np.array(here, float), axis=0)
            out.append((low, high, len(here), float(stated), float(right)))
    return out


def figure(marks: list[Mark]) -> str:
    """Reliability as a small drawing: a dot on the line means that the confidence means what it says."""
    dots = "".join(
        f'<circle cx="{40 + 200 * s:.1f}" cy="{220 - 200 * r:.1f}" r="{2 + n**0.5 / 3:.1f}"/>'
        for *_, n, s, r in bins(marks)
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 260 260" width="390" role="img" font-family="sans-serif"'
        ' font-size="10"><title>Stated confidence against the share that was right</title>'
        '<path d="M40 20V220H240M40 220L240 20" fill="none" stroke="#777"/>'
        f'<g fill="#246">{dots}</g><text x="105" y="248">stated confidence</text>'
        '<text x="14" y="130" transform="rotate(-90 14 130)" text-anchor="middle">share right</text>'
        '<text x="28" y="24">1</text><text x="28" y="223">0</text><text x="237" y="232">1</text></svg>\n'
    )


def write(lines: list[str], count: int, first: int) -> None:
    """Between the marks in METHODS.md; a section of its own is begun where there is none."""
    text = METHODS.read_text(encoding="utf-8") if METHODS.exists() else "# Methods\n"
    if BEGIN not in text:
        text += f"\n{BEGIN}\n{END}\n"
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    intro = f"{count} sessions, numbers from {first}, by `python -m tests.benchmarks.weakness_marks`:"
    METHODS.write_text(text[:a] + "\n" + intro + "\n\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")


if __name__ == "__main__":
    share_of_all = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    start = int(sys.argv[2]) if len(sys.argv) > 2 else REPORT_FROM
    todo = jobs(share_of_all, start)
    results = collect(todo, workers=2)
    made = table(results)
    print("\n".join(made))
    if start >= REPORT_FROM:
        write(made, len(todo), start)
        FIGURE.write_text(figure(results), encoding="utf-8")
