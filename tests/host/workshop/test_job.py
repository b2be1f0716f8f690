"""Jobs: checked, carried in a recording, at the head of the report, and never more than text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import InputError, UsageError
from evenstring.io.load import load_session
from evenstring.wire.encode import Counter, message
from evenstring.workshop.job import Job, UnreadJob, carried_job, job_given, job_rows, job_toml, parse_job
from evenstring.workshop.paper.sheet import LevelLine, sheet_data
from hypothesis import given
from hypothesis import strategies as st

from tests.host.looks import NASTY

FILE = """
[job]
number = "2026-0147"
customer = "R. Example"
serial = "A-20-0031"
wording = "stops early on the hill"
operator = "M. Sample"
temperature_c = 21.5

[meter]
name = "bench meter 3"
calibrated = "2026-03-02"

[noted]
insulation_mohm = 220
insulation_u_mohm = 11
"""


def test_file_and_single_values_go_together_and_the_later_counts(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(FILE)

    job = job_given((str(path), "operator=N. Else", "meter_certificate=K-881", "insulation_mohm=180"))

    assert job is not None
    assert (job.number, job.operator, job.meter_certificate) == ("2026-0147", "N. Else", "K-881")
    assert (job.insulation_mohm, job.insulation_u_mohm, job.temperature_c) == (180.0, 11.0, 21.5)
    assert job_given(()) is None


@pytest.mark.parametrize(("text", "says"), [
    ("numbr=12", "did you mean 'number'"), ("temperature_c=warm", "could not convert"),
    ("temperature_c=200", "at most 90"), ("absent.toml", "cannot read this job"), ("temperature_c=nan", "a number"),
])  # fmt: skip
def test_a_wrong_value_says_what_is_wrong(text: str, says: str) -> None:
    with pytest.raises(UsageError) as error:
        job_given((text,))

    assert says in str(error.value)


def test_a_wrong_key_of_the_file_has_its_line() -> None:
    with pytest.raises(InputError, match=r"job.toml, line 2: key 'seriel' is not known; did you mean 'serial'\?"):
        parse_job('[job]\nseriel = "1"\n', "job.toml")


def test_what_would_not_fit_into_a_frame_is_refused() -> None:
    with pytest.raises(InputError, match="shorten the longest"):
        job_given(("wording=" + "\N{BATTERY}" * 500, "customer=" + "\N{BATTERY}" * 120, "pack=" + "\N{BATTERY}" * 120,
                   "serial=" + "\N{BATTERY}" * 120, "number=" + "\N{BATTERY}" * 120))  # fmt: skip


@given(st.text(max_size=120), st.floats(-60, 90))
def test_every_text_comes_back_from_its_own_file(text: str, degrees: float) -> None:
    job = Job(wording=text, temperature_c=degrees)

    assert parse_job(job_toml(job), "job.toml") == job


def test_bytes_that_are_no_text_leave_a_job_that_can_be_written() -> None:
    job = job_given(("wording=a\udcffb",))

    assert job is not None
    assert "a?b" in job_toml(job).encode().decode()


def table(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("t_s,g1,g2\n" + "".join(f"{k},{3.9 + k / 1e4},3.88\n" for k in range(400)))
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


def test_it_travels_in_the_recording_and_stands_at_the_head_of_the_report(tmp_path: Path) -> None:
    frames, out = tmp_path / "job.frames", tmp_path / "report"

    run(
        "import",
        table(tmp_path),
        "--groups",
        2,
        "-o",
        frames,
        "--job",
        "number=2026-0147",
        "--job",
        f"wording={NASTY[:300]}",
    )
    run("report", frames, "-o", out)

    assert parse_job(load_session([frames]).job_toml or "", "it").number == "2026-0147"
    assert json.loads((out / "report.json").read_text())["job"]["number"] == "2026-0147"
    page = (out / "report.html").read_text()
    assert page.index("2026-0147") < page.index("<h1>")
    assert "<script>alert(1)" not in page
    assert "\u202e" not in page
    assert "\x1b" not in page


def test_a_job_given_to_the_report_takes_the_place_of_the_one_in_the_recording(tmp_path: Path) -> None:
    frames, out = tmp_path / "job.frames", tmp_path / "report"

    run("import", table(tmp_path), "--groups", 2, "-o", frames, "--job", "number=1")
    run("report", frames, "-o", out, "--job", "number=2")

    assert json.loads((out / "report.json").read_text())["job"]["number"] == "2"


def test_rows_leave_out_what_was_not_said() -> None:
    assert job_rows(Job(number="7", temperature_c=20.0)) == [("job", "7"), ("temperature of the room", "20 °C")]


WHOLE = job_toml(Job(number="2026-0147", customer="R. Example", wording="stops on hills"))


@pytest.mark.parametrize(("text", "says"), [
    (WHOLE[: WHOLE.index("Example")], "end of document"),  # cut within a value
    (WHOLE[:4], "end of document"),
    (WHOLE.replace('"2026-0147"', "20\x0047"), "line 2"),
    ("", "says nothing"),
])  # fmt: skip
def test_a_job_that_is_half_there_is_not_left_out_without_a_word(tmp_path: Path, text: str, says: str) -> None:
    frames, out = tmp_path / "job.frames", tmp_path / "report"
    run("import", table(tmp_path), "--groups", 2, "-o", frames)
    with frames.open("ab") as file:
        file.write(message("MARK_JOB", Counter().next(), 0, toml=text))

    told = run("report", frames, "-o", out)

    numbers = json.loads((out / "report.json").read_text())
    assert told.exit_code == 0
    assert says in told.stdout
    assert "The job in this recording cannot be read" in told.stdout
    assert says in numbers["job_unread"]["why"]
    assert numbers["job_unread"]["text"] == text
    assert "job" not in numbers
    page = (out / "report.html").read_text()
    assert page.index("cannot be read") < page.index("<h1>")
    assert "cannot be read" in str(sheet_data(numbers, ["job.frames"], LevelLine())["head"])


def test_a_job_that_is_whole_is_read_and_none_is_none() -> None:
    assert isinstance(carried_job("[job"), UnreadJob)
    assert carried_job(WHOLE) == Job(number="2026-0147", customer="R. Example", wording="stops on hills")
    assert carried_job(None) is None
