"""Fills the pages' figures: hardware_notes/source/*.md -> hardware_notes/*.md. No figure is typed twice.

    python hardware_notes/fill.py            write the pages
    python hardware_notes/fill.py --check    end with 1 when a page is not what its source and the figures give

In a source page: `{{design.key}}` a figure of a budget with three digits, `{{design.key:.0f}}` with a format,
`{{design.key*1e-3}}` times a factor, `{{design/part.key}}` a value of a part in that design,
`{{spice.design.circuit.name}}` a result of a circuit, `{{table design}}` a whole budget,
`{{failures}}` the table of failure modes, `{{pins board}}` a pin map, `{{board name.key.key}}` a value of a board,
`{{stress groups.case.key}}` what a fault does to the board, `{{number name}}` a figure of worked.py,
`{{procedure name}}` a test as a table to fill in (24 groups), `{{made name}}` a table of tables.py.
"""

from __future__ import annotations

import json
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

from evenstring.hardware.budget import Budget, budget_of
from evenstring.hardware.front_end import DividerBank, RelayScan, parse_front_end

sys.path.insert(0, str(Path(__file__).parent))
import tables  # beside this file
from worked import NUMBERS  # beside this file

HERE = Path(__file__).parent
BOARDS = HERE.parent / "firmware" / "boards"
_FIELD = re.compile(r"\{\{(.+?)\}\}")
_PIN_KEYS = ("i2c.sda", "i2c.scl", "mux.alive_pin", "buzzer_pin", "led_pin", "button_pin", "maintenance_pin")
_PIN_WORDS = {
    "i2c.sda": "I2C data, to the isolator",
    "i2c.scl": "I2C clock, to the isolator",
    "mux.alive_pin": "feeds the one-shot that lets relays close",
    "buzzer_pin": "buzzer, through a transistor",
    "led_pin": "warning light",
    "button_pin": "button to ground: mute, acknowledge",
    "maintenance_pin": "strap to ground at boot: no watchdog, relays disabled, console on",
}


def _design(name: str) -> RelayScan | DividerBank:
    file = HERE / "front_ends" / f"{name}.toml"
    return parse_front_end(file.read_text(encoding="utf-8"), file.name)


def budgets() -> dict[str, Budget]:
    """Budget of every design in front_ends/."""
    return {f.stem: budget_of(_design(f.stem)) for f in sorted((HERE / "front_ends").glob("*.toml"))}


def fill(text: str) -> str:
    """A source page with its figures.

    Raises:
        KeyError, StopIteration: a figure that does not exist is asked for.
    """
    known = budgets()
    return _FIELD.sub(lambda match: _value(match[1], known), text)


def _value(field: str, known: dict[str, Budget]) -> str:
    kind, _, rest = field.partition(" ")
    if kind == "table":
        return _budget_table(known[rest])
    if kind == "failures":
        return fill(_failures())
    if kind in ("procedure", "made"):
        return tables.procedure_table(rest) if kind == "procedure" else tables.TABLES[rest]()
    if kind == "pins":
        return _pins(rest)
    if kind == "board":
        return str(_look_up(_board(rest.partition(".")[0]), rest.partition(".")[2]))
    name, _, spec = field.partition(":")
    name, _, factor = name.partition("*")
    return _number(_figure(name, known) * float(factor or 1), spec)


def _figure(name: str, known: dict[str, Budget]) -> float:
    if name.startswith("number "):
        return NUMBERS[name.removeprefix("number ")]()
    if name.startswith("stress "):
        size, case, key = name.removeprefix("stress ").split(".")
        return float(json.loads((HERE / "stress" / "results.json").read_text(encoding="utf-8"))[size][case][key])
    if name.startswith("spice."):
        _, design, circuit, result = name.split(".")
        results = json.loads((HERE / "circuits" / "results.json").read_text(encoding="utf-8"))
        return float(results[f"{design}.{circuit}"][result])
    design, slash, rest = name.partition("/")
    if slash:
        part, _, key = rest.partition(".")
        return float(getattr(getattr(_design(design), part), key))
    design, _, key = name.partition(".")
    return known[design].value(key)


def _number(value: float, spec: str) -> str:
    if spec:
        return format(value, spec)
    digits = f"{value:.3g}"
    return f"{float(digits):g}" if "e" in digits else digits


def _budget_table(budget: Budget) -> str:
    rows = ["| figure | value | limit | where it comes from |", "|---|---|---|---|"]
    for line in budget.lines:
        limit = ""
        if line.limit is not None:
            mark = "" if line.ok else " **over**"
            limit = f"{'at least' if line.at_least else 'at most'} {_number(line.limit, '')}{mark}"
        rows.append(f"| {line.what} | {_number(line.value, '')} {line.unit} | {limit} | {line.why} |")
    return "\n".join(rows)


def _failures() -> str:
    data = tomllib.loads((HERE / "failure_modes.toml").read_text(encoding="utf-8"))
    rows = [
        "| what fails | what happens | firmware's answer | what stays hidden, and what bounds it |",
        "|---|---|---|---|",
    ]
    for mode in data["mode"]:
        fault = f" (fault `{mode['fault']}`)" if "fault" in mode else ""
        code = f" (reading `{mode['reading']}`)" if "reading" in mode else ""
        rows.append(f"| {mode['what']} | {mode['effect']} | {mode['answer']}{fault}{code} | {mode['hidden']} |")
    return "\n".join(rows)


def _board(name: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((BOARDS / f"{name}.json").read_text(encoding="utf-8"))
    return data


def _look_up(data: Any, path: str) -> Any:
    for key in path.split("."):
        data = data[key]
    return data


def _pins(name: str) -> str:
    data = _board(name)
    rows = ["| GPIO | `board.json` key | goes to |", "|---|---|---|"]
    rows += [f"| {_look_up(data, key)} | `{key}` | {_PIN_WORDS[key]} |" for key in _PIN_KEYS]
    return "\n".join(rows)


def pages() -> dict[Path, str]:
    """Every page made from a source, with the text it should have."""
    made = {}
    for source in sorted((HERE / "source").glob("*.md")):
        head = f"<!-- Made by fill.py from source/{source.name}; edit that one. -->\n\n"
        made[HERE / source.name] = head + fill(source.read_text(encoding="utf-8"))
    return made


def main(arguments: list[str]) -> int:
    """Write or check; 1 when a check finds a stale page."""
    stale = [page for page, text in pages().items() if not page.exists() or page.read_text(encoding="utf-8") != text]
    for page in stale:
        if "--check" in arguments:
            sys.stderr.write(f"{page.name}: stale; run python hardware_notes/fill.py\n")
        else:
            page.write_text(pages()[page], encoding="utf-8")
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
