"""Files made to hurt: what they cost is bounded, and they get one clear line."""

from __future__ import annotations

import io
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from evenstring.errors import InputError

from tests.host.io.tables.judge import read_back

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

_COST = """
import io, resource, sys
from pathlib import Path
from evenstring.errors import InputError
from evenstring.io.table import import_table
from evenstring.profile import parse_profile
profile = parse_profile("[pack]\\ngroups = 3\\n")
def run(path):
    try:
        with open(path + ".frames", "wb") as out:
            import_table(Path(path), profile, out)
    except InputError:
        pass
run(sys.argv[1])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
run(sys.argv[2])
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)
"""
_PLAIN = "t_s,g1,g2,g3\n" + "".join(f"{k},3.9,3.9,3.9\n" for k in range(200))
_SIZE = 12_000_000  # a dozen blocks
# No table costs more memory than this many times its bytes, and 60 MB; our choice, from what the cases below take.
_MULTIPLE = 12
HOSTILE: dict[str, Callable[[], str]] = {  # made where they are used: some take half a second
    "many short rows": lambda: "t_s,g1,g2,g3\n" + "".join(f"{k},3,3,3\n" for k in range(_SIZE // 14)),
    "one line": lambda: "1" * _SIZE,
    "quotes": lambda: "t_s,g1,g2,g3\n" + '0,"' * (_SIZE // 3),
    "text everywhere": lambda: "t_s,g1,g2,g3\n" + "".join(f"{k},a,b,c\n" for k in range(_SIZE // 14)),
    "nothing but ends": lambda: "t_s,g1,g2,g3\n0,3,3,3\n1,3,3,3\n" + "\n" * _SIZE,
    "separators": lambda: "t_s,g1,g2,g3\n0,3,3,3\n1,3,3,3\n" + ",,,\n" * (_SIZE // 4),
    "zeros and cells by turns": lambda: (
        "t_s,g1,g2,g3\n" + "".join(f"{k},{3 * (k % 2)},3,3\n" for k in range(_SIZE // 14))
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_no_table_costs_more_memory_than_a_multiple_of_its_size(tmp_path: Path, case: str) -> None:
    plain, bad = tmp_path / "plain.csv", tmp_path / "bad.csv"
    plain.write_text(_PLAIN)
    size = bad.write_text(HOSTILE[case]())
    done = subprocess.run(
        [sys.executable, "-c", _COST, str(plain), str(bad)], capture_output=True, text=True, check=True, timeout=120
    )

    assert int(done.stdout) < _MULTIPLE * size + 60e6


def _refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_back(path, 3)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_workbook_that_unpacks_to_a_thousand_times_its_size_is_refused(tmp_path: Path) -> None:
    bomb = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"<row/>" * 20_000_000)

    assert bomb.stat().st_size < 1_000_000
    assert "unpacks to 120 MB" in _refusal(bomb)


def test_a_workbook_cut_off_is_refused(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    for k in range(200):
        book.active.append([k, 3.9, 3.9, 3.9])
    whole = io.BytesIO()
    book.save(whole)
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(whole.getvalue()[:-300])

    assert "damaged" in _refusal(cut)


@pytest.mark.parametrize("cell", ["XFD2", "B1048576"])
def test_a_single_cell_far_out_costs_nothing(tmp_path: Path, cell: str) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["t_s", "g1", "g2", "g3"])
    for k in range(50):
        sheet.append([k, 3.9, 3.8, 3.9])
    sheet[cell] = 1
    far = tmp_path / "far.xlsx"
    book.save(far)

    if cell == "XFD2":
        assert "more than 1000 columns" in _refusal(far)
    else:
        assert read_back(far, 3)[0].scans == 50


def test_a_name_that_commands_a_terminal_is_shown_harmless(tmp_path: Path) -> None:
    path = tmp_path / "in.csv"
    path.write_text("t_s,g1,g2,g3,\x1b[2Jevil\n0,3.9,3.9,3.9,x\n1,3.9,3.9,3.9,y\n")

    assert "\x1b" not in "".join(read_back(path, 3)[1].lines())


def test_a_formula_has_the_value_that_the_program_stored(tmp_path: Path) -> None:
    path = tmp_path / "in.csv"
    path.write_text("t_s,g1,g2,g3\n0,3.9,=1+2,3.9\n1,3.9,3.9,3.9\n2,3.9,3.9,3.9\n")

    assert "'=1+2'" in _refusal(path)
