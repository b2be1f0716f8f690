"""Criteria as words and rows: for the terminal, the page and the sheet, all from the same figures."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from evenstring.report.additions import Addition
from evenstring.report.report_json import plain_values
from evenstring.report.sections.section import Section, signed
from evenstring.workshop.acceptance.accept import Acceptance, Decided
from evenstring.workshop.acceptance.quantities import QUANTITIES

__all__ = [
    "DECISIONS",
    "HEADS",
    "RESULTS",
    "acceptance_addition",
    "acceptance_json",
    "criteria_rows",
    "result_line",
    "result_parts",
    "terminal_lines",
]

DECISIONS = {
    "pass": "pass",
    "fail": "fail",
    "not_decidable": "not decidable at this uncertainty",
    "not_measured": "not measured",
}
RESULTS = {"pass": "Passes", "fail": "Fails", "open": "Stays open"}
HEADS = ["criterion", "limit", "measured", "uncertainty (k = 1)", "decision", "chance that this is wrong"]
_RULE = (
    "Decided by the rules of JCGM 106:2012 with a guard band on either side of each limit: what keeps it from the limit"
    " passes, what is beyond by as much fails, and between the two nothing is decided at this uncertainty."
)


def criteria_rows(acceptance: dict[str, Any]) -> list[tuple[str, ...]]:
    """Rows under HEADS, from the key `acceptance` of report.json."""
    return [_row(c) for c in acceptance["criteria"]]


def result_line(acceptance: dict[str, Any]) -> str:
    """The result in one line, from the key `acceptance` of report.json."""
    return ": ".join(result_parts(acceptance))


def result_parts(acceptance: dict[str, Any]) -> tuple[str, str]:
    """The result, and what it is made of."""
    criteria = acceptance["criteria"]
    counts = {kind: sum(c["decision"] == kind for c in criteria) for kind in DECISIONS}
    said = ", ".join(f"{n} {DECISIONS[kind]}" for kind, n in counts.items() if n)
    decided = counts["pass"] + counts["fail"]
    chance = f"; chance that any of its decisions is wrong: at most {_chance(acceptance['risk'])}" if decided else ""
    word = RESULTS[acceptance["result"]]
    if acceptance["result"] == "pass" and counts["pass"] < len(criteria):
        word = "As far as it was measured, passes"  # what is not needed to pass may be open or not measured
    return f"{word} “{acceptance['name']}”", f"{said}{chance}"


def terminal_lines(acceptance: dict[str, Any]) -> list[str]:
    """The result and a line for each criterion."""
    lines = [f"{result_line(acceptance)}."]
    for criterion, (words, limit, value, u, decision, chance) in zip(
        acceptance["criteria"], criteria_rows(acceptance), strict=True
    ):
        if criterion["decision"] == "not_measured":
            lines.append(f"  - {words}, {limit}: not measured, {criterion['why']}")
        else:
            wrong = f" (chance that this is wrong {chance})" if chance else ""
            lines.append(f"  - {words}, {limit}: {value} ± {u}, {criterion['of']}: {decision}{wrong}")
    return lines


def acceptance_addition(acceptance: Acceptance) -> Addition:
    """What the page and report.json get of it."""
    value = acceptance_json(acceptance)
    missing = [f"{QUANTITIES[c['of_quantity']].words}: {c['why']}. To know it: {c['record_next']}."
               for c in value["criteria"] if c["decision"] == "not_measured"]  # fmt: skip
    section = Section(
        key="acceptance",
        title=f"Acceptance: {acceptance.name}",
        lines=[f"{result_line(value)}.", *([acceptance.about] if acceptance.about else []), _RULE],
        heads=[*HEADS, "where the limit is from"],
        rows=[(*row, _origin(c)) for row, c in zip(criteria_rows(value), value["criteria"], strict=True)],
        more=" ".join(missing),
    )
    return Addition("acceptance", value, section, said=f"{result_line(value)}.")


def acceptance_json(acceptance: Acceptance) -> dict[str, Any]:
    """The key `acceptance` of report.json, as plain values."""
    made: dict[str, Any] = plain_values(
        {
            "name": acceptance.name,
            "about": acceptance.about,
            "result": acceptance.result,
            "risk": acceptance.risk,
            "rule": "JCGM 106:2012, guard band on either side",
            "criteria": [_criterion(d) for d in acceptance.decided],
        }
    )
    return made


def _criterion(decided: Decided) -> dict[str, Any]:
    criterion, measured = decided.criterion, decided.measured
    limit, unit = criterion.limit, QUANTITIES[criterion.of].unit
    return {
        "of_quantity": criterion.of,
        "unit": unit,
        "limit": limit.bound,
        "side": limit.side,
        "load_a": criterion.load_a,
        "guard_band_u": limit.guard_band,
        "needed": criterion.needed,
        "origin": criterion.origin,
        "because": criterion.because,
        "decision": decided.decision,
        "value": None if measured is None else measured.value,
        "u_low": None if measured is None else measured.u_low,
        "u_high": None if measured is None else measured.u_high,
        "of": decided.of,
        "within": decided.within,
        "risk": decided.risk,
        "global_risks": None if decided.global_risks is None else asdict(decided.global_risks),
        "why": decided.why,
        "record_next": decided.record_next,
    }


def _row(criterion: dict[str, Any]) -> tuple[str, ...]:
    quantity = QUANTITIES[criterion["of_quantity"]]
    words = quantity.words + (f" ({criterion['load_a']:g} A)" if criterion["load_a"] else "")
    limit = f"at {criterion['side']} {signed(format(criterion['limit'], 'g'))} {quantity.unit}"
    if criterion["value"] is None:
        return words, limit, "", "", DECISIONS[criterion["decision"]], ""
    value = f"{signed(format(criterion['value'], f'.{quantity.digits}f'))} {quantity.unit}"
    return words, limit, value, _uncertainty(criterion), DECISIONS[criterion["decision"]], _chance(criterion["risk"])


def _uncertainty(criterion: dict[str, Any]) -> str:
    """Two significant digits: the larger arm, and both where they differ by more than a tenth."""
    low, high = criterion["u_low"], criterion["u_high"]
    if abs(high - low) <= 0.1 * max(low, high):
        return f"{_two(max(low, high))} {criterion['unit']}"
    return f"{_two(low)} below, {_two(high)} above, {criterion['unit']}"


def _two(u: float) -> str:
    """Two significant digits, as a plain number."""
    return f"{u:.2g}" if u < 99.5 else f"{u:.0f}"


def _chance(risk: float | None) -> str:
    if risk is None:
        return ""
    return "under 0.1 %" if risk < 0.001 else f"{100.0 * risk:.1f} %" if risk < 0.1 else f"{100.0 * risk:.0f} %"


def _origin(criterion: dict[str, Any]) -> str:
    why = f": {criterion['because']}" if criterion["because"] else ""
    return f"{criterion['origin']}{why}{'' if criterion['needed'] else ' (not needed to pass)'}"
