"""The deploy command from caution to verified board: mpremote's file functions on a real MicroPython, our own ports."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import evenstring.commands.board.deploy as deploy_command
import pytest
from click.testing import CliRunner, Result
from evenstring.board.deploy import Item, Plan
from evenstring.cli import cli
from evenstring.errors import DeviceError, InputError
from evenstring.wire.encode import message
from evenstring.wire.stream import StreamDecoder
from mpremote import transport_serial
from mpremote.transport import TransportError

from tests.host.board.test_deploy import Folder

PLAN = Plan(
    (Item("evenboard/a.mpy", b"M" + bytes(40)), Item("board.json", b"{}"), Item("main.py", b"print('invented')\n")),
    {"groups": 20},
)
IDENT = {
    "schema": 1, "groups": 20, "reading_step_uv": 200, "front_end": 1, "measures": 0, "temps": 0, "scan_ms": 300,
    "noise_uv": 100, "channel_u_uv": 300, "gain_u_ppm": 500, "boot_count": 7, "reset_reason": 1, "board_id": "invented",
    "string_name": "", "firmware": "evenboard 9", "runtime": "MicroPython 1.29",
}  # fmt: skip


class Port:
    """A serial line with the monitor behind it; `silent`: with nothing that speaks frames."""

    def __init__(self, silent: bool = False) -> None:
        self.silent = silent
        self.asked: list[str] = []
        self.closed = False
        self._decoder = StreamDecoder()
        self._out = b""
        self._seq = itertools.count()

    def write(self, data: bytes) -> int:
        for frame in self._decoder.feed(data).frames:
            self.asked.append(frame.name)
            if self.silent:
                continue
            if frame.name == "IDENTIFY":
                self._out += message("IDENT", next(self._seq), 0, **IDENT)
            reply = {"to_code": frame.code, "to_seq": frame.seq, "status": 0, "detail": ""}
            self._out += message("REPLY", next(self._seq), 0, **reply)
        return len(data)

    @property
    def in_waiting(self) -> int:
        return len(self._out)

    def read(self, size: int = 1) -> bytes:
        out, self._out = self._out[:size], self._out[size:]
        return out

    def close(self) -> None:
        self.closed = True


class Bench:
    """All that the command reaches for: ports in the order they are opened, a board's console, and no waiting."""

    def __init__(self, root: Path, patch: pytest.MonkeyPatch) -> None:
        self.root = root
        self.ports = [Port(silent=True), Port()]  # no monitor runs before; it answers after
        self.opened: list[Port] = []
        self.consoles: list[Any] = []
        self.plans: list[str | None] = []
        self.more: dict[str, Any] = {}  # in the board description
        self.console: Callable[[], Any] = lambda: Console(root)
        patch.setattr(deploy_command, "open_port", self._open)
        patch.setattr(deploy_command.time, "sleep", lambda _: None)
        patch.setattr(deploy_command, "make_plan", self._plan)
        patch.setattr(transport_serial, "SerialTransport", self._console)
        clock = itertools.count(0.0, 0.2)
        patch.setattr(deploy_command, "Talk", lambda *a, **k: _TALK(*a, **k, clock_s=lambda: next(clock)))

    def _open(self, _: str) -> Port:
        self.opened.append(self.ports[len(self.opened)])
        return self.opened[-1]

    def _plan(self, _: Path, changes: dict[str, Any], arch: str | None = None) -> Plan:
        self.plans.append(arch)
        return replace(PLAN, description={**PLAN.description, **self.more, **changes})

    def _console(self, *_: Any, **__: Any) -> Any:
        self.consoles.append(self.console())
        return self.consoles[-1]

    def run(self, *more: str, answer: str | None = None) -> Result:
        return CliRunner().invoke(cli, ["deploy", "PORT", *more], input=answer)


_TALK = deploy_command.Talk


class Console(Folder):
    """A board's console; `says` replaces what it answers to the first question."""

    says: Any = None
    latch: bytes | None = None

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.raw = False
        self.reset = False
        self.closed = False

    def enter_raw_repl(self, soft_reset: bool = True) -> None:
        assert not soft_reset  # a soft reset would start main.py again
        self.raw = True

    def exec(self, command: Any, data_consumer: Any = None) -> bytes:
        text = command.decode() if isinstance(command, bytes) else command
        if "sys.implementation" in text and self.says:
            return repr(self.says).encode()
        if "_find()" in text and self.latch:
            return self.latch.hex().encode()
        return super().exec(command, data_consumer)

    def exec_raw_no_follow(self, command: str) -> None:
        assert "machine.reset()" in command
        self.reset = True

    def close(self) -> None:
        self.closed = True
        super().close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    root = tmp_path / "flash"
    root.mkdir()
    made = Bench(root, monkeypatch)
    yield made
    for console in made.consoles:
        if isinstance(console, Console) and not console.closed:
            console.close()


def test_files_are_written_verified_and_the_board_is_asked_who_it_is(bench: Bench) -> None:
    done = bench.run("--harness-unplugged", "--groups", "20", "--string-name", "left")

    assert done.exit_code == 0, (done.output, done.exception)
    assert "3 of 3 files written, all verified" in done.output
    assert "evenboard 9 on MicroPython 1.29, 20 groups, boot 7" in done.output
    assert "hand meter" in done.output
    assert {p.name for p in bench.root.rglob("*") if p.is_file()} == {"a.mpy", "board.json", "main.py"}
    assert bench.consoles[0].reset
    assert bench.consoles[0].closed
    assert all(port.closed for port in bench.opened)


