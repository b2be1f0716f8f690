"""A report on paper: sheet.pdf from the same report.json that was written, and the level line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from evenstring.report.drawing.level_line import level_picture
from evenstring.report.material import Material
from evenstring.workshop.paper.level_svg import level_svg
from evenstring.workshop.paper.sheet import LevelLine, sheet_data
from evenstring.workshop.paper.typeset import typeset

__all__ = ["sheet_pdf"]


def sheet_pdf(material: Material, report: dict[str, Any], files: Sequence[str]) -> bytes:
    """The sheet.

    Args:
        material: for the picture alone.
        report: report.json, with its keys `job` and `acceptance` where there are any.
        files: names of the recordings.

    Raises:
        InputError: the extra `paper` is not installed.
    """
    picture = level_picture(material.session, material.found.phases)
    level = LevelLine() if picture is None else LevelLine(level_svg(picture), picture.alt, picture.caption)
    return typeset(sheet_data(report, files, level))
