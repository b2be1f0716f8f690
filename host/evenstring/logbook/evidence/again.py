"""The facts of a recording computed once more from its file, with the profile that was in force."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from evenstring.errors import InputError
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes, import_table
from evenstring.logbook.entry import entry_of
from evenstring.logbook.evidence.facts import Facts, facts_of
from evenstring.logbook.store.files import seen
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.text import json_text

__all__ = ["TABLES", "facts_again", "wishes_from"]

TABLES = (".csv", ".tsv", ".txt", ".dat", ".asc", ".xlsx", ".xlsm")  # how the name of a table ends, as for `add`


def facts_again(path: Path, written: Facts) -> Facts:
    """What this version finds in a file, with the profile and the wishes of then.

    Args:
        path: a recording, or a table.
        written: what evidence says of it.

    Raises:
        InputError: the file cannot be read, or profile or wishes do not fit.
    """
    where = "profile in the evidence"
    profile = parse_profile(written.pack_toml, where, newer=True) if written.pack_toml else None
    with TemporaryDirectory(prefix="evenstring-") as folder:
        recording = _recording(path, profile, wishes_from(written.wishes), Path(folder))
        session, parts = load_recordings((recording,))
        material = gather_material(session, profile_of(session, profile), parts)
    report = json.loads(json_text(report_json(material)))
    return facts_of(written.number, seen(path), written.wishes, "there", entry_of(material), report)


def wishes_from(text: str) -> Wishes | None:
    """What was said of a table, from the JSON that the logbook keeps; None: nothing.

    Raises:
        InputError: it is no such text.
    """
    if not text:
        return None
    try:
        said = json.loads(text)
        start = None if said["start"] is None else datetime.fromisoformat(said["start"])
        return Wishes(dict(said["roles"]), dict(said["units"]), start, said["zone"], said["day_first"])
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"what was said of this table cannot be read ({error})") from error


def _recording(path: Path, profile: PackProfile | None, wishes: Wishes | None, folder: Path) -> Path:
    """A table is turned into a recording first, as it is when it is added."""
    if path.suffix.lower() not in TABLES or profile is None:
        return path
    made = folder / f"{path.stem}.frames"
    with made.open("wb") as out:
        import_table(path, profile, out, wishes)
    return made
