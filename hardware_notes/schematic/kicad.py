"""The board as a KiCad net list (s-expressions, version E): parts, values, footprints, pins, nets.

Format as KiCad's own exporter writes it and its board editor imports it; an outside parser reads it back in the tests.
Identities are made from references, so that the same board gives the same bytes.
"""

from __future__ import annotations

import uuid

from schematic.catalog import KINDS, ratings_of
from schematic.net import Circuit, Part

__all__ = ["OFF_BOARD", "net_list"]

# What is in the harness, on the cells or at the handlebar: no footprint on the board.
OFF_BOARD = frozenset({"cell", "lead fuse", "lead resistor", "tie resistor", "feed fuse", "pulse resistor",
    "thermistor", "current sensor", "button", "light", "buzzer"})  # fmt: skip
_SPACE = uuid.UUID("9d2f3a86-0c53-5c0f-9a45-1f0a6d2c7b11")  # any fixed one
_UNITS = {"w": "W", "v": "V", "a": "A", "input_a": "A an input"}


def net_list(c: Circuit) -> str:
    """The whole net list as text."""
    parts = "\n".join(_component(c, p) for p in c.parts.values())
    nets = "\n".join(_net(c, code, name) for code, name in enumerate(c.regions, start=1))
    design = f'(design (source "{c.title}") (date "") (tool "evenstring hardware_notes"))'
    return f'(export (version "E")\n  {design}\n  (components\n{parts})\n  (nets\n{nets}))\n'


def rating_words(c: Circuit, part: Part) -> str:
    """Ratings of a part as text."""
    return ", ".join(f"{v:g} {_UNITS[k]}" for k, v in ratings_of(part.kind, c.groups).items())


def _component(c: Circuit, part: Part) -> str:
    kind = KINDS[part.kind]
    board = part.kind not in OFF_BOARD and part.ref != "R91A"
    footprint = f' (footprint "{kind.footprint}")' if kind.footprint and board else ""
    fields = {"Rating": rating_words(c, part), "Function": kind.function, "Option": part.option}
    given = " ".join(f'(field (name "{n}") "{v}")' for n, v in fields.items() if v)
    off = "" if board else ' (property (name "exclude_from_board"))'
    return (
        f'    (comp (ref "{part.ref}") (value "{part.value or "~"}"){footprint} (fields {given})'
        f' (libsource (lib "evenstring") (part "{part.kind}") (description "")){off}'
        f' (sheetpath (names "/{part.sheet}/") (tstamps "/{_identity("sheet " + part.sheet)}/"))'
        f' (tstamps "{_identity(part.ref)}"))'
    )


def _identity(name: str) -> uuid.UUID:
    return uuid.uuid5(_SPACE, name)


def _net(c: Circuit, code: int, name: str) -> str:
    nodes = " ".join(f'(node (ref "{p.ref}") (pin "{p.number}") (pinfunction "{p.name}"))' for p in c.on_net(name))
    return f'    (net (code "{code}") (name "{name}") {nodes})'
