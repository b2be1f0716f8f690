"""Data and our template to a PDF. The template stands alone in its folder, cannot read outside, and imports nothing.

So nothing that stands in the data can reach a file or the network: it comes in as JSON and is only ever shown.
"""

from __future__ import annotations

import json
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any

from evenstring.errors import InputError

__all__ = ["refuse_without_typst", "typeset"]


def refuse_without_typst() -> None:
    """Say before the work is done that the library which typesets is not there.

    Raises:
        InputError: it is not installed.
    """
    try:
        import typst  # noqa: F401, PLC0415  # an extra
    except ImportError as error:
        raise InputError(
            "paper needs the extra `paper`: pip install 'evenstring[paper]'. The page report.html prints too"
        ) from error


def typeset(data: dict[str, Any], text: bytes | None = None) -> bytes:
    """Data, and a template of ours, as a PDF.

    Args:
        data: what the template shows; it reads nothing else.
        text: of the template; by default that of the sheet.

    Raises:
        InputError: the extra is not installed, or the page cannot be set.
    """
    refuse_without_typst()
    import typst  # noqa: PLC0415  # an extra

    # Fonts of the system stay in reach: a name in letters that our own font lacks is still to be read.
    with tempfile.TemporaryDirectory(prefix="evenstring-") as folder:
        template = Path(folder) / "page.typ"
        template.write_bytes(text or files("evenstring.workshop.paper").joinpath("sheet.typ").read_bytes())
        try:
            return typst.compile(
                template,
                root=Path(folder),
                format="pdf",
                sys_inputs={"data": json.dumps(data)},
            )
        except (RuntimeError, ValueError) as error:
            raise InputError(f"this cannot be typeset ({error}); report.html prints too") from error
