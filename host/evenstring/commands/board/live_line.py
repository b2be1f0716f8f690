"""What is being received, a line for each port: in place on a terminal, now and then in a log."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from evenstring.commands.say import say
from evenstring.io.capture import Status
from evenstring.text import plain

__all__ = ["LiveLine", "status_line"]

_PLAIN_S = 10.0  # a log gets a line this often: our choice


def status_line(status: Status, path: Path) -> str:
    """One line that says what is being received and where it goes."""
    spread = "spread –" if status.spread_mv is None else f"spread {status.spread_mv:.1f} mV"
    minutes, seconds = divmod(int(status.elapsed_s), 60)
    texts = f", {status.console_pieces} console texts" if status.console_pieces else ""
    cut = " (cut on joining)" if status.frames_damaged == status.cut_on_joining == 1 else ""
    trouble = f"! {status.trouble}  " if status.trouble else ""
    return (
        f"{trouble}{status.state} {minutes}:{seconds:02d}  {status.groups} groups  {status.scans} scans"
        f" ({status.scans_per_s:.1f}/s)  {spread}  {status.frames_damaged} damaged{cut},"
        f" {status.frames_lost} lost{texts}  {status.bytes_written / 1000:.0f} kB -> {plain(path)}"
    )


class LiveLine:
    """Shows statuses: a line for each recording in place on a terminal, one every 10 s in a log, nothing when quiet."""

    def __init__(self, *paths: Path, quiet: bool) -> None:
        self._console = Console(stderr=True)
        self._live = (
            Live(console=self._console, refresh_per_second=5) if self._console.is_terminal and not quiet else None
        )
        self._quiet = quiet
        self._logged_s = dict.fromkeys(paths, -_PLAIN_S)
        self.latest: dict[Path, Status] = {}

    def __enter__(self) -> LiveLine:
        if self._live:
            self._live.start()
        return self

    def __exit__(self, *_error: object) -> None:
        if self._live:
            self._live.stop()  # leaves the last lines where they are

    def show(self, path: Path, status: Status) -> None:
        """Take the latest status of a recording; from any thread."""
        self.latest[path] = status
        if self._live:
            lines = [Text(status_line(s, p), no_wrap=True, overflow="ellipsis") for p, s in sorted(self.latest.items())]
            self._live.update(Group(*lines))
        elif not self._quiet and status.elapsed_s - self._logged_s[path] >= _PLAIN_S:
            self._logged_s[path] = status.elapsed_s
            say(status_line(status, path), err=True)
