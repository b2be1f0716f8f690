"""What a logbook gives and takes: rows of its tables, as values."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenstring.errors import InputError
from evenstring.logbook.store.whose import PackKey

if TYPE_CHECKING:
    from evenstring.logbook.entry import Entry

__all__ = ["Added", "Found", "Listed", "Source"]


@dataclass(frozen=True, slots=True)
class Listed:
    """One recording as it stands in the logbook; `figures_text`: its entry as JSON."""

    number: int
    pack: PackKey
    path: Path
    sha256: str
    size: int
    start_s: float | None
    figures_text: str

    @property
    def entry(self) -> Entry:
        """Its figures for trends.

        Raises:
            InputError: the text is damaged.
        """
        # The analysis and numpy come with it: who only lists recordings does not wait for them.
        from evenstring.logbook.entry import from_text  # noqa: PLC0415

        try:
            return from_text(self.figures_text)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise self.damaged() from error

    @property
    def figures(self) -> dict[str, Any]:
        """The same as plain values, which takes no time.

        Raises:
            InputError: the text is damaged.
        """
        try:
            return dict(json.loads(self.figures_text))
        except (ValueError, TypeError) as error:
            raise self.damaged() from error

    def damaged(self) -> InputError:
        """What to say where its text is none that was ever written."""
        return InputError(
            f"the findings of recording {self.number} are damaged, and so is the logbook's database: put it aside and"
            f" add the recordings again ({self.path} is this one; it was not touched)"
        )


@dataclass(frozen=True, slots=True)
class Source:
    """How a recording was read: with which profile (None: its own), and a table by which wishes, as JSON."""

    pack_toml: str | None = None
    wishes: str | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """What was found in a recording: figures for trends, report.json whole, and how it was read."""

    entry: Entry
    report: str
    source: Source = Source()


@dataclass(frozen=True, slots=True)
class Added:
    """What adding came to.

    Attributes:
        number: of the recording.
        known: it was here already.
        grew: it is one that was here when it was shorter.
        new_pack: it began a pack.
    """

    number: int
    pack: PackKey
    known: bool
    grew: bool
    new_pack: bool
