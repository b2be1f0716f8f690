"""A job: who brought which pack, who measured it with what. TOML or single values; it travels in the recording.

[job]
number = "2026-0147"
customer = "R. Example"
pack = "cargo bike 7"
serial = "A-20-0031"
wording = "stops early on the hill behind the mill"   # as the owner put it
operator = "M. Sample"
temperature_c = 21.5                                  # of the room, by hand

[meter]
name = "bench meter 3"
calibrated = "2026-03-02"
certificate = "K-881"
uncertainty = "0.02 % + 0.5 mV (k = 2)"

[noted]                                               # measured by hand
insulation_mohm = 220.0
insulation_u_mohm = 11.0                              # standard uncertainty (k = 1)
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from evenstring.checked_toml import Checked, ValueRule, toml_text
from evenstring.errors import InputError, UsageError
from evenstring.hardware.calibrations import due_since
from evenstring.report.additions import Addition

__all__ = [
    "Job",
    "UnreadJob",
    "carried_job",
    "job_addition",
    "job_given",
    "job_of",
    "job_rows",
    "job_toml",
    "parse_job",
]

_LINE = ValueRule(str, longest=120)  # characters: our choice
_KEY = re.compile(r"[A-Za-z_]+")  # before an "=": no path; a file of such a name is given as ./name
_SEEN = 160  # characters shown of a job that cannot be read: our choice
_MOST = 3500  # bytes: fits into a frame of a recording; our choice
# Table, key in the file -> field here.
_FIELDS: dict[str, dict[str, str]] = {
    "job": {k: k for k in ("number", "customer", "pack", "serial", "wording", "operator", "temperature_c")},
    "meter": {"name": "meter", "calibrated": "meter_calibrated", "certificate": "meter_certificate",
              "uncertainty": "meter_uncertainty"},
    "noted": {"insulation_mohm": "insulation_mohm", "insulation_u_mohm": "insulation_u_mohm"},
}  # fmt: skip
_NUMBERS = {
    "temperature_c": ValueRule(low=-60, high=90),
    "insulation_mohm": ValueRule(low=0, high=1e6),
    "insulation_u_mohm": ValueRule(low=0, high=1e6),
}
_LONG = {"wording": ValueRule(str, longest=500)}
_RULES = {
    table: {key: _NUMBERS.get(field) or _LONG.get(field) or _LINE for key, field in keys.items()}
    for table, keys in _FIELDS.items()
}
# Field, what it is called at the head of a report, unit.
_WORDS = (
    ("number", "job", ""), ("customer", "customer", ""), ("pack", "pack", ""), ("serial", "serial number", ""),
    ("wording", "in the owner's words", ""), ("operator", "measured by", ""),
    ("temperature_c", "temperature of the room", "°C"), ("meter", "hand meter", ""),
    ("meter_calibrated", "hand meter's calibration", ""), ("meter_certificate", "certificate", ""),
    ("meter_uncertainty", "hand meter's uncertainty", ""), ("insulation_mohm", "insulation, by hand", "MΩ"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Job:
    """What is known of a job; empty or None: not said."""

    number: str = ""
    customer: str = ""
    pack: str = ""
    serial: str = ""
    wording: str = ""  # the owner's own
    operator: str = ""
    temperature_c: float | None = None
    meter: str = ""
    meter_calibrated: str = ""
    meter_certificate: str = ""
    meter_uncertainty: str = ""
    insulation_mohm: float | None = None
    insulation_u_mohm: float | None = None  # k = 1


@dataclass(frozen=True, slots=True)
class UnreadJob:
    """A job in a recording that cannot be read: why, and its text as far as it is there."""

    why: str
    text: str

    def addition(self) -> Addition:
        """What the page and report.json get of it; the sheet reads the same key."""
        return Addition("job_unread", asdict(self), head=(("job", self.said()),))

    def said(self) -> str:
        """In one sentence, with what can still be seen."""
        there = f"; what is there: {self.text[:_SEEN]}" if self.text.strip() else ""
        return f"cannot be read: {self.why}; give it with --job{there}"


def carried_job(text: str | None) -> Job | UnreadJob | None:
    """The job in a recording, from its text; None where there is none. One that cannot be read hides no report."""
    if text is None:
        return None
    try:
        job = parse_job(text, "job in the recording", newer=True)
    except InputError as error:
        return UnreadJob(str(error), text)
    return job if job != Job() else UnreadJob("it says nothing", text)


def job_given(given: tuple[str, ...]) -> Job | None:
    """The job of a command line: each value a file, or KEY=VALUE; what stands later counts. None where none was given.

    Raises:
        InputError: a file that cannot be used, a key that is not known.
        UsageError: a text that is neither.
    """
    job = None
    for text in given:
        key, equal, value = text.partition("=")
        if equal and _KEY.fullmatch(key):
            job = _with(job or Job(), key, value.strip())
        else:
            job = _merged(job or Job(), _loaded(Path(text)))
    if job is not None and len(job_toml(job).encode()) > _MOST:
        raise InputError(f"--job: all its texts together must have at most {_MOST} bytes; shorten the longest")
    return job


def parse_job(text: str, where: str, *, newer: bool = False) -> Job:
    """A job from the text of its file; `newer`: a program wrote it, maybe a later version.

    Raises:
        InputError: with line and reason.
    """
    doc = Checked(text, where)
    if newer:
        doc.forget_unknown(_RULES)
    doc.check_tables(list(_RULES))
    values: dict[str, Any] = {}
    for table, rules in _RULES.items():
        values |= {_FIELDS[table][key]: value for key, value in doc.table(table, rules).items()}
    return Job(**values)


def job_of(carried: str | None, given: Job) -> Job:
    """The job in a recording, with what was given beside it; one that cannot be read hides nothing and is left out."""
    try:
        return _merged(parse_job(carried or "", "job in the recording", newer=True), given)
    except InputError:
        return given


def job_toml(job: Job) -> str:
    """The job as the text of its file: what was said and no more."""
    lines = []
    for table, keys in _FIELDS.items():
        said = [(key, getattr(job, field)) for key, field in keys.items() if getattr(job, field) not in ("", None)]
        if said:
            lines += [f"[{table}]", *(f"{key} = {_written(value)}" for key, value in said)]
    return "\n".join(lines) + "\n"


def job_rows(job: Job, at: date | None = None) -> list[tuple[str, str]]:
    """Label and value of all that was said, as the head of a report shows it; `at`: the day of the recording."""
    rows = []
    for field, label, unit in _WORDS:
        value = getattr(job, field)
        if value not in ("", None):
            said = value if isinstance(value, str) else f"{value:g} {unit}"
            rows.append((label, said + _due(said, at) if field == "meter_calibrated" else said))
    return rows


def job_addition(job: Job, at: date | None = None) -> Addition:
    """What the page and report.json get of it; `at`: the day of the recording."""
    return Addition("job", asdict(job), head=tuple(job_rows(job, at)))


def _due(calibrated: str, at: date | None) -> str:
    """Since when the hand meter was due; empty where it was not, or where its day is not written like 2026-03-02."""
    try:
        due = due_since(date.fromisoformat(calibrated.strip()), at)
    except ValueError:
        return ""
    return f"; due since {due}" if due else ""


def _written(value: str | float) -> str:
    """A value in TOML; JSON escapes all that a basic string wants escaped but DEL."""
    if isinstance(value, float):
        return repr(value)
    whole = value.encode("utf-8", "replace").decode("utf-8")  # a command line may hold bytes that are no text
    return json.dumps(whole, ensure_ascii=False).replace("\x7f", "\\u007f")


def _loaded(path: Path) -> Job:
    try:
        text = toml_text(path.read_bytes())
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"--job {path}: cannot read this job ({error}); give a TOML file, or KEY=VALUE like number=12"
        ) from error
    return parse_job(text, str(path))


def _merged(job: Job, over: Job) -> Job:
    said = {f.name: getattr(over, f.name) for f in fields(Job) if getattr(over, f.name) not in ("", None)}
    return replace(job, **said)


def _with(job: Job, key: str, value: str) -> Job:
    """One value from the command line; its key is a field, as in `meter_certificate`, or one of the file."""
    field = next((f.name for f in fields(Job) if f.name == key), None)
    table, name = next(
        ((t, k) for t, keys in _FIELDS.items() for k, f in keys.items() if f == (field or key)), ("job", key)
    )
    try:
        written = _written(float(value) if field in _NUMBERS else value)
        return _merged(job, parse_job(f"[{table}]\n{name} = {written}\n", "--job"))
    except (ValueError, InputError) as error:
        known = ", ".join(f.name for f in fields(Job))
        raise UsageError(f"--job {key}={value}: {error}. Keys are {known}") from error
