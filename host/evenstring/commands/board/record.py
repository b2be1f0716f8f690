"""evenstring record: bytes from a port to the disk, and a line that shows what is coming in."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from rich.console import Console
from rich.live import Live
from rich.text import Text

from evenstring.commands.job_options import job_option
from evenstring.commands.log_options import Log, log_option
from evenstring.commands.say import say
from evenstring.errors import DeviceError
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.recorder import RecordingWriter
from evenstring.profile import load_profile
from evenstring.text import plain
from evenstring.workshop.job import Job, job_toml

__all__ = ["LiveLine", "command", "ended_by_signals", "refuse_silence", "status_line"]

_PLAIN_S = 10.0  # a log gets a line this often


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
    """Shows statuses: one line in place on a terminal, a line every 10 s in a log, nothing when quiet."""

    def __init__(self, path: Path, quiet: bool) -> None:
        self._path = path
        self._console = Console(stderr=True)
        self._live = (
            Live(console=self._console, refresh_per_second=5) if self._console.is_terminal and not quiet else None
        )
        self._quiet = quiet
        self._logged_s = -_PLAIN_S
        self.latest: Status | None = None

    def __enter__(self) -> LiveLine:
        if self._live:
            self._live.start()
        return self

    def __exit__(self, *_error: object) -> None:
        if self._live:
            self._live.stop()  # leaves the last line where it is

    def show(self, status: Status) -> None:
        """Take the latest status."""
        self.latest = status
        if self._live:
            self._live.update(Text(status_line(status, self._path), no_wrap=True, overflow="ellipsis"))
        elif not self._quiet and status.elapsed_s - self._logged_s >= _PLAIN_S:
            self._logged_s = status.elapsed_s
            say(status_line(status, self._path), err=True)


@click.command("record", epilog="Example: evenstring record /dev/ttyACM0 --pack pack.toml -o charge.frames")
@click.argument("port")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--pack", type=click.Path(path_type=Path), help="Pack profile to store in the recording.")
@click.option("--seconds", type=click.FloatRange(min=0), help="Stop after this time; otherwise Ctrl-C stops.")
@click.option("--note", help="A note to store in the recording.")
@job_option
@log_option
@click.option(
    "--interval-ms", default=0, type=click.IntRange(0, 65535), help="Time between scans; 0: as fast as it can."
)
@click.option("--quiet-interval-ms", default=0, type=click.IntRange(0, 65535), help="Time between scans at rest.")
@click.option("--append", is_flag=True, help="Add to the recording if it exists.")
@click.option("--quiet", is_flag=True, help="Say nothing while recording.")
def command(  # noqa: PLR0913, PLR0917  # one argument an option, all named by click
    port: str,
    output: Path,
    pack: Path | None,
    seconds: float | None,
    note: str | None,
    job: Job | None,
    interval_ms: int,
    quiet_interval_ms: int,
    append: bool,
    quiet: bool,
    log: Log | None,
) -> None:
    """Record what the monitor on PORT sends; any pyserial name or URL.

    Bytes reach the disk before anything looks at them. If the cable is pulled, recording goes on when it is back.
    The monitor is no substitute for the pack's protection board. Never charge unattended.
    """
    profile = load_profile(pack) if pack else None
    options = CaptureOptions(
        interval_ms, quiet_interval_ms, seconds, profile=profile, note=note, job_toml=job_toml(job) if job else None
    )
    writer = RecordingWriter(output, append)
    line = LiveLine(output, quiet)
    try:
        with ended_by_signals() as asked, writer, line:
            capture(port, writer, options, line.show, asked)
    except KeyboardInterrupt:
        pass  # asked for again and again: what was recorded is kept
    except Exception:
        if not writer.bytes_written and not append:
            output.unlink(missing_ok=True)  # nothing was ever received: leave no empty file behind
        raise
    refuse_silence(port, writer, append)
    if not quiet:
        say(f"{output}: {writer.decoder.frames_good} frames, {writer.bytes_written} bytes")
        if line.latest and line.latest.trouble:
            say(f"! {line.latest.trouble}")
        if line.latest and line.latest.reset_by_opening:
            say(f"the board restarted as {port} was opened: what it was doing before ended there")
        if line.latest and line.latest.ident and line.latest.ident.memory_words:
            say(f"the board's own memory: {line.latest.ident.memory_words}")
    if log:
        log.take((output,))


_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
_ENOUGH = 3  # signals after which the end is no longer waited for; our choice


@contextmanager
def ended_by_signals() -> Iterator[Callable[[], bool]]:
    """Gives what says whether a signal asked for the end, so that the board is stopped and the recording closed first.

    A second signal changes nothing, since the end is under way; a third one ends at once, for a disk that hangs. Also
    in a job whose shell ignores the first signal, and when the terminal is closed.
    """
    came: list[int] = []

    def note(number: int, _frame: object) -> None:
        came.append(number)
        if len(came) >= _ENOUGH:
            raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield lambda: False  # only the main thread may take signals
        return
    before = [signal.signal(number, note) for number in _SIGNALS]
    try:
        yield lambda: bool(came)
    finally:
        for number, handler in zip(_SIGNALS, before, strict=True):
            signal.signal(number, handler)


def refuse_silence(port: str, writer: RecordingWriter, append: bool) -> None:
    """A port that gave no frame at all is most likely the wrong one; bytes that did come are kept."""
    came = writer.decoder.bytes_total
    if writer.decoder.frames_good:
        return
    if not came and not append:
        writer.path.unlink(missing_ok=True)
    what = f"no frame, only bytes that are kept in {writer.path}," if came else "nothing"
    raise DeviceError(f"{port}: {what} came from this port; is it an evenstring board, and is it used by nothing else?")
