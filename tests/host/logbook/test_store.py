"""What a logbook keeps, and what its commands make of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli, main
from evenstring.logbook.entry import Entry, from_text, to_text
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened, reading
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing

from tests.host.logbook.store.books import ENTRY, TOLD, add


def test_what_was_added_is_listed_by_pack_and_time_and_again_is_harmless(tmp_path: Path) -> None:
    for k in (2, 1, 3, 1):
        add(tmp_path, k)
    add(tmp_path, 4, told=replace(TOLD, name="trike, right string", string_name="right"))

    with reading(tmp_path / "book") as db:
        rows = list(Book(db, tmp_path / "book").recordings())

    assert [r.path.name for r in rows] == ["1.frames", "2.frames", "3.frames", "4.frames"]
    assert {r.pack.vehicle for r in rows} == {"trike"}
    assert rows[0].entry == ENTRY.__class__(**{**from_fields(ENTRY), "start_s": 1.7e9 + 86400.0})


def from_fields(entry: Entry) -> dict[str, object]:
    return {name: getattr(entry, name) for name in Entry.__dataclass_fields__}


def test_an_entry_comes_back_from_its_text_as_it_was() -> None:
    entry = replace(ENTRY, below_discard=((2, 2.31),))

    assert from_text(to_text(entry)) == entry


def test_entries_become_columns_and_those_without_a_date_count_in_no_trend() -> None:
    history = history_of([replace(ENTRY, start_s=None), ENTRY, replace(ENTRY, start_s=1.6e9, balanced=None)])

    assert len(history) == 2
    assert history.start_s.tolist() == [1.6e9, 1.7e9]
    assert np.isnan(history.even[0])
    assert np.isnan(history.resistance[1, 2])
    assert history.cycles.tolist() == [0.4, 0.4]


def test_a_discard_visit_stands_until_a_person_clears_it_with_a_reason(tmp_path: Path) -> None:
    pack = add(tmp_path, 1).pack
    visited = replace(ENTRY, below_discard=((2, 2.31),))

    with opened(tmp_path / "book") as db:
        book = Book(db, tmp_path / "book")
        book.clear(pack, 2, "cells of group 2 replaced", 1.7e9 + 1.0)
        why = book.cleared(pack)

    assert history_of([visited]).visits[0].cleared == ""
    assert history_of([visited], why).visits[0].cleared == "cells of group 2 replaced"
    assert history_of([replace(visited, start_s=1.8e9)], why).visits[0].cleared == ""  # a later visit stands again


def test_clearing_one_string_leaves_the_warning_of_another_of_the_same_name(tmp_path: Path) -> None:
    """Through the command: two strings of one pack, and a pack of the same name in another vehicle."""
    told = [TOLD, replace(TOLD, string_name="right"), replace(TOLD, vehicle="barrow")]
    visited = replace(ENTRY, below_discard=((2, 1.2),))
    packs = [add(tmp_path, k, told=one, entry=visited).pack for k, one in enumerate(told)]
    clear = ["logbook", "clear", TOLD.name, "2", "--note", "cells replaced", "--logbook", str(tmp_path / "book")]

    unclear = CliRunner().invoke(cli, clear)
    done = CliRunner().invoke(cli, [*clear, "--vehicle", "trike", "--string", "left"])

    assert unclear.exit_code != 0
    assert "Nothing was cleared" in str(unclear.exception)
    assert done.exit_code == 0
    with opened(tmp_path / "book") as db:
        assert [sorted(Book(db, tmp_path / "book").cleared(key)) for key in packs] == [[2], [], []]


def test_a_visit_in_a_recording_without_a_date_is_warned_of_too(tmp_path: Path) -> None:
    add(tmp_path, 1, entry=replace(ENTRY, start_s=None, below_discard=((2, 1.2),)))

    trend = ["logbook", "trend", TOLD.name, "--logbook", str(tmp_path / "book"), "-o", str(tmp_path / "page")]
    done = CliRunner().invoke(cli, trend)
    page = (tmp_path / "page" / "months.html").read_text(encoding="utf-8")

    assert "group 2 was at 1.20 V" in done.output
    assert "do not charge or ride this pack" in done.output
    assert "Do not charge this pack: a group was too low" in page
    assert "in a recording without a date" in page


@pytest.mark.parametrize("action", ["inspect", "do_not_charge"])
def test_what_the_last_report_asked_for_stands_until_a_later_one_does_not(action: str) -> None:
    """Else a page over months would say that nothing stands, beside a report that asks for an inspection."""
    bad, good = replace(ENTRY, action=action), replace(ENTRY, start_s=1.71e9)

    assert [w.kind for w in standing(history_of([bad]), 1.72e9) if w.kind == "last_report"] == ["last_report"]
    assert "Nothing stands" not in months_page(history_of([bad]), "trike", 1.72e9)
    assert not [w for w in standing(history_of([bad, good]), 1.72e9) if w.kind == "last_report"]


def test_an_entry_of_an_earlier_version_is_read_with_what_it_lacks_unknown() -> None:
    text = to_text(ENTRY).replace('"held_h": 0.5, ', "")

    assert from_text(text) == replace(ENTRY, held_h=None)


def test_the_page_of_a_pack_is_written_and_an_older_one_is_not_replaced_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for k in range(3):
        add(tmp_path, k)
    asked = ["logbook", "trend", TOLD.name, "--logbook", str(tmp_path / "book"), "-o", str(tmp_path / "months")]

    codes = []
    for _ in range(2):
        with pytest.raises(SystemExit) as ended:
            main(asked)
        codes.append(ended.value.code)
    page = (tmp_path / "months" / "months.html").read_text(encoding="utf-8")

    assert codes == [0, 1]
    assert "--force" in capsys.readouterr().err
    assert "3 recordings" in page
    assert "Next charge:" in page
