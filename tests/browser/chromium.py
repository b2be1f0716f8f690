"""Headless Chromium, one fresh profile a call."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

__all__ = ["CHROMIUM", "dump_dom", "print_pdf", "screenshot"]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
)  # fmt: skip
DARK = "--blink-settings=preferredColorScheme=0"


def _run(page: Path, *options: str) -> str:
    assert CHROMIUM
    profile = page.parent / f"profile-{len(list(page.parent.glob('profile-*')))}"
    command = [CHROMIUM, *_FLAGS, f"--user-data-dir={profile}", *options, page.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, timeout=90, check=True).stdout


def dump_dom(page: Path, *options: str) -> str:
    """The document after its scripts have run."""
    return _run(page, "--virtual-time-budget=20000", *options, "--dump-dom")


def screenshot(page: Path, out: Path, width: int, height: int, *options: str) -> None:
    """A PNG of the top of the page."""
    _run(page, f"--window-size={width},{height}", *options, f"--screenshot={out}")


def print_pdf(page: Path, out: Path) -> None:
    """The page on paper."""
    _run(page, "--no-pdf-header-footer", f"--print-to-pdf={out}")
