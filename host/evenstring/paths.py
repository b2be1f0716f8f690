"""Where the files that travel with the package are: in the wheel, or in the source tree of an editable install."""

from __future__ import annotations

from pathlib import Path

__all__ = ["firmware_dir", "protocol_dir"]

_PACKAGE = Path(__file__).parent
_CARRIED = _PACKAGE / "_carried"  # the wheel puts protocol/ and firmware/ here
_ROOT = _CARRIED if _CARRIED.is_dir() else _PACKAGE.parent.parent


def protocol_dir() -> Path:
    """Folder with the message table, the specification and `evenstring_protocol`."""
    return _ROOT / "protocol"


def firmware_dir() -> Path:
    """Folder with the files that go onto a board."""
    return _ROOT / "firmware"
