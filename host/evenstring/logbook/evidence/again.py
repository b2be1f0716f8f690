"""The facts of a recording computed once more from its file, with the profile that was in force."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory

from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import import_table
from evenstring.logbook.entry import entry_of
from evenstring.logbook.evidence.facts import Facts, facts_of
from evenstring.logbook.store.book import sha256_of
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.text import json_text

__all__ = ["TABLES", "facts_again"]

TABLES = (".csv", ".tsv", ".txt", ".dat", ".asc", ".xlsx", ".xlsm")  # how the name of a table ends, as for `add`


def facts_again(path: Path, number: int, pack_toml: str) -> Facts:
    """What this version finds in a file.

    Args:
        path: a recording, or a table.
        number: in the logbook.
        pack_toml: the profile in force then; empty: the one in the recording.

    Raises:
        InputError: the file cannot be read, or the profile does not fit.
    """
    digest = sha256_of(path)
    profile = parse_profile(pack_toml, "profile in the evidence", newer=True) if pack_toml else None
    with TemporaryDirectory(prefix="evenstring-") as folder:
        session, parts = load_recordings((_recording(path, profile, Path(folder)),))
        material = gather_material(session, profile_of(session, profile), parts)
    report = json.loads(json_text(report_json(material)))
    return facts_of(number, path.name, digest, "there", entry_of(material), report)


def _recording(path: Path, profile: PackProfile | None, folder: Path) -> Path:
    """A table is turned into a recording first, as it is when it is added."""
    if path.suffix.lower() not in TABLES or profile is None:
        return path
    made = folder / f"{path.stem}.frames"
    with made.open("wb") as out:
        import_table(path, profile, out)
    return made
