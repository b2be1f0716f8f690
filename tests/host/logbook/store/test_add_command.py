"""Adding and computing again through the commands, with real recordings and tables."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.logbook.store import book as book_module
from evenstring.logbook.store.database import opened
from evenstring.wire.encode import Counter, identity

from tests.host.streams import recording as a_recording
from tests.host.streams import scans

TOWPATH = Path(__file__).resolve().parents[3] / "data" / "recordings" / "towpath.frames"
PACK = '[pack]\nname = "invented cart"\ngroups = 3\nchemistry = "nca"\ncapacity_ah = 11.0\n'


def run(folder: Path, *words: object) -> Result:
    return CliRunner().invoke(cli, ["logbook", *map(str, words), "--logbook", str(folder / "book")])


def shown(folder: Path, number: int) -> dict[str, Any]:
    return dict(json.loads(run(folder, "show", number).output))


def listed(folder: Path) -> list[dict[str, Any]]:
    return list(json.loads(run(folder, "list", "--json").output))


@pytest.fixture
def charge(tmp_path: Path) -> Path:
    shutil.copyfile(TOWPATH, tmp_path / "charge.frames")
    return tmp_path / "charge.frames"


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """An invented table in millivolts whose columns nobody would guess, discharge positive."""
    rows = [f"{k},3700,{3700 + k % 2},3690,1.5" for k in range(60)]
    path = tmp_path / "ride.csv"
    path.write_text("\n".join(["tick,a,b,c,strom", *rows]) + "\n", encoding="utf-8")
    (tmp_path / "pack.toml").write_text(PACK, encoding="utf-8")
    return path


WISHES = ("--map", "tick=t,a=g1,b=g2,c=g3,strom=-current", "--unit", "g=mV", "--start", "2026-03-01T12:00", "--zone",
          "+02:00")  # fmt: skip


def test_a_recording_is_added_listed_and_shown(tmp_path: Path, charge: Path) -> None:
    added = run(tmp_path, "add", charge)

    assert f"{charge}: recording 1: too little data; of pack 1: Towpath handcart (invented)" in added.output
    assert "the first of this pack" in added.output
    assert [(r["number"], r["pack"]["name"]) for r in listed(tmp_path)] == [(1, "Towpath handcart (invented)")]
    assert shown(tmp_path, 1)["format"] == "evenstring-report/1"


def test_one_that_cannot_be_read_does_not_stop_the_others(tmp_path: Path, charge: Path) -> None:
    (tmp_path / "bad.frames").write_bytes(b"nothing")
    done = run(tmp_path, "add", tmp_path / "bad.frames", tmp_path / "missing.frames", charge)

    assert "2 of 3 not added; the others are" in str(done.exception)
    assert len(listed(tmp_path)) == 1


def test_one_question_is_asked_once_however_many_files_raise_it(tmp_path: Path) -> None:
    for k in range(2):
        rows = [f"{t},3.7,3.7,3.{69 + k}" for t in range(60)]
        (tmp_path / f"{k}.csv").write_text("\n".join(["t_s,g1,g2,g3", *rows]) + "\n", encoding="utf-8")

    done = run(tmp_path, "add", tmp_path / "0.csv", tmp_path / "1.csv", "--groups", "3", "--chemistry", "nmc")

    assert done.stdout.count("which pack is this?") == 1
    assert f"1.csv: not added, for the same reason as {tmp_path / '0.csv'}" in done.stdout


def test_another_profile_under_one_name_is_asked_for_and_answered(tmp_path: Path, table: Path) -> None:
    """Both come without a board's own identity; before, they ran together unseen."""
    other = tmp_path / "other.csv"
    other.write_text(table.read_text(encoding="utf-8").replace("3690", "3650"), encoding="utf-8")
    (tmp_path / "larger.toml").write_text(PACK.replace("11.0", "22.0"), encoding="utf-8")
    run(tmp_path, "add", table, *WISHES, "--pack", tmp_path / "pack.toml")

    unclear = run(tmp_path, "add", other, *WISHES, "--pack", tmp_path / "larger.toml")
    assert "which pack is this" in unclear.output
    assert len(listed(tmp_path)) == 1

    run(tmp_path, "add", other, *WISHES, "--pack", tmp_path / "larger.toml", "--vehicle", "second cart")
    assert {r["pack"]["vehicle"] for r in listed(tmp_path)} == {"invented cart", "second cart"}


