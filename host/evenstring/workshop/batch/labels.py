"""Labels for packs: a sheet of 3 x 8 on A4, 70 x 37 mm each, with a code that leads back to the recording.

Everything on a label stands in the overview too. The code (QR, ISO/IEC 18004) holds pack, date and digest as text.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from evenstring.errors import InputError
from evenstring.text import plain
from evenstring.workshop.acceptance.table import RESULTS
from evenstring.workshop.batch.row import Row, label_of
from evenstring.workshop.paper.typeset import refuse_without_typst, typeset

__all__ = ["PER_SHEET", "code_text", "label_data", "labels_pdf"]

PER_SHEET = 24  # 3 x 8 of 70 x 37 mm fill an A4: common practice of label sheets
_DIGEST = 16  # hexadecimal digits that are shown, enough to find a file by: our choice
_NAME, _OF = 40, 60  # characters that two lines, and one and a half, have room for: our choice


def code_text(row: Row) -> str:
    """What the code to scan holds."""
    return f"pack {plain(label_of(row), 60)}\n{_date(row)}\nsha256 {row.sha256}"


def labels_pdf(rows: Sequence[Row], start_at: int = 1) -> bytes:
    """The labels of all rows that have a report, in their order.

    Args:
        rows: of the overview.
        start_at: place of the first label on its sheet, from 1, line by line: for a sheet that was begun.

    Raises:
        InputError: the extra `paper` is not installed, or no row has a report.
    """
    refuse_without_typst()
    template = files("evenstring.workshop.batch").joinpath("labels.typ").read_bytes()
    return typeset(label_data(rows, start_at), template)


def label_data(rows: Sequence[Row], start_at: int = 1) -> dict[str, Any]:
    """What the template shows.

    Raises:
        InputError: no row has a report.
    """
    labels = [_label(r) for r in rows if not r.error]
    if not labels:
        raise InputError("no label: none of the files has a report")
    return {"skip": start_at - 1, "labels": labels}


def _label(row: Row) -> dict[str, Any]:
    figures = [
        "" if row.spread_rest_mv is None else f"spread at rest {row.spread_rest_mv:.1f} mV",
        "" if row.capacity_ah is None else f"capacity {row.capacity_ah:.2f} Ah",
        f"limits: {RESULTS[row.acceptance].lower()}" if row.acceptance else "",
        "" if row.groups is None else f"{row.groups} groups, {row.chemistry}",
    ]
    of = [f"job {row.job}" if row.job else "", row.serial, _date(row)]
    return {
        "pack": _cut(label_of(row), _NAME),
        "of": _cut(" · ".join(filter(None, of)), _OF),
        "headline": row.headline,
        "figures": " · ".join(f.replace(" ", "\N{NO-BREAK SPACE}") for f in figures if f),
        "digest": row.sha256[:_DIGEST],
        "code": _code(row),
        "code_alt": f"Code with pack, date and digest of {plain(label_of(row), 60)}",
    }


def _cut(text: str, most: int) -> str:
    shown = plain(text)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def _code(row: Row) -> str:
    """The code as SVG, with the quiet zone of four modules that the standard asks for."""
    import segno  # noqa: PLC0415  # an extra, there where typst is

    out = io.BytesIO()
    segno.make(code_text(row), micro=False, error="m").save(out, kind="svg", border=4, xmldecl=False)
    return out.getvalue().decode()


def _date(row: Row) -> str:
    return row.start[:10] or "date not told"
