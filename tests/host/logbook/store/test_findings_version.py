"""When kept findings count as older: as soon as any source that they rest on differs, and not before."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from evenstring import __version__
from evenstring.logbook.store.findings_version import PACKAGE, findings_version, sources, sources_digest

TOWPATH = Path(__file__).resolve().parents[3] / "data" / "recordings" / "towpath.frames"
FINDING = """
import sys
from pathlib import Path
from evenstring.io.load import load_session, profile_of
from evenstring.logbook.entry import entry_of
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
import evenstring.io.table
session = load_session([Path(sys.argv[1])])
material = gather_material(session, profile_of(session))
entry_of(material), report_json(material)
for name, module in sorted(sys.modules.items()):
    if name.split(".")[0] == "evenstring" and module.__file__:
        print(module.__file__)
"""
LOOKING = {"logbook/store/__init__.py"}  # used to find, and holding no line of code


@pytest.mark.slow
def test_every_module_that_is_loaded_to_find_something_counts() -> None:
    done = subprocess.run([sys.executable, "-c", FINDING, str(TOWPATH)], capture_output=True, text=True, check=True)
    loaded = {Path(line) for line in done.stdout.splitlines()}
    missed = {p.relative_to(PACKAGE).as_posix() for p in loaded - set(sources(PACKAGE))}

    assert len(loaded) > 60
    assert missed <= LOOKING


@pytest.mark.parametrize(
    ("changed", "stale"),
    [
        ("analysis/run.py", True), ("ocv.py", True), ("wire/delta.py", True), ("logbook/entry.py", True),
        ("io/table/guess/guess.py", True), ("curves/curves.csv", True),
        ("cli.py", False), ("commands/rider/report.py", False), ("logbook/trends/standing.py", False),
    ],
)  # fmt: skip
def test_a_changed_line_makes_findings_older_where_findings_rest_on_it(
    tmp_path: Path, changed: str, stale: bool
) -> None:
    copy = tmp_path / "evenstring"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__", "assets", "paper"))
    before = sources_digest(copy)
    with (copy / changed).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    sources_digest.cache_clear()

    assert (sources_digest(copy) != before) == stale


def test_it_names_the_program_too_and_stays_as_it_is() -> None:
    assert findings_version() == findings_version()
    assert findings_version().startswith(f"{__version__}/")