def test_a_table_is_read_again_as_it_was_read(tmp_path: Path, table: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Profile, columns, units, zone and start are those of the day it was added; no option is asked for again."""
    run(tmp_path, "add", table, *WISHES, "--pack", tmp_path / "pack.toml")
    first = shown(tmp_path, 1)
    (tmp_path / "pack.toml").unlink()

    nothing = run(tmp_path, "re-analyse")
    monkeypatch.setattr(book_module, "findings_version", lambda: "999")
    before = run(tmp_path, "trend")
    again = run(tmp_path, "re-analyse")

    assert "nothing to do" in nothing.output
    assert "1 recordings were looked at by an earlier version" in before.output
    assert "1 computed again" in again.output
    assert "earlier version" not in run(tmp_path, "trend").output
    assert again.exit_code == 0
    assert shown(tmp_path, 1) == first
    assert first["profile"]["chemistry"] == "nca"
    assert first["recording"]["start"] == "2026-03-01T10:00:00.000+00:00"
    assert "nothing to do" in run(tmp_path, "re-analyse").output


def test_after_an_update_adding_the_same_file_again_computes_it_anew(
    tmp_path: Path, charge: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(tmp_path, "add", charge)
    monkeypatch.setattr(book_module, "findings_version", lambda: "999")

    assert "recording 1 (findings anew)" in run(tmp_path, "add", charge).output
    assert "here already" in run(tmp_path, "add", charge).output
    assert len(listed(tmp_path)) == 1


def test_a_file_that_is_gone_or_changed_keeps_its_findings_and_is_told(tmp_path: Path, charge: Path) -> None:
    second = tmp_path / "second.frames"
    second.write_bytes(charge.read_bytes() + b"\0one more byte or two")
    run(tmp_path, "add", charge, second)
    before = [shown(tmp_path, n) for n in (1, 2)]
    charge.unlink()
    second.write_bytes(b"changed")

    done = run(tmp_path, "re-analyse", "--all")
    one = run(tmp_path, "re-analyse", 7)

    assert f"recording 1: its findings stay as they are: {charge} is gone" in done.output
    assert f"recording 2: its findings stay as they are: {second} is not the file that was added" in done.output
    assert "2 of 2 not computed again" in str(done.exception)
    assert "no recording 7" in one.output
    assert [shown(tmp_path, n) for n in (1, 2)] == before


def test_a_visit_that_is_not_found_any_more_is_told(tmp_path: Path, charge: Path) -> None:
    run(tmp_path, "add", charge)
    with opened(tmp_path / "book") as db:
        db.execute(
            """UPDATE finding SET entry = replace(entry, '"below_discard": []', '"below_discard": [[7, 1.2]]')"""
        )

    told = run(tmp_path, "re-analyse", "--all")

    assert "! group 7 below the discard voltage, as an earlier version found, is not found any more" in told.output


def test_a_given_profile_counts_when_computed_again_and_one_that_was_not_kept_is_asked_for(tmp_path: Path) -> None:
    """The first logbooks did not keep it: findings of defaults must not stand in the place of those of a profile."""
    bare, pack = tmp_path / "bare.frames", tmp_path / "pack.toml"
    bare.write_bytes(a_recording(groups=3))
    pack.write_text(PACK, encoding="utf-8")
    run(tmp_path, "add", bare, "--pack", pack)
    kept = run(tmp_path, "re-analyse", "--all")
    with opened(tmp_path / "book") as db:
        db.execute("UPDATE recording SET pack_toml = NULL")
    lost = run(tmp_path, "re-analyse", "--all")

    assert kept.exit_code == 0
    assert "which profile was given is not kept" in lost.output
    assert shown(tmp_path, 1)["profile"]["chemistry"] == "nca"


def test_a_board_that_is_known_brings_its_pack_name_and_profile(tmp_path: Path) -> None:
    first, second = tmp_path / "1.frames", tmp_path / "2.frames"
    first.write_bytes(a_recording(groups=3))
    second.write_bytes(a_recording(groups=3, seed=6))
    (tmp_path / "pack.toml").write_text(PACK, encoding="utf-8")

    unknown = run(tmp_path, "add", second)
    run(tmp_path, "add", first, "--pack", tmp_path / "pack.toml")
    known = run(tmp_path, "add", second)

    assert "which pack is this" in unknown.output
    assert "of pack 1: invented cart, board invented" in known.output
    assert shown(tmp_path, 2)["profile"] == shown(tmp_path, 1)["profile"]


def test_a_name_that_every_board_of_a_kind_may_have_names_no_pack(tmp_path: Path) -> None:
    """A string name of a board that kept the identity it came with: two vehicles may have both."""
    counter = Counter()
    head = identity(counter, 3, "relay_scan", board_id="rp2040-relay", string_name="left")
    (tmp_path / "1.frames").write_bytes(head + scans(20, 3, counter))

    assert "which pack is this" in run(tmp_path, "add", tmp_path / "1.frames").output
    assert "pack 1: cart, string left" in run(tmp_path, "add", tmp_path / "1.frames", "--name", "cart").output
