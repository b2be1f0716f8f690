"""evenstring match: strings of alike cells out of measured ones."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from textwrap import wrap
from typing import Any

import click

from evenstring.commands.pack_options import CAPACITY, CHEMISTRY
from evenstring.commands.say import say, say_json
from evenstring.errors import InputError, UsageError
from evenstring.io.files import refuse_existing, write_new
from evenstring.io.table.named_rows import read_named_rows
from evenstring.report.report_json import plain_values
from evenstring.report.words import counted
from evenstring.text import plain
from evenstring.workshop.matching.cells import QUANTITIES, Cell
from evenstring.workshop.matching.columns import columns_of
from evenstring.workshop.matching.criterion import LOAD_C, USUAL_U, WEEKS, Assumed
from evenstring.workshop.matching.from_report import cells_of_report
from evenstring.workshop.matching.from_table import cells_of_table
from evenstring.workshop.matching.limits import Limits
from evenstring.workshop.matching.match import Matched, match

__all__ = ["command"]

_WIDTH = 80  # columns: common practice
_CAUTIONS = (
    "Alike is not fit: a cell that was ever below its discard voltage, is dented,",
    "warm at rest or of unknown origin belongs into no string. Joining cells can",
    "start a fire: for people trained for it, by the maker's limits and local codes.",
)


def _cost_options(of: Callable[..., Any]) -> Callable[..., Any]:
    """Give the command what the costs rest on; it takes it as one argument `assumed`."""

    @click.option("--load-c", type=click.FloatRange(0.05, 50.0), default=LOAD_C, show_default=True,
                  help="Full load, in capacities an hour.")  # fmt: skip
    @click.option("--weeks", type=click.FloatRange(0.1, 520.0), default=WEEKS, show_default=True,
                  help="Between two charges that are left on until balanced.")  # fmt: skip
    @click.option(
        "--u",
        "uncertain",
        multiple=True,
        metavar="QUANTITY=PERCENT",
        help="Standard uncertainty: capacity=0.5, resistance=2 (% of the value), leak=0.1 (% a week).",
    )
    @click.option("--chemistry", type=CHEMISTRY, default="nmc", show_default=True, help="nmc, nca, lco, lfp, ...")
    @click.option("--capacity", type=CAPACITY, help="Of a cell, where none was measured: ampere-hours.")
    @wraps(of)
    def wrapped(
        *args: Any, load_c: float, weeks: float, uncertain: tuple[str, ...], chemistry: str, capacity: float | None,
        **rest: Any,
    ) -> Any:  # fmt: skip
        return of(*args, assumed=Assumed(chemistry, load_c, weeks, _uncertainties(uncertain), capacity), **rest)

    return wrapped


def _limit_options(of: Callable[..., Any]) -> Callable[..., Any]:
    """Give the command the limits of a single cell; it takes them as one argument `limits`."""

    @click.option("--least-capacity", type=click.FloatRange(0.0), help="No cell below so many Ah.")
    @click.option("--most-resistance", type=click.FloatRange(0.0), help="No cell above so many mΩ.")
    @click.option("--most-leak", type=float, help="No cell above so many % a week.")
    @wraps(of)
    def wrapped(*args: Any, least_capacity: float | None, most_resistance: float | None, most_leak: float | None,
                **rest: Any) -> Any:  # fmt: skip
        return of(*args, limits=Limits(least_capacity, most_resistance, most_leak), **rest)

    return wrapped


def _uncertainties(given: tuple[str, ...]) -> tuple[float, float, float]:
    words = [q.word for q in QUANTITIES]
    usual = list(USUAL_U)
    for text in given:
        word, _, number = text.partition("=")
        try:
            usual[words.index(word.strip())] = _positive(number)
        except ValueError as error:
            raise UsageError(f"--u {text}: give one of {', '.join(words)} and a number, like capacity=0.5") from error
    return usual[0], usual[1], usual[2]


def _positive(text: str) -> float:
    value = float(text)
    if not 0.0 <= value <= 100.0:
        raise ValueError(text)
    return value


@click.command("match", epilog="Example: evenstring match cells.csv --length 20 -o strings.csv")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--length", type=click.IntRange(2, 400), required=True, help="Cells in series in each string.")
@click.option("--strings", type=click.IntRange(1), help="How many strings; by default as many as there are cells for.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="CSV file: string by string, then what is left.")
@click.option("--force", is_flag=True, help="Replace an older file.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
@_limit_options
@_cost_options
def command(
    files: tuple[Path, ...],
    length: int,
    strings: int | None,
    output: Path | None,
    force: bool,
    as_json: bool,
    limits: Limits,
    assumed: Assumed,
) -> None:
    """Propose strings of cells that are alike in capacity, resistance and leak.

    FILES are tables (CSV or .xlsx: a label and capacity_ah, resistance_mohm, leak_ma or leak_percent_per_week), or
    report.json of measured packs, whose groups stay together.
    """
    if output:
        refuse_existing(output, force)
    found = match(limits.applied(_cells(files, assumed)), strings, length, assumed)
    if output:
        write_new(output, _as_csv(found).encode(), force)
    if as_json:
        say_json(plain_values(found) | {"cautions": [*found.cautions, " ".join(_CAUTIONS)]})
        return
    for line in _lines(found, length, assumed):
        say(line)
    if output:
        say(f"\nThe table: {output}")


def _cells(files: tuple[Path, ...], assumed: Assumed) -> list[Cell]:
    cells: list[Cell] = []
    for file in files:
        if file.suffix.lower() == ".json":
            made, notes = cells_of_report(_json(file), str(file), alone=len(files) == 1)
            cells += made
        else:
            rows = read_named_rows(file)
            columns = columns_of(rows)
            notes = (f"{file}: {columns.said(rows.names)}",)
            cells += cells_of_table(rows, columns, assumed.capacity_ah)
        for note in notes:
            say(plain(note, 1000), err=True)
    twice = [of for of, n in Counter((c.source, c.label) for c in cells).items() if n > 1]
    if twice:
        raise InputError(f"{twice[0][0]}: was given twice")
    return cells


def _json(file: Path) -> dict[str, Any]:
    try:
        value = json.loads(file.read_bytes())
    except OSError as error:
        raise InputError(f"{file}: cannot read this file ({error.strerror or error}); check the name") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{file}: is no JSON ({str(error)[:80]}); give a report.json") from error
    if not isinstance(value, dict):
        raise InputError(f"{file}: is no report.json")
    return value


def _lines(found: Matched, length: int, assumed: Assumed) -> list[str]:
    cells = sum(len(s.cells) for s in found.strings)
    strings = counted(len(found.strings), "string")
    lines = [f"{strings} of {length}: {counted(cells, 'cell')} used, {len(found.left)} left over."]
    lines += [line for c in found.cautions for line in wrap(f"! {c}.", _WIDTH, subsequent_indent="  ")]
    lines += ["", f"{'':7s}{'unlike, %':>10s}  " + "".join(f"{_head(k, found):>20s}" for k in range(len(QUANTITIES)))]
    for number, string in enumerate(found.strings, 1):
        spread = "".join(f"{_range(k, s):>20s}" for k, s in enumerate(string.spread))
        lines.append(f"{number:6d} {string.unlike_percent:10.2f}  {spread}")
    names = _Names(found)
    for number, string in enumerate(found.strings, 1):
        lines += ["", f"String {number}:", *names.listed(string.cells)]
    lines += ["", "Left over:"] if found.left else []
    for why in dict.fromkeys(one.why for one in found.left):
        alike = names.listed([one.cell for one in found.left if one.why == why])
        lines += [f"{alike[0]}: {why}"] if "," not in alike[0] else [*alike, f"    {why}"]
    lines += names.legend()
    lines = [line.rstrip() for line in lines]
    return [*lines, "", *_how_good(found), *_how_counted(found, assumed), "", *_CAUTIONS]


def _head(k: int, found: Matched) -> str:
    return f"{QUANTITIES[k].word}, {QUANTITIES[k].unit}" if found.counted[k].measured else ""


def _range(k: int, spread: tuple[float, float] | None) -> str:
    digits = QUANTITIES[k].digits
    return "" if spread is None else f"{spread[0]:.{digits}f} to {spread[1]:.{digits}f}"


class _Names:
    """What cells are called: by their labels, and by a number for the file where there are several."""

    def __init__(self, found: Matched) -> None:
        cells = [*(c for s in found.strings for c in s.cells), *(one.cell for one in found.left)]
        self._files = {source: f"{k}/" for k, source in enumerate(dict.fromkeys(c.source for c in cells), 1)}

    def listed(self, cells: Sequence[Cell]) -> list[str]:
        """Labels in lines that fit the terminal."""
        one = len(self._files) < 2
        names = [plain(c.label if one else self._files[c.source] + c.label, 60) for c in cells]
        lines, line = [], " "
        for k, name in enumerate(names):
            word = name + ("," if k + 1 < len(names) else "")
            if len(line) + 1 + len(word) > _WIDTH and line.strip():
                lines.append(line)
                line = " "
            line += " " + word
        return [*lines, line]

    def legend(self) -> list[str]:
        """Which number is which file."""
        if len(self._files) < 2:
            return []
        return ["", *(f"  {sign} {source}" for source, sign in self._files.items())]


def _how_good(found: Matched) -> list[str]:
    if found.proved:
        return [f"Unlike by {found.unlike_percent:.2f} % of charge; proved: no other choice is better."]
    share = found.bound / found.cost if found.cost > 0.0 else 1.0
    return [
        f"Unlike by {found.unlike_percent:.2f} % of charge: the best that was found. Its cost is {found.cost:.4g},",
        f"and no choice can have less than {found.bound:.4g} ({100 * share:.0f} % of it).",
    ]


def _how_counted(found: Matched, assumed: Assumed) -> list[str]:
    lines = [f"Counted at {assumed.load_c:g} C and {assumed.weeks:g} weeks between balanced charges:"]
    for c, q in zip(found.counted, QUANTITIES, strict=True):
        if not c.measured:
            lines.append(f"  {q.word}: not measured, and so not alike by more than chance")
            continue
        real = "all tester's scatter" if c.told == 0.0 else f"scatter {100 * c.told:.0f} % real"
        each = f"1 {q.unit} counts as {c.percent_per_unit:.2g} % of charge"
        lines.append(f"  {q.word}: {each}; {c.measured} measured; {real}")
    return lines


def _as_csv(found: Matched) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["string", "cell", "file", *(q.key for q in QUANTITIES), "left_over_because"])
    rows = [(str(n), c, "") for n, s in enumerate(found.strings, 1) for c in s.cells]
    for string, cell, why in [*rows, *(("", one.cell, one.why) for one in found.left)]:
        values = ["" if r is None else f"{r.value:.6g}" for r in cell.readings]
        writer.writerow([string, _harmless(cell.label), _harmless(cell.source), *values, why])
    return out.getvalue()


def _harmless(text: str) -> str:
    """A label that no spreadsheet takes for a formula (OWASP's advice on CSV injection)."""
    return f"'{text}" if text[:1] in ("=", "@", "+", "\t", "\r") else text
