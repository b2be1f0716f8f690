"""Parts and nets of the board as plain tables, to order from and to check a board by."""

from __future__ import annotations

import csv
import io

from schematic.catalog import KINDS
from schematic.kicad import OFF_BOARD, rating_words
from schematic.net import Circuit

__all__ = ["nets_table", "parts_table"]


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    return out.getvalue()


def parts_table(c: Circuit) -> str:
    """One row a piece."""
    rows = []
    for p in c.parts.values():
        where = "harness or apart" if p.kind in OFF_BOARD else "board"
        rows.append((p.ref, p.value, KINDS[p.kind].function, rating_words(c, p), p.sheet, where, p.option))
    return _table(("part", "value", "function", "rating", "sheet", "where", "option"), rows)


def nets_table(c: Circuit) -> str:
    """One row a net."""
    rows = [
        (net, region, str(len(c.on_net(net))), " ".join(f"{p.ref}.{p.name}" for p in c.on_net(net)))
        for net, region in c.regions.items()
    ]
    return _table(("net", "region", "pins", "which"), rows)
