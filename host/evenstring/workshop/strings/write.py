"""Strings side by side as files: strings.html and strings.json, and a folder with its own report for each."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evenstring.io.files import make_folder, write_new
from evenstring.report.report_json import plain_values
from evenstring.text import json_text
from evenstring.workshop.strings.beside import Beside, OneString
from evenstring.workshop.strings.page import joining, sagging, strings_page, when

__all__ = ["BESIDE_NUMBERS", "BESIDE_PAGE", "strings_json", "write_strings"]

BESIDE_PAGE, BESIDE_NUMBERS = "strings.html", "strings.json"


def strings_json(strings: Sequence[OneString], told: Beside) -> dict[str, Any]:
    """What the page says of all together; each string's own numbers are in its report.json."""
    return {
        "strings": [
            {"name": s.files.name, "folder": s.files.folder, "verdict": s.material.found.verdict.action, "at_rest": at}
            for s, at in zip(strings, plain_values(told.at_rest), strict=True)
        ],
        "at_one_time": told.at_one_time,
        "joined": plain_values(told.joined),
        "like_load": plain_values(told.like_load),
        "dangerous": told.is_dangerous,
        "said": [joining(strings, told), when(strings, told), sagging(strings, told)],
    }


def write_strings(strings: Sequence[OneString], told: Beside, output: Path, force: bool) -> None:
    """Write page and numbers into the folder `output`.

    Raises:
        InputError: one is there already, without `force`, or cannot be written.
    """
    make_folder(output)
    write_new(output / BESIDE_NUMBERS, (json_text(strings_json(strings, told)) + "\n").encode(), force)
    write_new(output / BESIDE_PAGE, strings_page(strings, told).encode(), force)
