"""The part of `evenstring report` that is for several strings of one vehicle: a report each, and all side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evenstring.commands.job_options import Bench
from evenstring.commands.say import say, say_folded
from evenstring.io.files import refuse_existing
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step
from evenstring.report.reasons import headline, sure_line
from evenstring.report.report_json import report_json
from evenstring.workshop.acceptance.table import acceptance_json, terminal_lines
from evenstring.workshop.held import Held, hold
from evenstring.workshop.strings.beside import OneString, beside
from evenstring.workshop.strings.page import joining, sagging, when
from evenstring.workshop.strings.write import BESIDE_NUMBERS, BESIDE_PAGE, strings_json, write_strings
from evenstring.workshop.written import NUMBERS, PAGE, SHEET, write_report

__all__ = ["refuse_old_strings", "say_strings", "strings_fail", "strings_numbers", "write_all"]


def refuse_old_strings(strings: Sequence[str], output: Path, bench: Bench, force: bool) -> None:
    """Say before the work is done that an older page stands in the folder, or an older report in one of a string."""
    parts = (NUMBERS, PAGE, *([SHEET] if bench.paper else []))
    inside = [output / folder / part for folder in strings for part in parts]
    for path in (output / BESIDE_PAGE, output / BESIDE_NUMBERS, *inside):
        refuse_existing(path, force)


def strings_numbers(strings: Sequence[OneString], bench: Bench) -> dict[str, Any]:
    """All together, and each string's report.json under its name."""
    reports = {s.files.name: report_json(s.material, _held(s.material, bench).additions) for s in strings}
    return {**strings_json(strings, beside([s.material for s in strings])), "reports": reports}


def write_all(strings: Sequence[OneString], names: Sequence[str], output: Path, bench: Bench, force: bool) -> None:
    """Write the page, and a folder for each string; `names` of all recordings."""
    for s in strings:
        mine = [names[k] for k in s.files.places]
        held = _held(s.material, bench)
        write_report(s.material, mine, output / s.files.folder, force, held, paper=bench.paper)
    write_strings(strings, beside([s.material for s in strings]), output, force)


def say_strings(strings: Sequence[OneString], output: Path, bench: Bench) -> None:
    """Each string's verdict and what to do, what joining them would do, and where the pages are."""
    told = beside([s.material for s in strings])
    for s in strings:
        verdict = s.material.found.verdict
        say_folded(f"{s.files.name}: {headline(verdict)}. {sure_line(verdict)} Now: {next_step(s.material)}")
        held = _held(s.material, bench)
        for line in terminal_lines(acceptance_json(held.acceptance)) if held.acceptance else ():
            say_folded(line)
        if held.unread:
            say_folded(f"The job in the recording of {s.files.name} {held.unread.said()}")
    say_folded(f"{'! ' if told.is_dangerous else ''}Joining them: {joining(strings, told)} {when(strings, told)}")
    say_folded(f"Under load: {sagging(strings, told)}")
    say(f"\nThe page: {output / BESIDE_PAGE}\nThe numbers: {output / BESIDE_NUMBERS}")
    for s in strings:
        say(f"The report of {s.files.name}: {output / s.files.folder / PAGE}")


def strings_fail(strings: Sequence[OneString], bench: Bench) -> bool:
    """Whether --exit-verdict asks for it: a string's verdict, or limits that one does not keep."""
    urgent = any(s.material.found.verdict.action in ("do_not_charge", "inspect") for s in strings)
    return urgent or any(_held(s.material, bench).fails for s in strings)


def _held(material: Material, bench: Bench) -> Held:
    return hold(material, bench.job, bench.accept)
