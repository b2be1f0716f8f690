"""Data and a template of ours to a PDF. The template lies in a folder with our common look and cannot read outside it.

So nothing that stands in the data can reach a file or the network: it comes in as JSON and is only ever shown.
"""

from __future__ import annotations

import json
import tempfile
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from evenstring.errors import InputError

__all__ = ["can_typeset", "refuse_without_typst", "typeset"]


def can_typeset() -> bool:
    """Whether the library that typesets, an extra, is installed."""
    return find_spec("typst") is not None


def refuse_without_typst() -> None:
    """Say before the work is done that the library which typesets is not there.

    Raises:
        InputError: it is not installed.
    """
    if not can_typeset():
        raise InputError("paper needs the extra `paper`: pip install 'evenstring[paper]'. The page (.html) prints too")


def typeset(data: dict[str, Any], text: bytes | None = None) -> bytes:
    """Data, and a template of ours, as a PDF; the same data make the same bytes.

    Args:
        data: what the template shows; it reads nothing else.
        text: of the template, which may import `common.typ`; by default that of the sheet.

    Raises:
        InputError: the extra is not installed, or the page cannot be set.
    """
    refuse_without_typst()
    import typst  # noqa: PLC0415  # an extra

    # Fonts of the system stay in reach: a name in letters that our own font lacks is still to be read.
    ours = files("evenstring.workshop.paper")
    with tempfile.TemporaryDirectory(prefix="evenstring-") as folder:
        template, common = Path(folder) / "page.typ", Path(folder) / "common.typ"
        template.write_bytes(text or ours.joinpath("sheet.typ").read_bytes())
        common.write_bytes(ours.joinpath("common.typ").read_bytes())
        try:
            return typst.compile(
                template,
                root=Path(folder),
                format="pdf",
                sys_inputs={"data": json.dumps(data)},
            )
        except (RuntimeError, ValueError) as error:
            raise InputError(f"this cannot be typeset ({error}); the page (.html) prints too") from error