def test_a_second_time_nothing_is_written(bench: Bench) -> None:
    bench.run("--harness-unplugged")
    bench.ports += [Port(silent=True), Port()]

    assert "0 of 3 files written" in bench.run("--harness-unplugged").output


def test_a_running_monitor_is_told_to_leave_first(bench: Bench) -> None:
    bench.ports[0] = Port()

    done = bench.run("--harness-unplugged")

    assert done.exit_code == 0, (done.output, done.exception)
    assert bench.opened[0].asked == ["IDENTIFY", "MAINTAIN"]
    assert "evenboard 9 restarts into its console" in done.output


@pytest.mark.parametrize("answer", ["n\n", "\n", ""])
def test_unless_the_harness_is_said_to_be_unplugged_no_port_is_opened(bench: Bench, answer: str) -> None:
    done = bench.run(answer=answer)

    assert done.exit_code == 1
    assert "can kill" in done.output
    assert bench.opened == []
    assert bench.consoles == []


def test_a_yes_goes_on(bench: Bench) -> None:
    done = bench.run(answer="y\n")

    assert done.exit_code == 0, (done.output, done.exception)
    assert "Is the harness unplugged" in done.output


def test_the_dry_run_opens_nothing_and_says_so(bench: Bench) -> None:
    done = bench.run("--dry-run", "--groups", "12")

    assert done.exit_code == 0
    assert "Nothing was done." in done.output
    assert f"{len(PLAN.items[0].data):7d} bytes  evenboard/a.mpy" in done.output
    assert (bench.opened, bench.consoles) == ([], [])


def test_a_description_of_ones_own_is_taken_by_its_path(bench: Bench, tmp_path: Path) -> None:
    own = tmp_path / "own.json"
    own.write_text("{}")

    assert bench.run("--dry-run", "--board", str(own)).exit_code == 0


OLD = ("micropython", "rp2", [1, 19, 1], 6, 4, 900000, False)
FULL = ("micropython", "rp2", [1, 29, 0], 6, 4, 60000, False)
OTHER = ("micropython", "rp2", [1, 29, 0], 5, 4, 900000, False)


@pytest.mark.parametrize(
    ("says", "why"),
    [(OLD, "1.19.1; install"), (FULL, "58 kB free"), (OTHER, "version 5"), ("nonsense", "is it MicroPython")],
    ids=["version", "space", "file version", "no MicroPython"],
)
def test_a_board_that_is_refused_keeps_what_it_has(bench: Bench, says: Any, why: str) -> None:
    class Saying(Console):
        pass

    Saying.says = says
    bench.console = lambda: Saying(bench.root)
    (bench.root / "main.py").write_text("old")

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, DeviceError)
    assert why in str(done.exception)
    assert (bench.root / "main.py").read_text() == "old"
    assert bench.consoles[0].closed
    assert not bench.consoles[0].reset


def test_a_file_that_reads_back_otherwise_ends_it_before_main_is_there(bench: Bench) -> None:
    class Failing(Console):
        def fs_writefile(self, dest: str, data: bytes, *more: Any, **named: Any) -> Any:
            flipped = bytes([data[0] ^ 1]) + data[1:] if dest == "board.json" else data
            return super().fs_writefile(dest, flipped, *more, **named)

    bench.console = lambda: Failing(bench.root)
    (bench.root / "main.py").write_text("old")

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, DeviceError)
    assert "board.json: the board holds something else than was written" in str(done.exception)
    assert not (bench.root / "main.py").exists()
    assert not bench.consoles[0].reset
    assert bench.consoles[0].closed


@pytest.mark.parametrize("error", [TransportError("no prompt"), OSError("gone")], ids=["mpremote", "system"])
def test_a_console_that_does_not_answer_says_what_to_hold_down(bench: Bench, error: Exception) -> None:
    class Mute(Console):
        def enter_raw_repl(self, soft_reset: bool = True) -> None:  # noqa: ARG002  # as mpremote's
            raise error

    bench.console = lambda: Mute(bench.root)

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, DeviceError)
    assert "hold its maintenance pin low" in str(done.exception)
    assert bench.consoles[0].closed


def test_a_port_that_cannot_be_opened_by_mpremote_is_one_line(bench: Bench) -> None:
    def gone() -> Any:
        raise TransportError("failed to access PORT")

    bench.console = gone

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, DeviceError)
    assert "failed to access PORT" in str(done.exception)


def test_machine_code_is_made_once_the_processor_is_known(bench: Bench) -> None:
    class Pico(Console):
        says = ("micropython", "rp2", [1, 29, 0], 6, 4, 900000, False)

    bench.console = lambda: Pico(bench.root)

    assert bench.run("--harness-unplugged").exit_code == 0
    assert bench.plans == [None, "armv6m"]


def test_past_alarms_in_the_flash_of_an_empty_board_are_kept(bench: Bench) -> None:
    class Emptied(Console):
        says = ("micropython", "rp2", [1, 29, 0], 6, 0, 900000, False)
        latch = b"EVLATCH1" + bytes(1016)

    bench.console = lambda: Emptied(bench.root)
    bench.more = {"recorder": {"folder": "rec"}}

    done = bench.run("--harness-unplugged")

    assert "past alarms found in the flash: they are kept" in done.output
    assert (bench.root / "rec" / "latch0.bin").read_bytes() == Emptied.latch


def test_a_board_that_stays_silent_after_all_is_an_error(bench: Bench) -> None:
    bench.ports[1] = Port(silent=True)

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, DeviceError)
    assert bench.opened[1].closed


def test_without_mpremote_it_names_what_to_install(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "mpremote.transport_serial", None)

    done = bench.run("--harness-unplugged")

    assert isinstance(done.exception, InputError)
    assert "evenstring[deploy]" in str(done.exception)
