"""What findings are of: the program's version, and a digest of the sources that they rest on.

Of the sources and not a number that is raised by hand: a number is forgotten, and a forgotten one leaves old findings
standing as if they were of today. What it costs is that a changed comment makes findings count as older; in a released
version nothing changes without the version changing too. Rooms that only ask for findings, or show them, do not count
(`ASKING`).
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from evenstring import __version__

__all__ = ["ASKING", "findings_version", "sources", "sources_digest"]

PACKAGE = Path(__file__).parents[2]
# Rooms and files from whose change no finding changes; `logbook` counts by its entries alone.
ASKING = (
    "commands", "live", "board", "workshop", "plan", "plots.py", "cli.py", "api.py", "__main__.py", "logbook/evidence",
    "logbook/store", "logbook/trends", "logbook/data_set.py", "logbook/columns.py", "logbook/of_pack.py", "sim",
    "report/page.py", "report/assets",
)  # fmt: skip
_DIGITS = 12  # of the digest: our choice, one change in 2^48 goes unseen


def findings_version() -> str:
    """Of the findings that this program makes."""
    return f"{__version__}/{sources_digest(PACKAGE)}"


@cache
def sources_digest(package: Path) -> str:
    """Of the sources in a package's folder that findings rest on, by name and content."""
    digest = hashlib.sha256()
    for path in sources(package):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:_DIGITS]


def sources(package: Path) -> list[Path]:
    """Those files, in order."""
    asking = tuple(package / one for one in ASKING)
    found = [*package.rglob("*.py"), *package.rglob("*.csv")]  # the curves are a table
    return [p for p in sorted(found) if not any(p == one or one in p.parents for one in asking)]
