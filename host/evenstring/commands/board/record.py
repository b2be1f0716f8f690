"""evenstring record: bytes from one or several ports to the disk, and a line that shows what is coming in."""

from __future__ import annotations

import re
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import click

from evenstring.commands.board.live_line import LiveLine
from evenstring.commands.job_options import job_option
from evenstring.commands.log_options import Log, log_option
from evenstring.commands.say import say
from evenstring.errors import DeviceError, EvenstringError, UsageError
from evenstring.io.capture import CaptureOptions, capture
from evenstring.io.files import make_folder, refuse_existing
from evenstring.io.recorder import RecordingWriter
from evenstring.profile import load_profile
from evenstring.workshop.job import Job, job_toml

__all__ = ["command", "ended_by_signals", "recordings_named", "refuse_silence"]

_JOIN_S = 0.2  # how often the end is looked for: our choice


@click.command("record", epilog="Example: evenstring record /dev/ttyACM0 --pack pack.toml -o charge.frames")
@click.argument("ports", metavar="PORT...", nargs=-1, required=True)
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path),
    help="Recording to make; of several ports a folder, with a recording each.",
)
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
    ports: tuple[str, ...],
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
    """Record what the monitor on PORT sends; any pyserial name or URL. Several: one board a string, a recording each.

    Bytes reach the disk before anything looks at them. If the cable is pulled, recording goes on when it is back; where
    one of several fails, the others go on. The monitor is no substitute for the pack's protection board. Never charge
    unattended.
    """
    profile = load_profile(pack) if pack else None
    options = CaptureOptions(
        interval_ms, quiet_interval_ms, seconds, profile=profile, note=note, job_toml=job_toml(job) if job else None
    )
    paths = recordings_named(ports, output)
    for path in paths:
        refuse_existing(path, append, "choose another name, or add to it with --append")
    writers = [RecordingWriter(path, append) for path in paths]
    line = LiveLine(*paths, quiet=quiet)
    failed: dict[str, EvenstringError] = {}
    try:
        with ended_by_signals() as asked, line:
            failed = _all_at_once(ports, writers, options, line, asked, append)
    except KeyboardInterrupt:
        pass  # asked for again and again: what was recorded is kept
    pairs = list(zip(ports, writers, strict=True))
    failed |= _silent([pair for pair in pairs if pair[0] not in failed], append)
    good = [pair for pair in pairs if pair[0] not in failed]
    if not quiet:
        _tell(good, line)
    for port in list(failed)[1:]:
        say(f"{port}: {failed[port]}", err=True)
    if log and good:
        log.take([w.path for _, w in good])
    if failed:
        raise next(iter(failed.values()))


def recordings_named(ports: Sequence[str], output: Path) -> list[Path]:
    """Where each goes: one port into `output`, several into files of that folder, named by their ports.

    Raises:
        UsageError: a port is given twice, or `output` is no folder.
    """
    if len(ports) == 1:
        return [output]
    if len(set(ports)) < len(ports):
        raise UsageError("a port is named twice; each board has its own")
    if output.is_file():
        raise UsageError(f"{output}: is a file; several ports need a folder, with a recording each")
    make_folder(output)
    names = [
        re.sub(r"[^A-Za-z0-9]+", "-", p.split("://")[-1].removeprefix("/dev/")).strip("-") or "port" for p in ports
    ]
    twice = [n if names.count(n) == 1 else f"{n}-{k}" for k, n in enumerate(names, start=1)]
    return [output / f"{name}.frames" for name in twice]


def _all_at_once(
    ports: Sequence[str],
    writers: Sequence[RecordingWriter],
    options: CaptureOptions,
    line: LiveLine,
    asked: Callable[[], bool],
    append: bool,
) -> dict[str, EvenstringError]:
    """Record from each port until it ends; what went wrong where. One port is read in this thread."""
    failed: dict[str, EvenstringError] = {}

    def one(port: str, writer: RecordingWriter) -> None:
        try:
            with writer:
                capture(port, writer, options, partial(line.show, writer.path), asked)
        except EvenstringError as error:
            failed[port] = error
            if not writer.bytes_written and not append:
                writer.path.unlink(missing_ok=True)  # nothing was ever received: leave no empty file behind

    if len(ports) == 1:
        one(ports[0], writers[0])
        return failed
    threads = [threading.Thread(target=one, args=pair, daemon=True) for pair in zip(ports, writers, strict=True)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        for thread in threads:
            thread.join(_JOIN_S)  # short, so that a signal is taken meanwhile
    return failed


def _silent(pairs: Sequence[tuple[str, RecordingWriter]], append: bool) -> dict[str, EvenstringError]:
    failed: dict[str, EvenstringError] = {}
    for port, writer in pairs:
        try:
            refuse_silence(port, writer, append)
        except DeviceError as error:
            failed[port] = error
    return failed


def _tell(pairs: Sequence[tuple[str, RecordingWriter]], line: LiveLine) -> None:
    """What was recorded, and what the boards said of themselves."""
    names = []
    for port, writer in pairs:
        latest = line.latest.get(writer.path)
        ident = latest.ident if latest else None
        names += [ident.string_name] if ident else []
        string = f"string {ident.string_name}, " if ident and ident.string_name else ""
        say(f"{writer.path}: {string}{writer.decoder.frames_good} frames, {writer.bytes_written} bytes")
        if latest and latest.trouble:
            say(f"! {latest.trouble}")
        if latest and latest.reset_by_opening:
            say(f"the board restarted as {port} was opened: what it was doing before ended there")
        if ident and ident.memory_words:
            say(f"the board's own memory: {ident.memory_words}")
    for name in sorted({n for n in names if names.count(n) > 1}):
        say(
            f"two boards say that they are string {name or 'without a name'}: give each a name of its own in board.json"
        )


_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
_ENOUGH = 3  # signals after which the end is no longer waited for; our choice


@contextmanager
def ended_by_signals(*also: str) -> Iterator[Callable[[], bool]]:
    """Gives what says whether a signal asked for the end, so that the board is stopped and the recording closed first.

    A second signal changes nothing, since the end is under way; a third one ends at once, for a disk that hangs. Also
    in a job whose shell ignores the first signal, and when the terminal is closed. `also`: names of more signals.
    """
    came: list[int] = []

    def note(number: int, _frame: object) -> None:
        came.append(number)
        if len(came) >= _ENOUGH:
            raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield lambda: False  # only the main thread may take signals
        return
    signals = (*_SIGNALS, *(getattr(signal, name) for name in also if hasattr(signal, name)))
    before = [signal.signal(number, note) for number in signals]
    try:
        yield lambda: bool(came)
    finally:
        for number, handler in zip(signals, before, strict=True):
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
