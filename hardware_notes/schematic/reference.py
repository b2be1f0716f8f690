"""The whole board for a number of groups."""

from __future__ import annotations

from schematic.net import Circuit
from schematic.pack_side import harness, island1, relays
from schematic.second_island import second_island
from schematic.touch_side import drive, processor, supply

__all__ = ["board"]


def board(groups: int = 24) -> Circuit:
    """Harness, board and options for 1 to 40 groups.

    Raises:
        ValueError: more groups than the decoders, the tool and the firmware take.
    """
    if not 1 <= groups <= 40:
        raise ValueError(f"1 to 40 groups, not {groups}")
    circuit = Circuit(f"reference board, {groups} groups", groups)
    for sheet in (harness, relays, island1, second_island, drive, processor, supply):
        sheet(circuit)
    return circuit
