"""The sheet, read back with pypdf: the same numbers as report.json, hostile words as words, one page to sign."""

from __future__ import annotations

import io
import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pypdf
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.report.report_json import report_json
from evenstring.text import plain
from evenstring.workshop.acceptance.table import criteria_rows
from evenstring.workshop.held import hold
from evenstring.workshop.job import Job
from evenstring.workshop.paper import typeset as typesetting
from evenstring.workshop.paper.sheet import LevelLine, sheet_data
from evenstring.workshop.paper.typeset import typeset
from evenstring.workshop.paper.write import sheet_pdf

from tests.host.looks import a_day, a_material
from tests.host.streams import recording

JOB = Job("2026-0147", "R. Example", "cargo bike 7", "A-20-0031", "stops early on the hill", "M. Sample", 21.5,
          "bench meter 3", "2026-03-02", "K-881", "0.02 % + 0.5 mV (k = 2)", 220.0, 11.0)  # fmt: skip
WILD = [
    '#panic("x") #eval("1+1") #read("/etc/passwd") #import "@preview/cetz:0.3.0"',
    "]#strong[a] $x^2$ @ref <label> // gone /* gone */ `raw` *b* _c_ = d",
    "\u202egnp.exe\u200b\x1b[31m\x07 \\u{41} #sys.inputs",
]


@cache
def the_report(job: Job = JOB) -> tuple[dict[str, Any], tuple[str, ...]]:
    """report.json, and the text of each page of the sheet made from it."""
    material = a_material(a_day())
    report = json.loads(json.dumps(report_json(material, hold(material, job, "in_service").additions)))
    pdf = pypdf.PdfReader(io.BytesIO(sheet_pdf(material, report, ["day.frames"])))
    return report, tuple(page.extract_text() for page in pdf.pages)


def squeezed(text: str) -> str:
    """Without white space: lines of a table fold where they will, and ligatures are letters."""
    return re.sub(r"\s+", "", text.replace("\ufb01", "fi").replace("\ufb02", "fl").replace("\ufb00", "ff"))


def test_the_first_page_holds_job_verdict_criteria_cautions_and_a_place_to_sign() -> None:
    report, pages = the_report()
    first = squeezed(pages[0])

    told = (JOB.number, JOB.customer, JOB.pack, JOB.serial, JOB.wording, JOB.operator, JOB.meter, JOB.meter_calibrated,
            JOB.meter_certificate, JOB.meter_uncertainty, *report["verdict"]["reasons"], report["verdict"]["next_step"],
            "can kill", "Measured by, date", "Received by, date")  # fmt: skip
    assert [text for text in told if squeezed(text) not in first] == []
    assert "Appendix" not in pages[0]
    assert pages[1].startswith("Appendix")


def test_every_figure_of_the_criteria_is_that_of_report_json() -> None:
    report, pages = the_report()
    rows, first = criteria_rows(report["acceptance"]), squeezed(pages[0])
    measured = [(row, c) for row, c in zip(rows, report["acceptance"]["criteria"], strict=True) if row[2]]

    assert len(measured) >= 3
    assert [row for row in rows if squeezed("".join(row)) not in first] == []
    for row, c in measured:
        assert float(row[2].split()[0].replace("\N{MINUS SIGN}", "-")) == pytest.approx(c["value"], rel=0.01, abs=0.006)


def test_numbers_of_the_sheet_stand_in_report_json_or_the_job() -> None:
    """Nothing is computed for paper: every number with a decimal point on the first page is one that was written."""
    report, pages = the_report()
    said = squeezed(json.dumps(report, ensure_ascii=False) + repr(criteria_rows(report["acceptance"])))
    shown = set(re.findall(r"\d+\.\d+", pages[0].split("The level line")[0]))

    assert len(shown) > 8
    assert sorted(n for n in shown if n not in said) == []


@pytest.mark.parametrize("text", WILD)
def test_what_an_owner_writes_stays_text(text: str) -> None:
    _, pages = the_report(Job("1", text, text, text[:80], text, text))
    first = squeezed(pages[0])

    shown = plain(text).replace("␛", "[U+001B]").replace("␇", "[U+0007]")  # pictures that no font of paper has
    assert squeezed(shown) in first  # signs and all, as an owner typed them
    assert "\u202e" not in pages[0]
    assert "\x1b" not in pages[0]
    assert "root:" not in first


def test_a_long_story_takes_room_from_the_picture_and_the_first_page_stays_one() -> None:
    _, pages = the_report(Job("1", "c" * 60, "p" * 60, "s" * 60, "word " * 95, "o" * 60, meter_uncertainty="u " * 50))

    assert "Received by, date" in pages[0]
    assert pages[1].startswith("Appendix")


def test_a_sheet_of_nothing_known_can_still_be_set() -> None:
    report, _ = the_report()
    bare = {k: v for k, v in report.items() if k not in ("job", "acceptance")}

    text = pypdf.PdfReader(io.BytesIO(typeset(sheet_data(bare, [], LevelLine())))).pages[0].extract_text()

    assert "Received by" in text


def test_the_command_writes_it_beside_the_page(tmp_path: Path) -> None:
    frames, out = tmp_path / "a.frames", tmp_path / "out"
    frames.write_bytes(recording(200, 4))

    made = CliRunner().invoke(cli, ["report", str(frames), "-o", str(out), "--paper", "--accept", "in_service"])

    assert made.exit_code == 0, made.output
    assert len(pypdf.PdfReader(out / "sheet.pdf").pages) >= 2
    again = CliRunner().invoke(cli, ["report", str(frames), "-o", str(out), "--paper"])
    assert "exists already" in str(again.exception)


def test_without_the_extra_it_says_so_before_any_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(typesetting, "find_spec", lambda _name: None)
    with pytest.raises(InputError, match=r"pip install 'evenstring\[paper\]'"):
        typeset({})
    frames = tmp_path / "a.frames"
    frames.write_bytes(recording(20, 4))
    made = CliRunner().invoke(cli, ["report", str(frames), "-o", str(tmp_path / "out"), "--paper"])
    assert isinstance(made.exception, InputError)
    assert not (tmp_path / "out" / "report.json").exists()


def test_the_time_of_day_is_not_in_the_file_so_that_the_same_report_is_the_same_file() -> None:
    data = sheet_data(the_report()[0], ["day.frames"], LevelLine())

    assert "/CreationDate" not in (pypdf.PdfReader(io.BytesIO(typeset(data))).metadata or {})
