"""Pictures of a recording as files. Call: python host/examples/plots_of_a_session.py RECORDING [FOLDER].

In a notebook the last line of a cell is enough: evenstring.plot_levels(evenstring.load("charge.frames"))
"""

from __future__ import annotations

import sys
from pathlib import Path

import evenstring


def main(recording: Path, folder: Path) -> list[Path]:
    """Write three pictures; return their paths."""
    session = evenstring.load(recording)
    report = evenstring.report(session)
    folder.mkdir(parents=True, exist_ok=True)
    figures = {
        "levels": evenstring.plot_levels(session, report),
        "spread": evenstring.plot_spread(session, report),
        "groups": evenstring.plot_groups(session, [1, session.groups]),
    }
    written = []
    for name, figure in figures.items():
        written.append(folder / f"{name}.svg")
        figure.savefig(written[-1])
    return written


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    for path in main(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) == 3 else "out/plots")):
        sys.stdout.write(f"{path}\n")
