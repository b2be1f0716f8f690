"""Every sentence of the builder's page and of the failure table is held by a test, or says nothing of the board."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTES = ROOT / "hardware_notes"
LIST = Path(__file__).with_name("sentences.toml")
_ENDS = r"(?<=[.])\s+(?=[A-Z`*\[])"


def sentences() -> dict[str, list[str]]:
    """By page, in order, each once: what the firmware answers and what stays hidden; what the builder's page says."""
    rows = tomllib.loads((NOTES / "failure_modes.toml").read_text(encoding="utf-8"))["mode"]
    table = [s for row in rows for column in ("answer", "hidden") for s in re.split(_ENDS, row[column])]
    lines = (NOTES / "source" / "builder.md").read_text(encoding="utf-8").splitlines()
    plain = [re.sub(r"^(> |\d+\. )", "", line.strip()) for line in lines if not line.startswith(("#", "<!--"))]
    builder = [s for s in re.split(_ENDS, " ".join(plain).strip()) if s]
    return {"failure_modes.toml": list(dict.fromkeys(table)), "builder.md": list(dict.fromkeys(builder))}


def listed() -> list[dict[str, object]]:
    found: list[dict[str, object]] = tomllib.loads(LIST.read_text(encoding="utf-8"))["sentence"]
    return found


@cache
def functions(path: Path) -> frozenset[str]:
    """Names of the tests in a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


@pytest.mark.parametrize("page", ["failure_modes.toml", "builder.md"])
def test_every_sentence_is_in_the_list_word_by_word_and_no_other_is(page: str) -> None:
    assert [entry["says"] for entry in listed() if entry["page"] == page] == sentences()[page]


@pytest.mark.parametrize("entry", listed(), ids=lambda entry: entry["says"][:40])
def test_a_sentence_has_a_test_that_is_there_or_a_reason(entry: dict[str, object]) -> None:
    named = entry.get("tests", [])
    assert isinstance(named, list)
    assert bool(named) is not bool(entry.get("none"))
    for test in named:
        file, _, function = test.partition("::")
        assert function in functions(ROOT / file), test


def test_what_the_firmware_answers_is_tested_but_where_it_answers_nothing() -> None:
    """A reason without a test is allowed for what people do and for what the board cannot see or says it leaves out."""
    rows = tomllib.loads((NOTES / "failure_modes.toml").read_text(encoding="utf-8"))["mode"]
    answers = {s for row in rows for s in re.split(_ENDS, row["answer"])}
    untested = [str(entry["says"]) for entry in listed() if entry["says"] in answers and "none" in entry]

    assert all(says.startswith("None") for says in untested), untested
