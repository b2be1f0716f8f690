"""evenstring compare: two recordings of one pack side by side."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap

import click

from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say, say_json
from evenstring.commands.table_options import table_options
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.report.material import Material, gather_material
from evenstring.report.report_json import plain_values
from evenstring.workshop.comparison.answer import UNPROVED, Answer, answer
from evenstring.workshop.comparison.compare import Compared, Row, compare, refuse_other_pack
from evenstring.workshop.comparison.page import comparison_page
from evenstring.workshop.comparison.quantities import QUANTITIES, Kind

__all__ = ["command"]


_WIDTH = 80  # columns: common practice
_PAGE = "before-and-after.html"


@click.command("compare", epilog="Example: evenstring compare before.frames after.frames --pack pack.toml")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@pack_options
@click.option("--same-pack", is_flag=True, help="They are of one pack, whatever their names say.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help=f"Folder for {_PAGE}.")
@click.option("--force", is_flag=True, help="Replace an older page in the folder.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
@table_options
def command(  # one argument an option, all named by click
    before: Path,
    after: Path,
    given: GivenPack,
    same_pack: bool,
    output: Path | None,
    force: bool,
    as_json: bool,
    wishes: Wishes,
) -> None:
    """Say what changed from recording or table BEFORE to AFTER, group by group, and what may be chance.

    First whether the repair between them did what it should: what stood out before, and what became of it.
    """
    if output:
        refuse_existing(output / _PAGE, force)
    first, second = (_read(file, given, wishes) for file in (before, after))
    if not same_pack:
        refuse_other_pack(first, second)
    found = compare(first, second, same_pack=same_pack)
    told = answer(found)
    if output:
        make_folder(output)
        page = comparison_page(found, told, _name(first, second), _about(before, after, first, second))
        write_new(output / _PAGE, page.encode(), force)
    if as_json:
        say_json({"answer": plain_values(told), **plain_values(found)})
        return
    for line in _lines(found, told):
        say(line)
    if output:
        say(f"\nThe page: {output / _PAGE}")


def _name(first: Material, second: Material) -> str:
    return next((m.profile.name for m in (second, first) if m.profile.name), second.session.ident.string_name or "")


def _about(before: Path, after: Path, first: Material, second: Material) -> str:
    return f"{before.name}{_when(first)}, then {after.name}{_when(second)}"


def _when(material: Material) -> str:
    start = material.session.start
    return "" if start is None else f" of {start:%Y-%m-%d}"


def _read(file: Path, given: GivenPack, wishes: Wishes) -> Material:
    with recordings_of((file,), given, wishes) as recordings:
        session, parts = load_recordings(recordings)
    return gather_material(session, profile_of(session, given.profile(session.groups)), parts)


def _lines(found: Compared, told: Answer) -> list[str]:
    clear = [r for r in found.rows if r.clear]
    groups = ", ".join(str(r.group) for r in clear)
    said = [f"{told.headline}.", *(f"! Not the same pack? {one}." for one in found.other_pack)]
    said += [f"! Of one pack? {UNPROVED[0].upper()}{UNPROVED[1:]}."] if found.unproved else []
    said += [f"Now: {told.next}."]
    said.append(f"Changed beyond its interval: group {groups}." if clear else "No group changed beyond its interval.")
    before, after = found.spread_mv
    if before is not None and after is not None:
        said.append(f"Spread at the end of charge: {before:.0f} mV before, {after:.0f} mV after.")
    said.append(f"Verdict: {' before, '.join(v.replace('_', ' ') for v in found.verdicts)} after.")
    said += [f"Note: {c}." for c in found.cautions]
    lines = [line for one in said for line in wrap(one, _WIDTH, subsequent_indent="  ")]
    kinds = [k for k in QUANTITIES if any(r.of(k.key) for r in found.rows)]
    if not kinds:
        return lines
    lines.append(f"{'group':8s}" + "".join(f"{f'{k.key}, {k.unit}':24s}" for k in kinds).rstrip())
    lines += [f"{r.group:5d}{'*' if r.clear else ' '}  " + _cells(r, kinds) for r in found.rows]
    return [*lines, "Before, after, and half of the interval of the change; * beyond it."]


def _cells(row: Row, kinds: list[Kind]) -> str:
    changes = [row.of(k.key) for k in kinds]
    cells = [
        f"{c.before:+z6.1f} {c.after:+z6.1f} ± {(c.high - c.low) / 2.0:.1f}" if c else "not known" for c in changes
    ]
    return "".join(f"{cell:24s}" for cell in cells).rstrip()
