"""Makes the net lists and tables of the board: `python -m schematic` in hardware_notes; `--check` only compares."""

from __future__ import annotations

import sys
from pathlib import Path

from schematic.kicad import net_list
from schematic.lists import nets_table, parts_table
from schematic.reference import board
from schematic.rules import broken

MADE = Path(__file__).with_name("made")
SIZES = (24, 36, 40)


def files() -> dict[str, str]:
    """Every file with the text that it should have."""
    made = {}
    for groups in SIZES:
        c = board(groups)
        made |= {
            f"relay_{groups}.net": net_list(c),
            f"relay_{groups}_parts.csv": parts_table(c),
            f"relay_{groups}_nets.csv": nets_table(c),
        }
    return made


def main(arguments: list[str]) -> int:
    """Write or compare; 1 when a rule is broken or, with --check, a file is stale."""
    wrong = [what for groups in SIZES for what in broken(board(groups))]
    MADE.mkdir(exist_ok=True)
    for name, text in files().items():
        file = MADE / name
        if file.exists() and file.read_text(encoding="utf-8") == text:
            continue
        if "--check" in arguments:
            wrong.append(f"{name} is stale; run make notes")
        else:
            file.write_text(text, encoding="utf-8")
    sys.stderr.write("".join(f"{what}\n" for what in wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
