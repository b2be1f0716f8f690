"""evenstring budget: what a front end can resolve, and whether it is over a limit."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import click

from evenstring.checked_toml import toml_text
from evenstring.commands.say import say, say_json
from evenstring.errors import InputError
from evenstring.hardware.budget import Budget, budget_of
from evenstring.hardware.front_end import RelayScan, parse_front_end

__all__ = ["command"]


@click.command("budget", epilog="Example: evenstring budget --groups 36")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--groups", type=click.IntRange(1, 40), help="Groups of the string, instead of the file's.")
@click.option("--conversions", type=click.IntRange(1, 16), help="Conversions averaged into one reading (relay scan).")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON and nothing else.")
@click.pass_context
def command(ctx: click.Context, file: Path | None, groups: int | None, conversions: int | None, as_json: bool) -> None:
    """Compute error, fault, time and drain budget of the front end in FILE (TOML), or of the reference design.

    Ends with 1 when the design is refused.
    """
    design = parse_front_end(_read(file), str(file)) if file else RelayScan()
    if groups:
        design = replace(design, string=replace(design.string, groups=groups))
    if conversions and isinstance(design, RelayScan):
        design = replace(design, converter=replace(design.converter, conversions=conversions))
    budget = budget_of(design)
    if as_json:
        rows = [asdict(line) | {"ok": line.ok} for line in budget.lines]
        say_json({"title": budget.title, "refused": bool(budget.over), "lines": rows})
    else:
        say(_text(budget))
    ctx.exit(1 if budget.over else 0)


def _read(file: Path) -> str:
    try:
        return toml_text(file.read_bytes())
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot read this front end ({error}); give a TOML file") from error


def _text(budget: Budget) -> str:
    out = [budget.title, ""]
    for line in budget.lines:
        limit = ""
        if line.limit is not None:
            limit = f"  {'at least' if line.at_least else 'at most'} {line.limit:.4g}: {'kept' if line.ok else 'OVER'}"
        out.append(f"{line.what:<58} {line.value:>9.4g} {line.unit}{limit}")
    out.append("")
    if budget.over:
        out += [f"Refused: {line.what}: {line.why}." for line in budget.over]
    else:
        out.append(
            "No limit is broken on paper. Values from memory need those of your data sheets; no board was measured."
        )
    return "\n".join(out)
