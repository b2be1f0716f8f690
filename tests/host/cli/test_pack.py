"""`evenstring pack` asks and writes pack.toml; a table is reported on with the pack described by options."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.chemistry import CHEMISTRIES
from evenstring.cli import cli, main
from evenstring.profile import load_profile

from tests.host.streams import recording

FLAGS = ["--groups", "20", "--chemistry", "nmc", "--capacity", "20"]


def pack(folder: Path, *options: str, answers: str | None = None) -> tuple[int, str, Path]:
    path = folder / "pack.toml"
    result = CliRunner().invoke(cli, ["pack", *options, "-o", str(path)], input=answers)
    return result.exit_code, f"{result.output}{result.exception or ''}", path


def test_three_flags_write_a_profile_that_assumes_all_else_and_says_so(tmp_path: Path) -> None:
    code, said, path = pack(tmp_path, *FLAGS)
    profile = load_profile(path)

    assert code == 0
    assert (profile.groups, profile.chemistry, profile.capacity_ah) == (20, "nmc", 20.0)
    assert {"limits.ceiling_v", "limits.discard_v", "balancer.bleed_ma"} <= set(profile.defaults)
    assert "84.0 V when full" in said
    assert "60 V DC" in said
    assert "# ceiling_v = 4.25" in path.read_text()


def test_it_asks_again_for_what_cannot_be_and_takes_spellings(tmp_path: Path) -> None:
    answers = ['trike "two" \\', "241", "16", "lead", "LiFePO4", "20000", "105", *([""] * 3), "2.5", "80", "7"]

    code, said, path = pack(tmp_path, answers="\n".join(answers) + "\n")
    profile = load_profile(path)

    assert code == 0
    assert (profile.name, profile.groups, profile.chemistry) == ('trike "two" \\', 16, "lfp")
    assert (profile.capacity_ah, profile.bleed_ma, profile.charger_current_a) == (105.0, 80.0, 7.0)
    assert (profile.full_v, profile.discard_v) == (CHEMISTRIES["lfp"].full_v, 2.5)
    assert "241 is not in the range" in said
    assert "'lead' is not known" in said
    assert "limits.discard_v" not in profile.defaults
    assert "limits.full_v" in profile.defaults  # Enter keeps it a default


def test_limits_that_do_not_rise_are_asked_again(tmp_path: Path) -> None:
    answers = ["", "4.1", "4.0", "", "", "4.1", "4.15", "", "", "", ""]

    code, said, path = pack(
        tmp_path, "--groups", "16", "--chemistry", "nca", answers="\n" + "20\n" + "\n".join(answers[1:]) + "\n"
    )

    assert code == 0
    assert "They must rise" in said
    assert load_profile(path).ceiling_v == 4.15


def test_an_answer_that_never_comes_writes_nothing(tmp_path: Path) -> None:
    code, said, path = pack(tmp_path, answers="trike\n16\n")

    assert code != 0
    assert not path.exists()
    assert "not written, since a question got no answer. Without questions: evenstring pack --groups" in said


def test_a_blank_answer_where_a_number_is_needed_is_told_why_it_is_asked_again(tmp_path: Path) -> None:
    _, said, _ = pack(tmp_path, answers="trike\n\n16\nnmc\n\n")

    assert said.count("a number is needed here") == 2


def test_an_existing_file_stays_without_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "pack.toml"
    path.write_text("mine")

    with pytest.raises(SystemExit, match="1"):
        main(["pack", *FLAGS, "-o", str(path)])
    assert "exists already" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert pack(tmp_path, *FLAGS, "--force")[0] == 0
    assert tomllib.loads(path.read_text())["pack"]["groups"] == 20


@pytest.mark.parametrize(
    ("flag", "value", "said"),
    [
        ("--groups", "0", "not in the range"), ("--capacity", "1e-300", "not in the range"),
        ("--capacity", "nan", "must be a number"), ("--chemistry", "agm", "use one of nmc"),
    ],
)  # fmt: skip
def test_absurd_flags_are_refused(tmp_path: Path, flag: str, value: str, said: str) -> None:
    code, output, path = pack(tmp_path, *FLAGS, flag, value)

    assert code != 0
    assert said in output
    assert not path.exists()


def table(folder: Path) -> Path:
    """An invented rest of three groups, one of them 30 mV low."""
    path = folder / "rest.csv"
    rows = [f"{t},3.900,3.8990,3.8700" for t in range(0, 3600, 10)]
    path.write_text("t_s,g1,g2,g3\n" + "\n".join(rows) + "\n")
    return path


def reported(*options: str | Path) -> dict:
    result = CliRunner().invoke(cli, ["report", *map(str, options), "--json"])
    assert result.exit_code == 0, result.stdout
    return json.loads(result.stdout)


def test_a_table_is_reported_on_in_one_step_as_with_a_profile_and_a_recording(tmp_path: Path) -> None:
    _, _, profile = pack(tmp_path, "--groups", "3", "--chemistry", "lfp", "--capacity", "20")
    frames = tmp_path / "rest.frames"
    CliRunner().invoke(cli, ["import", str(table(tmp_path)), "--pack", str(profile), "-o", str(frames)])

    by_options = reported(table(tmp_path), "--groups", "3", "--chemistry", "LiFePO4", "--capacity", "20")

    assert by_options["limits"]["ceiling_v"] == 3.65
    assert by_options["spread"]["rest_mv"] == pytest.approx(30.0, abs=1.0)
    assert by_options["spread"] == reported(frames)["spread"]


def test_a_recording_with_options_takes_its_own_number_of_groups(tmp_path: Path) -> None:
    frames = tmp_path / "invented.frames"
    frames.write_bytes(recording(60, 4))

    assert reported(frames, "--chemistry", "lfp")["limits"]["full_v"] == 3.60


@pytest.mark.parametrize(
    ("options", "said"),
    [([], "a table does not say its pack"), (["--chemistry", "nmc"], "say --groups"),
     (["--groups", "3", "--pack", "pack.toml"], "not both")],
)  # fmt: skip
def test_a_table_without_its_pack_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["report", str(table(tmp_path)), *options])
    assert said in capsys.readouterr().err


def test_a_table_takes_the_pack_that_lies_beside_it(tmp_path: Path) -> None:
    """As a batch does, so that one folder needs one file."""
    table = tmp_path / "ride.csv"
    table.write_text("t_s,g1,g2\n" + "".join(f"{k},3.9,3.91\n" for k in range(40)))
    (tmp_path / "pack.toml").write_text('[pack]\nname = "Gravel path trike"\ngroups = 2\nchemistry = "nmc"\n')

    result = CliRunner().invoke(cli, ["report", str(table), "-o", str(tmp_path / "out")])

    assert result.exit_code == 0, result.output
    assert "of the pack in" in result.stderr
    assert "Gravel path trike" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_file_named_twice_is_no_comparison(tmp_path: Path) -> None:
    path = tmp_path / "a.frames"
    path.write_bytes(recording(20))

    result = CliRunner().invoke(cli, ["report", str(path), str(path)])

    assert "is named twice" in str(result.exception or result.output)
