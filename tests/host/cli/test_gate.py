"""Text leaves for a terminal through one gate, and nothing that acts on a screen gets through it."""

from __future__ import annotations

import ast
import unicodedata
from pathlib import Path

import evenstring
import pytest
from evenstring.cli import main
from evenstring.commands.say import say_folded
from evenstring.sim.scenario.reader import load_scenario

from tests.host.streams import recording

HOSTILE = "a\x1b]0;owned\x07\x9b31m\u202etxt"  # a name of a file: escape, bell, C1, direction override
ROOT = Path(evenstring.__file__).parent
GATE = {"cli.py", "commands/say.py"}


def _writes(path: Path) -> list[int]:
    """Lines that write to a stream of the terminal without the gate."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in ("print", "click.echo", "click.secho", "sys.stdout.write", "sys.stderr.write"):
                found.append(node.lineno)
    return found


def test_nothing_is_printed_but_through_the_gate() -> None:
    free = {str(p.relative_to(ROOT)): _writes(p) for p in ROOT.rglob("*.py") if "_carried" not in p.parts}

    assert {name: lines for name, lines in free.items() if lines and name not in GATE} == {}


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit):
        main(list(arguments))
    return "".join(capsys.readouterr())


@pytest.mark.parametrize("arguments", [
    ["report", "{frames}", "-o", "{out}"], ["report", "{frames}", "--json"], ["export", "{frames}", "--to", "csv"],
    ["report", "{out}/absent-{name}"], ["import", "{frames}", "--groups", "4", "-o", "{out}/{name}"],
    ["simulate", "{scenario}", "-o", "{out}/{name}.frames", "--direct"],
    ["batch", "{folder}", "-o", "{out}"],
    ["wiring", "--check", "{frames}", "--groups", "4"],
    ["nonsense-{name}"], ["report", "--{name}"], ["record", "{name}", "-o", "{out}/{name}"],
], ids=lambda a: f"{a[0][:8]}-{len(a)}")  # fmt: skip
def test_a_hostile_name_is_shown_and_never_acts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    frames, scenario = tmp_path / f"{HOSTILE}.frames", tmp_path / f"{HOSTILE}.toml"
    frames.write_bytes(recording(30, 4))
    source = ROOT / "sim" / "scenarios" / "even_evening_charge.toml"
    title = load_scenario("even_evening_charge").title
    scenario.write_text(source.read_text(encoding="utf-8").replace(title, "t\\u001b[2J\\u202e"), encoding="utf-8")
    places = {
        "folder": str(tmp_path),
        "frames": str(frames),
        "scenario": str(scenario),
        "out": str(tmp_path / "out"),
        "name": HOSTILE,
    }

    shown = run(capsys, *(a.format(**places) for a in arguments))

    acting = {c for c in shown if unicodedata.category(c) in ("Cc", "Cf", "Cs") and c not in "\n\t"}
    assert acting == set()
    assert shown


def test_a_long_line_is_folded_on_a_terminal_between_words_and_never_elsewhere(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = f"      CAUTION. {'of what is live ' * 12}{HOSTILE}"
    say_folded(line)
    assert capsys.readouterr().out.count("\n") == 1

    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    say_folded(line)
    shown = capsys.readouterr().out
    assert all(len(part) <= 60 and part.startswith("      ") for part in shown.splitlines())
    assert " ".join(shown.split()).startswith("CAUTION. of what is live of what")
    assert "\x1b" not in shown
