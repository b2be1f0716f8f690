"""Labels: the numbers of the overview, places of the sheet, and a code that a reader of others reads."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import typst
from evenstring.errors import InputError
from evenstring.workshop.batch.labels import PER_SHEET, code_text, label_data, labels_pdf
from evenstring.workshop.batch.row import Row, failed
from matplotlib.image import imread
from pypdf import PageObject, PdfReader

MM = 72.0 / 25.4  # points
ROW = Row(
    name="north/alder.frames", action="inspect", headline="Have it inspected before the next charge or ride",
    pack="market square trike", serial="A-24-0031", job="2026-0147", start="2026-05-13T09:12:00.000+00:00",
    groups=20, chemistry="nmc", spread_rest_mv=42.2978, capacity_ah=19.9412, acceptance="fail",
    report="north/alder.frames", sha256="9cc6906d1ad430e2" + 48 * "7",
)  # fmt: skip


def pages(rows: list[Row], start_at: int = 1) -> list[PageObject]:
    return list(PdfReader(io.BytesIO(labels_pdf(rows, start_at))).pages)


def places(page: PageObject) -> list[tuple[int, int]]:
    """Column and line of each label on its sheet, from 0, by where its last line stands."""
    found = []

    def visit(text: str, matrix: list[float], at: list[float], *_font: object) -> None:
        if "Measured" in text:
            x = at[4] * matrix[0] + matrix[4]
            y = float(page.mediabox.height) - (at[5] * matrix[3] + matrix[5])
            found.append((int(x // (70 * MM)), int(y // (37 * MM))))

    page.extract_text(visitor_text=visit)
    return found


def test_a_label_says_what_the_overview_says() -> None:
    (page,) = pages([ROW])
    text = re.sub(r"\s+", " ", page.extract_text())

    assert float(page.mediabox.width) == pytest.approx(210 * MM, abs=0.1)  # A4: published (ISO 216)
    assert float(page.mediabox.height) == pytest.approx(297 * MM, abs=0.1)
    for said in (
        ROW.pack, ROW.headline, f"job {ROW.job}", ROW.serial, "2026-05-13", "spread at rest 42.3 mV",
        "capacity 19.94 Ah", "limits: fails", "20 groups, nmc", ROW.sha256[:16], "Measured, not approved.",
    ):  # fmt: skip
        assert said in text


def test_labels_fill_a_sheet_line_by_line_and_begin_where_it_is_free() -> None:
    rows = [replace(ROW, pack=f"pack {k}") for k in range(PER_SHEET)]
    first, second = pages(rows, start_at=5)

    assert places(first) == [(k % 3, k // 3) for k in range(4, PER_SHEET)]
    assert places(second) == [(0, 0), (1, 0), (2, 0), (0, 1)]


def test_a_file_without_a_report_gets_no_label() -> None:
    assert len(places(pages([ROW, failed("noise.frames", "no frame")])[0])) == 1
    with pytest.raises(InputError, match="no label"):
        labels_pdf([failed("noise.frames", "no frame")])


def test_what_stands_in_a_name_stays_text_and_the_longest_stays_on_its_label() -> None:
    rows = [replace(ROW, pack='#panic("no") ' + "W" * 200, serial="*" * 200, headline=ROW.headline * 3), ROW]
    (page,) = pages(rows)

    assert '#panic("no")' in re.sub(r"\s+", " ", page.extract_text())
    assert places(page) == [(0, 0), (1, 0)]


def test_the_same_rows_make_the_same_bytes() -> None:
    made = labels_pdf([ROW, ROW])

    assert made == labels_pdf([ROW, ROW])
    assert "/CreationDate" not in (PdfReader(io.BytesIO(made)).metadata or {})


@pytest.mark.needs_test_extra
def test_a_reader_of_others_reads_the_codes_off_the_sheet(tmp_path: Path) -> None:
    import zxingcpp  # noqa: PLC0415  # of the extra `test`

    rows = [replace(ROW, pack="Lastenrad Überführung №7"), replace(ROW, start="")]
    template = tmp_path / "labels.typ"
    template.write_bytes(files("evenstring.workshop.batch").joinpath("labels.typ").read_bytes())
    inputs = {"data": json.dumps(label_data(rows, start_at=3))}
    printed = typst.compile(template, format="png", ppi=200.0, sys_inputs=inputs)  # half of what a laser printer does
    image = np.asarray(imread(io.BytesIO(printed))[..., :3] * 255.0, dtype=np.uint8)

    assert sorted(code.text for code in zxingcpp.read_barcodes(image)) == sorted(map(code_text, rows))
    assert code_text(rows[1]).splitlines() == ["pack market square trike", "date not told", f"sha256 {ROW.sha256}"]
