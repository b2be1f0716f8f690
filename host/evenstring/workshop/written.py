"""A report as files: what `report`, `demo` and `batch` put into a folder."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from evenstring.io.files import make_folder, write_new
from evenstring.report.material import Material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.text import json_text
from evenstring.workshop.held import Held
from evenstring.workshop.paper.write import sheet_pdf

__all__ = ["NUMBERS", "PAGE", "SHEET", "report_files", "write_report"]

NUMBERS, PAGE, SHEET = "report.json", "report.html", "sheet.pdf"


def report_files(
    material: Material, names: Sequence[str], held: Held | None = None, *, paper: bool = False
) -> Iterator[tuple[str, bytes]]:
    """Name and content, one by one, so that page and numbers are there when the sheet cannot be set.

    Args:
        material: the session and its findings.
        names: of the recordings it is about.
        held: job and decisions, where there are any.
        paper: also the sheet.

    Raises:
        InputError: the sheet needs the extra `paper`.
    """
    additions = held.additions if held else ()
    numbers = report_json(material, additions)
    yield NUMBERS, (json_text(numbers) + "\n").encode()
    yield PAGE, render(material, ", ".join(names), additions).encode()
    if paper:
        yield SHEET, sheet_pdf(material, numbers, names)


def write_report(
    material: Material,
    names: Sequence[str],
    output: Path,
    force: bool,
    held: Held | None = None,
    *,
    paper: bool = False,
) -> None:
    """Write report.html and report.json, with `paper` also sheet.pdf, into the folder `output`.

    Raises:
        InputError: one is there already, without `force`, or cannot be written.
    """
    make_folder(output)
    for name, data in report_files(material, names, held, paper=paper):
        write_new(output / name, data, force)
