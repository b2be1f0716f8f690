"""Who types the name alone, half a name or --help is helped: at 80 columns, on the right stream, by the right code."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest
from evenstring.cli import cli, main
from evenstring.commands.group import CommandGroup

GROUPS: tuple[tuple[str, ...], ...] = ((), ("logbook",))


def group(words: tuple[str, ...]) -> CommandGroup:
    context = click.Context(cli)
    found = cli if not words else cli.get_command(context, words[0])
    assert isinstance(found, CommandGroup)
    return found


@pytest.mark.parametrize("words", GROUPS)
def test_alone_it_shows_its_help_on_stdout_and_ends_well(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    out = capsys.readouterr().out

    assert ended.value.code == 0
    assert all(f"\n  {name} " in out for name in group(words).rows)
    assert not any(line.endswith(("...", "…")) and "[ARGS]..." not in line for line in out.splitlines())
    assert all(len(line) <= 80 for line in out.splitlines())


@pytest.mark.parametrize("words", GROUPS)
def test_each_line_of_help_is_of_a_command_that_is_there(words: tuple[str, ...]) -> None:
    of = group(words)

    for name in of.rows:
        command = of.get_command(click.Context(of), name)
        assert command is not None
        assert command.help, name


@pytest.mark.parametrize(
    ("typed", "meant"), [(["reprot"], "report"), (["logbok"], "logbook"), (["logbook", "trand"], "trend")]
)
def test_a_mistyped_command_gets_the_nearest(typed: list[str], meant: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(typed)

    assert ended.value.code == 2
    assert f"Did you mean {meant}" in capsys.readouterr().err


def test_the_help_of_all_commands_loads_no_analysis() -> None:
    code = "import sys, evenstring.cli as c\ntry: c.main([])\nexcept SystemExit: print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.splitlines()[-1] == "False"
