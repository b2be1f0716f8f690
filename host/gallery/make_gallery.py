"""Pictures for the README, from invented packs: `make gallery`.

Simulates, reports, opens the page in headless Chromium and the live view in its test driver, and writes small PNGs
beside this file. Needs Chromium, and Pillow for packing (the test extra brings it).
"""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from evenstring.io.load import load_session, profile_of
from evenstring.live.app import WatchApp
from evenstring.live.source import ReplaySource
from evenstring.live.state import LiveState
from PIL import Image

HERE = Path(__file__).parent
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars")
DARK = "--blink-settings=preferredColorScheme=0"
# name, scenario, width, height, more flags
PAGES = (
    ("report", "demo", 1180, 1180, ()),
    ("report-dark", "light_on_but_uneven", 1180, 1180, (DARK,)),
    ("report-weak", "lags_by_resistance", 1180, 1180, ()),
)


def main() -> None:
    """Make all pictures."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if not browser:
        sys.exit("make gallery needs Chromium; on Debian: apt-get install chromium")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for picture, scenario, width, height, flags in PAGES:
            recording = folder / f"{scenario}.frames"
            _tool("simulate", scenario, "--direct", "-o", str(recording))
            _tool("report", str(recording), "-o", str(folder / scenario))
            shot = _shoot(browser, folder / scenario / "report.html", folder / picture, (width, height), flags)
            _pack(shot, HERE / f"{picture}.png")
        page = folder / "watch.html"
        page.write_text(_live_page(folder / "demo.frames", 0.53), encoding="utf-8")
        _pack(_shoot(browser, page, folder / "watch", (1010, 640), ()), HERE / "watch.png")


def _tool(*arguments: str) -> None:
    subprocess.run([sys.executable, "-m", "evenstring", *arguments], check=True, stdout=subprocess.DEVNULL)  # noqa: S603  # our own command


def _shoot(browser: str, page: Path, out: Path, size: tuple[int, int], flags: tuple[str, ...]) -> Path:
    shot = out.with_suffix(".png")
    options = (f"--user-data-dir={out}-profile", f"--window-size={size[0]},{size[1]}", f"--screenshot={shot}", *flags)
    subprocess.run([browser, *FLAGS, *options, page.as_uri()], check=True, capture_output=True, timeout=90)  # noqa: S603  # a page of our own
    return shot


def _live_page(recording: Path, part: float) -> str:
    """The live view at a part of a recording, as a page around the picture that Textual exports."""
    session = load_session([recording])
    state = LiveState(profile_of(session))
    source = ReplaySource(session, recording.name)
    app = WatchApp(state, source)

    async def draw() -> str:
        async with app.run_test(size=(100, 30)) as pilot:
            source.playing = False
            source.seek(session.duration_s * part, state)
            await pilot.press("w")
            await pilot.pause(0.3)
            return app.export_screenshot(title="evenstring watch")

    picture = re.sub(r"@font-face\s*{[^}]*}", "", asyncio.run(draw()))  # no font from elsewhere
    picture = picture.replace("Fira Code", "DejaVu Sans Mono")
    return f"<!doctype html><meta charset=utf-8><body style='margin:0;background:#11171d'>{picture}</body>"


def _pack(shot: Path, out: Path) -> None:
    """Few colours are enough, and keep the repository small."""
    Image.open(shot).convert("RGB").quantize(48, dither=Image.Dither.NONE).save(out, optimize=True)
    sys.stdout.write(f"{out.name}: {out.stat().st_size / 1000:.0f} kB\n")


if __name__ == "__main__":
    main()
