"""Tables of the pages that come from the board's description, its simulated faults and its test procedures."""

from __future__ import annotations

import json
import math
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from evenstring.hardware.procedures import procedure
from schematic.catalog import KINDS, ratings_of
from schematic.net import Part
from schematic.reference import board
from schematic.rules import RULES, crossing
from stress.run import KEPT
from worked import review_rows

__all__ = ["TABLES", "procedure_table"]

_HERE = Path(__file__).parent


def procedure_table(name: str) -> str:
    """A test with empty places for what was measured, for 24 groups."""
    rows = ["| # | step | passes with | measured | date, name |", "|---|---|---|---|---|"]
    for number, step in enumerate(procedure(name, 24), start=1):
        note = f" (else: {step.if_not})" if step.if_not else ""
        rows.append(f"| {number} | {step.do}{note} | {step.limits()} | | |")
    return "\n".join(rows)


def _digits(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def review() -> str:
    """Figures of the outside review beside ours."""
    rows = ["| figure | review | ours | | how |", "|---|---|---|---|---|"]
    rows += [
        f"| {r.what} | {r.theirs:g} {r.unit} | {_digits(r.ours)} {r.unit} | {r.verdict} | {r.how} |"
        for r in review_rows()
    ]
    return "\n".join(rows)


def _rating(kind: str, groups: int) -> str:
    units = {"w": "W", "v": "V", "a": "A", "input_a": "A an input"}
    return ", ".join(f"{value:g} {units[key]}" for key, value in ratings_of(kind, groups).items())


def parts() -> str:
    """Parts list by kind and value, with counts, for 24, 36 and 40 groups."""
    boards = {n: board(n) for n in (24, 36, 40)}
    counts = {n: Counter((p.kind, p.value) for p in c.parts.values()) for n, c in boards.items()}
    rows = [
        "| function | value | 24 | 36 | 40 groups | rating (24; 36 and 40) | look for | example class | each |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    keys = dict.fromkeys(key for n in boards for key in counts[n])
    for kind, value in sorted(keys, key=lambda key: (list(KINDS).index(key[0]), key[1])):
        if kind == "cell":
            continue
        k = KINDS[kind]
        rating = "; ".join(dict.fromkeys((_rating(kind, 24), _rating(kind, 40))))
        number = " | ".join(str(counts[n][kind, value] or "") for n in boards)
        price = f"{k.price_low:g} to {k.price_high:g}" if k.price_high else ""
        rows.append(f"| {k.function} | {value} | {number} | {rating} | {k.look_for} | {k.example} | {price} |")
    return "\n".join(rows)


def cost() -> str:
    """Sum of the parts list's prices, low and high, without options."""
    out = []
    for groups in (24, 36, 40):
        pieces = [KINDS[p.kind] for p in board(groups).parts.values() if not p.option]
        low, high = sum(k.price_low for k in pieces), sum(k.price_high for k in pieces)
        out.append(f"{groups} groups {math.floor(low / 10) * 10} to {math.ceil(high / 10) * 10} euros")
    return ", ".join(out)


def crossings() -> str:
    """Every kind of part with a pin on the touchable side and one on another."""
    found: dict[str, list[Part]] = {}
    for part in crossing(board(24)):
        found.setdefault(part.kind, []).append(part)
    rows = ["| crossing part | which | it must give |", "|---|---|---|"]
    for kind, pieces in found.items():
        names = (
            f"{pieces[0].ref} to {pieces[-2].ref}, {pieces[-1].ref}"
            if len(pieces) > 4
            else ", ".join(p.ref for p in pieces)
        )
        rows.append(
            f"| {KINDS[kind].function} | {names} ({len(pieces)}) | {KINDS[kind].insulation}; {KINDS[kind].look_for} |"
        )
    return "\n".join(rows)


def rules() -> str:
    """The electrical rules that a test holds, in words."""
    return "\n".join(f"- {rule.__name__.replace('_', ' ')}: {(rule.__doc__ or '').splitlines()[0]}" for rule in RULES)


def bits() -> str:
    """What the firmware puts on the expander, and which relay that closes."""
    rows = [
        "| expander pins | carry | drive |",
        "|---|---|---|",
        "| P00 to P03 | even address, bits 0 to 3 | decoders of line A: A0 to A3 |",
        "| P04 | even address, bit 4 | disables the first decoder, enables the second where there is one |",
        "| P05 | zero relay off | gate U16: the zero relay closes when this is low and the one-shot runs |",
        "| P10 to P14 | odd address | decoders of line B |",
        "| P06, P07, P15 to P17 | nothing | |",
    ]
    return "\n".join(
        [*rows, "", "Tap k hangs on output k // 2 of its line's decoder. Address 31, which pull-ups give, drives none."]
    )


def stress() -> str:
    """Worst share of the ratings of each kind over all faults, from the simulations."""
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    words = _case_words()
    rows = ["| part | 24 groups | in | 36 | 40 |", "|---|---|---|---|---|"]
    plain = {"seen_v", "lead_ma", "rail_v", "pack_v"}
    kinds = sorted({k for cases in kept.values() for row in cases.values() for k in row} - plain)
    for kind in kinds:
        worst = {n: max((row.get(kind, 0.0), case) for case, row in cases.items()) for n, cases in kept.items()}
        share = {n: f"{w[0]:.0%}" if w[0] >= 0.01 else "under 1 %" for n, w in worst.items()}
        case = words.get(worst["24"][1], worst["24"][1].replace("_", " "))
        rows.append(f"| {KINDS[kind].function} | {share['24']} | {case} | {share['36']} | {share['40']} |")
    return "\n".join(rows)


def _case_words() -> dict[str, str]:
    data = tomllib.loads((_HERE / "failure_modes.toml").read_text(encoding="utf-8"))
    return {case: mode["what"] for mode in data["mode"] for case in mode.get("circuit", ())}


TABLES: dict[str, Callable[[], str]] = {
    "review": review,
    "parts": parts,
    "cost": cost,
    "crossings": crossings,
    "rules": rules,
    "bits": bits,
    "stress": stress,
}
