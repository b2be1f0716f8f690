"""Faults of the board itself that the practice board can play (firmware/virtual/TRACE.md has their form)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["BOARD_FAULTS", "BoardFault", "played"]


@dataclass(frozen=True, slots=True)
class BoardFault:
    """One fault: what it is in a line, and its entry in BOARD.faults.json but for the time."""

    words: str
    entry: Mapping[str, object]


def _fault(words: str, **entry: object) -> BoardFault:
    return BoardFault(words, MappingProxyType(entry))


# Flash: a 4 kB sector of a serial NOR flash is erased in 45 ms typically and 400 ms at most, a page of 256 bytes
# written in 0.7 and 3 ms: data sheets of such parts, from memory. The other times: our choice.
BOARD_FAULTS: Mapping[str, BoardFault] = MappingProxyType(
    {
        "no_converter": _fault("the converter that reads the groups does not answer", kind="absent_part", part="adc"),
        "no_multiplexer": _fault("the part that drives the relays does not answer", kind="absent_part", part="mux"),
        "no_current_sensor": _fault("current and pack voltage are not measured", kind="absent_part", part="current"),
        "no_thermistors": _fault("the converter of the thermistors does not answer", kind="absent_part", part="ntc"),
        "stuck_bus": _fault("a part holds the bus low and nothing frees it", kind="stuck_bus"),
        "slow_flash": _fault(
            "each write takes as long as its flash may need", kind="slow_flash", erase_ms=400, page_ms=3
        ),
        "full_memory": _fault("its memory takes nothing more", kind="full_memory"),
        "stalled_reader": _fault(
            "10 s of every 30 nobody takes what it sends", kind="stalled_reader", for_s=10, every_s=30
        ),
        "hang": _fault("each 90 s it hangs, until its watchdog restarts it", kind="hang", every_s=90),
    }
)


def played(names: Sequence[str], start_s: float) -> list[dict[str, object]]:
    """Entries for `VirtualBoard`, each from `start_s` of the board's time on; the names are keys of `BOARD_FAULTS`."""
    return [{**BOARD_FAULTS[name].entry, "start_s": start_s} for name in names]
