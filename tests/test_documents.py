"""The pages name what exists: every file, module, command and name in backticks is looked for."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGES = ["DEVELOPERS.md", "host/METHODS.md", "host/PROMISES.md", "host/API.md", "firmware/README.md",
         "host/evenstring/analysis/README.md", "CHANGELOG.md"]  # fmt: skip
HOMES = (ROOT, ROOT / "host" / "evenstring", ROOT / "firmware", ROOT / "firmware" / "evenboard")
CODE = ("host", "protocol", "firmware", "tests", "hardware_notes")
KINDS = {".py", ".toml", ".json", ".j2", ".html", ".css", ".js"}
TOOLS = {"ruff", "mypy", "lint-imports", "git log", "time", "sys.modules"}  # of others; no file of ours
GIVEN = {"before.frames", "nothing.frames"}


@cache
def files() -> tuple[Path, ...]:
    """Every file of the project that a page may speak of."""
    found = (p for part in CODE for p in (ROOT / part).rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return (*found, *(p for p in ROOT.iterdir() if p.is_file()))


@cache
def words() -> frozenset[str]:
    """Every name in the code, and the names of its files."""
    code = [p for p in files() if p.suffix in KINDS and p != Path(__file__)] + [ROOT / "Makefile"]
    found = {word for p in code for word in re.findall(r"[A-Za-z_]\w*", p.read_text(encoding="utf-8"))}
    return frozenset(found | {p.stem for p in files()})


def path_exists(name: str, home: Path) -> bool:
    wanted = name.rstrip("/")
    if any(list(folder.glob(wanted)) for folder in (home, *HOMES)):
        return True
    return "/" not in wanted and any(p.name == wanted for p in files())


def exists(token: str, home: Path) -> bool:
    """Whether something in backticks is there: a path, a target of make, a module that is run, or names in the code."""
    if token in TOOLS:
        return True
    if re.fullmatch(r"_[a-z]+", token):  # an ending: the unit in a name
        return any(word.endswith(token) for word in words())
    if token.startswith("make "):
        return re.search(rf"^{token[5:]}:", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M) is not None
    if run := re.match(r"python -m (tests[\w.]*)", token):
        return path_exists(run[1].replace(".", "/") + ".py", ROOT) or path_exists(run[1].replace(".", "/"), ROOT)
    if "/" in token or re.fullmatch(r"[\w.-]+\.(py|md|toml|json)", token):
        return all(path_exists(part, home) for part in token.split() if "/" in part or part == token)
    return all(name in words() for name in re.findall(r"[A-Za-z_]\w*", token.replace("...", "")))


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_names_is_there(page: str) -> None:
    text = re.sub(r"^```.*?^```", "", (ROOT / page).read_text(encoding="utf-8"), flags=re.M | re.S)
    named = set(re.findall(r"`([^`\n]+)`", text)) - GIVEN

    assert named
    assert sorted(token for token in named if not exists(token, (ROOT / page).parent)) == []


@pytest.mark.parametrize("page", PAGES)
def test_links_of_a_page_lead_somewhere(page: str) -> None:
    here = (ROOT / page).parent
    links = re.findall(r"\]\(([^)#:]+)\)", (ROOT / page).read_text(encoding="utf-8"))

    assert [link for link in links if not (here / link).exists()] == []


def test_a_name_that_is_nowhere_is_noticed() -> None:
    gone = ("analysis/" + "topplan.py", "make " + "coffee", "weak" + "ness_wort", "Recor" + "der.begin_never")

    assert not any(exists(token, ROOT) for token in gone)


def test_the_map_fits_two_screens_and_one_scan_takes_under_twenty_stops() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Dependencies and why")[0]
    stops = re.findall(r"^\d+\. .*$", text, re.M)

    assert len(text.splitlines()) <= 85
    assert 10 <= len(stops) < 20
    assert re.findall(r"\*\*(\w+)\*\*", "\n".join(stops)) == ["bytes", "rows", "session", "results", "page"]


def test_every_dependency_is_named_with_its_reason() -> None:
    table = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Dependencies and why")[1]
    listed = re.findall(r'^\s*"([\w-]+)[<>=~;\[]', (ROOT / "pyproject.toml").read_text(encoding="utf-8"), re.M)
    single = re.findall(r'= \["([\w-]+)[<>=]', (ROOT / "pyproject.toml").read_text(encoding="utf-8"))

    missing = {name for name in (*listed, *single) if name not in {"evenstring", "hatchling"} and name not in table}
    assert len(listed) > 20
    assert missing == set()
