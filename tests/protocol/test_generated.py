"""What is made from the message table agrees: wire.py, the specification, construct, numpy and plain struct."""

from __future__ import annotations

import importlib.util
import struct
import tomllib
from types import ModuleType
from typing import Any

import pytest
from construct import SizeofError
from evenstring.wire import dtypes
from evenstring.wire.structs import header_struct, payload_struct
from evenstring.wire.table import Message, load_table
from evenstring_protocol import wire

from tests.mp import PROTOCOL, Runtime

MESSAGES = load_table().messages
by_message = pytest.mark.parametrize("message", MESSAGES, ids=lambda m: m.name)

# Sizes by the specification's "Types", not taken from the code under test.
SIZES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "u64": 8}


@pytest.fixture
def generate() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", PROTOCOL / "generate.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_no_generated_file_differs_from_the_table(generate: ModuleType) -> None:
    assert generate.main(["--check"]) == 0


def test_the_check_finds_a_changed_table(
    generate: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    changed = (PROTOCOL / "messages.toml").read_text(encoding="utf-8").replace("code = 65", "code = 95")
    (tmp_path / "messages.toml").write_text(changed, encoding="utf-8")
    monkeypatch.setattr(generate, "TABLE", tmp_path / "messages.toml")

    assert generate.main(["--check"]) == 1
    assert {"wire.py", "SPECIFICATION.md"} <= set(capsys.readouterr().err.split())


def test_writing_leaves_what_the_check_accepts(
    generate: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Any
) -> None:
    current = (PROTOCOL / "SPECIFICATION.md").read_text(encoding="utf-8")
    before, rest = current.split("<!-- generated from messages.toml: begin -->")
    (tmp_path / "SPECIFICATION.md").write_text(
        before + "<!-- generated from messages.toml: begin -->\nstale\n" + rest[rest.index("<!-- generated") :],
        encoding="utf-8",
    )
    monkeypatch.setattr(generate, "WIRE", tmp_path / "wire.py")
    monkeypatch.setattr(generate, "SPECIFICATION", tmp_path / "SPECIFICATION.md")

    assert generate.main([]) == 0
    assert generate.main(["--check"]) == 0
    assert (tmp_path / "SPECIFICATION.md").read_text(encoding="utf-8") == current


def _fixed(message: Message) -> int:
    """Bytes before the first array or text."""
    size = 0
    for item in message.fields:
        if item.count or item.type not in SIZES:
            break
        size += SIZES[item.type]
    return size


@by_message
def test_the_firmwares_format_is_as_long_as_the_fields(message: Message) -> None:
    if message.sender == "mark":
        assert not hasattr(wire, message.name)  # no board meets one
        return
    fmt = getattr(wire, f"{message.name}_FORMAT", "<")

    assert _fixed(message) == struct.calcsize(fmt)


@by_message
def test_construct_agrees_on_the_size(message: Message) -> None:
    if any(item.count or item.type not in SIZES for item in message.fields):
        with pytest.raises(SizeofError):
            payload_struct(message.code).sizeof()
    else:
        assert _fixed(message) == payload_struct(message.code).sizeof()


def test_the_header_is_seven_bytes_for_everybody() -> None:
    assert wire.HEADER_SIZE == struct.calcsize(wire.HEADER_FORMAT) == header_struct().sizeof() == 7


@pytest.mark.parametrize("groups", [1, 24, 40])
@pytest.mark.parametrize("passes", [1, 2])
@pytest.mark.parametrize("extras", [(0, 0, 0), (1, 1, 2), (2, 3, 4)])
def test_numpy_and_construct_agree_on_the_size_of_a_scan(
    groups: int, passes: int, extras: tuple[int, int, int]
) -> None:
    """7 bytes of header, 10 of fixed fields, 2 for each reading and each other sample."""
    currents, packs, temps = extras
    shape = {"groups": groups, "passes": passes, "currents": currents, "packs": packs, "temps": temps}
    counted = {"reading": groups * passes, "current": currents, "pack": packs, "temp": temps}
    values = {"flags": 0, **shape, "step_us": 0, "turn_us": 0, **{k: [0] * n for k, n in counted.items()}}
    size = 7 + 10 + 2 * (groups * passes + currents + packs + temps)

    assert dtypes.scan_dtype(groups, passes, currents, packs, temps).itemsize == size
    assert 7 + len(payload_struct(wire.SCAN).build(values)) == size


def test_the_largest_scan_fits_the_largest_frame() -> None:
    largest = dtypes.scan_dtype(wire.MAX_GROUPS, 2, 2 * wire.MAX_GROUPS, 3, 255)

    assert largest.itemsize + 4 <= wire.MAX_FRAME


def test_codes_are_given_once_and_within_their_senders_range() -> None:
    codes = [m.code for m in MESSAGES]
    ranges = {"board": range(1, 64), "host": range(64, 96), "mark": range(96, 128)}

    assert len(set(codes)) == len(codes)
    assert all(m.code in ranges[m.sender] for m in MESSAGES)


def test_counts_stand_before_the_arrays_that_they_count() -> None:
    for message in MESSAGES:
        seen: set[str] = set()
        for item in message.fields:
            assert set(item.count) <= seen, f"{message.name}.{item.name}"
            seen.add(item.name)


def test_every_enumeration_and_flag_that_a_field_names_exists() -> None:
    table = load_table()
    for item in (f for m in MESSAGES for f in m.fields):
        assert item.enum is None or item.enum in table.enums
        assert item.flags is None or item.flags in table.flags


def test_reading_codes_are_the_ends_of_the_range() -> None:
    """The specification's "Readings": voltages go from -32765 to 32766."""
    assert sorted(load_table().reading_codes.values()) == [-32768, -32767, -32766, 32767]


def test_micropython_sees_the_same_constants(runtime: Runtime) -> None:
    """Every constant of wire.py, on a real MicroPython."""
    names = [n for n in dir(wire) if n[0].isupper()]
    script = "from evenstring_protocol import wire\nprint({n: getattr(wire, n) for n in NAMES})"
    (line,) = runtime.run(script.replace("NAMES", repr(names)), heap="8m", collect=False)

    assert eval(line) == {n: getattr(wire, n) for n in names}


def test_the_table_states_each_number_type_that_the_specification_explains() -> None:
    used = {
        f["type"]
        for m in tomllib.loads((PROTOCOL / "messages.toml").read_text(encoding="utf-8"))["message"]
        for f in m["fields"]
    }

    assert used <= {*SIZES, "text8", "text16", "bytes16"}
