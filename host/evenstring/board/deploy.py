"""The firmware onto a board: what would be put where, and putting it there through mpremote's transport.

The plan needs no board. Files are compiled to plain bytecode, which every processor of that file version takes; machine
code only where the board says that its processor fits. Each file is hashed on the board after writing; main.py comes
last, so that an interrupted run never leaves a board that starts half a firmware.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

from evenstring.board.compiled import NATIVE, NUMBERS, compile_file, written_out
from evenstring.errors import DeviceError, InputError
from evenstring.paths import firmware_dir, protocol_dir

__all__ = ["Board", "Item", "Plan", "Transport", "boards", "make_plan", "probe", "rescue_latch", "write_plan"]

MPY_VERSION = 6  # file version of mpy-cross 1.28 and 1.29
OLDEST = (1, 24)  # oldest MicroPython whose `vfs`, `WDT` and stream writes are the ones used
RESERVE_BYTES = 96 * 1024  # left free beside code and recordings
# Numbers of sys.implementation._mpy >> 10, from memory of MicroPython's py/persistentcode.h.
_ARCHES = {1: "x86", 2: "x64", 3: "armv6", 4: "armv6m", 5: "armv7m", 6: "armv7em", 9: "xtensa", 10: "xtensawin"}


class Transport(Protocol):
    """What is used of mpremote's transport, with a raw console already open."""

    def exec(self, command: str) -> bytes: ...  # noqa: D102  # as mpremote
    def fs_exists(self, src: str) -> bool: ...  # noqa: D102  # as mpremote
    def fs_mkdir(self, path: str) -> Any: ...  # noqa: D102  # as mpremote
    def fs_writefile(self, dest: str, data: bytes) -> Any: ...  # noqa: D102  # as mpremote
    def fs_hashfile(self, path: str, algo: str) -> bytes: ...  # noqa: D102  # as mpremote


@dataclass(frozen=True, slots=True)
class Item:
    """One file to put on a board."""

    path: str
    data: bytes

    @property
    def sha256(self) -> bytes:
        """Hash of the content."""
        return hashlib.sha256(self.data).digest()


@dataclass(frozen=True, slots=True)
class Plan:
    """All files in the order in which they are written."""

    items: tuple[Item, ...]
    description: dict[str, Any]

    @property
    def size_bytes(self) -> int:
        """Of all files."""
        return sum(len(i.data) for i in self.items)

    @property
    def recorder_folder(self) -> str:
        """Where the board keeps recordings and latch."""
        return str((self.description.get("recorder") or {}).get("folder", "/rec"))

    @property
    def folders(self) -> tuple[str, ...]:
        """Folders that must exist first, outer ones before inner ones."""
        files = (PurePosixPath(i.path) for i in self.items)
        return tuple(dict.fromkeys(str(f) for p in files for f in reversed(p.parents) if f.name))


@dataclass(frozen=True, slots=True)
class Board:
    """What a board says of itself."""

    machine: str
    version: tuple[int, ...]
    mpy_version: int
    arch: str | None
    free_bytes: int
    has_firmware: bool


def boards() -> dict[str, Path]:
    """Board descriptions that come with evenstring, by name."""
    return {p.stem: p for p in sorted((firmware_dir() / "boards").glob("*.json")) if p.stem != "virtual"}


def make_plan(description: Path, changes: dict[str, Any] | None = None, arch: str | None = None) -> Plan:
    """Compile everything.

    Args:
        description: the board description, JSON.
        changes: entries to set in it, for example groups and string_name.
        arch: processor, for machine code; None: bytecode only.

    Raises:
        InputError: the description cannot be used, or the compiler is missing or fails.
    """
    try:
        data = json.loads(description.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{description}: cannot use this board description ({error})") from error
    if not isinstance(data, dict):
        raise InputError(f"{description}: a board description is a JSON object")
    data |= changes or {}
    items = []
    for folder in (protocol_dir() / "evenstring_protocol", firmware_dir() / "evenboard"):
        for source in sorted(folder.rglob("*.py")):
            if source.name == NUMBERS or (source.name == NATIVE and arch is None):
                continue  # the numbers are written out where they are used; the plain twin serves
            path = source.relative_to(folder.parent).with_suffix(".mpy").as_posix()
            items.append(Item(path, compile_file(source, arch)))
    items.append(Item("board.json", json.dumps(data, indent=1).encode()))
    items.append(Item("main.py", written_out((firmware_dir() / "main.py").read_text(encoding="utf-8")).encode()))
    return Plan(tuple(items), data)


_PROBE = """
import os, sys
def _ask():
    mpy = getattr(sys.implementation, '_mpy', 0)
    st = os.statvfs('.')
    try:
        os.stat('main.py')
        has = True
    except OSError:
        has = False
    print(repr((sys.implementation.name, sys.platform, list(sys.implementation.version[:3]), mpy & 0xff, mpy >> 10,
        st[0] * st[3], has)))
_ask()
"""


def probe(transport: Transport, plan: Plan) -> Board:
    """Ask the board what it is, and refuse one that the plan does not fit.

    Raises:
        DeviceError: no MicroPython, too old, another file version, or too little room.
    """
    # json understands what repr prints here, once quotes and booleans are its own.
    text = transport.exec(_PROBE).decode().strip().splitlines()[-1]
    text = text.replace("(", "[").replace(")", "]").replace("'", '"').replace("True", "true").replace("False", "false")
    try:
        name, machine, version, mpy, arch, free, has = json.loads(text)
    except ValueError as error:
        raise DeviceError(f"the board answers {text!r}; is it MicroPython?") from error
    if name != "micropython":
        raise DeviceError(
            f"the board runs {name}, not MicroPython; install MicroPython {OLDEST[0]}.{OLDEST[1]} or newer"
        )
    if tuple(version) < OLDEST:
        have = ".".join(str(v) for v in version)
        raise DeviceError(f"the board runs MicroPython {have}; install {OLDEST[0]}.{OLDEST[1]} or newer on it first")
    if mpy != MPY_VERSION:
        raise DeviceError(
            f"the board takes compiled files of version {mpy}, the compiler here makes version {MPY_VERSION};"
            " install a MicroPython of 1.24 or newer on it"
        )
    if not has and free < plan.size_bytes + RESERVE_BYTES:
        raise DeviceError(
            f"the board has {free // 1024} kB free, {(plan.size_bytes + RESERVE_BYTES) // 1024} kB are needed;"
            " fetch and erase its recordings first"
        )
    return Board(machine, tuple(version), mpy, _ARCHES.get(arch), free, has)


# A new file system forgets the board's past alarms, unless they are found in the raw flash before anything is written.
_RESCUE = """
import binascii
def _find():
    try:
        import rp2
        dev = rp2.Flash()
    except ImportError:
        try:
            from flashbdev import bdev as dev
        except ImportError:
            return
    buf = bytearray(4096)
    best = None
    n = -1
    for block in range(dev.ioctl(4, 0)):
        dev.readblocks(block, buf)
        crc = binascii.crc32(buf[:1020]) & 0xffffffff
        if buf[:8] == b'EVLATCH1' and crc == int.from_bytes(buf[1020:1024], 'little'):
            g = int.from_bytes(buf[8:12], 'little')
            if g > n:
                n = g
                best = bytes(buf[:1024])
    if best:
        print(binascii.hexlify(best).decode())
_find()
"""


def rescue_latch(transport: Transport, folder: str) -> bytes | None:
    """Past alarms and calibration that a board without our files still holds in its raw flash; None: nothing found."""
    if transport.fs_exists(folder + "/latch0.bin") or transport.fs_exists(folder + "/latch1.bin"):
        return None
    found = transport.exec(_RESCUE).decode().strip()
    return bytes.fromhex(found) if found else None


# In our own folders nothing but what the plan puts there: what an older firmware left would take room for ever.
_CLEAR = """
import os
def _clear(folders, kept):
    for folder in folders:
        for name, kind, *_ in list(os.ilistdir(folder)):
            path = folder + '/' + name
            if kind & 0x4000:
                _clear([path], kept)
                if path not in kept:
                    os.rmdir(path)
            elif path not in kept:
                os.remove(path)
"""


def _own_folders(plan: Plan) -> list[str]:
    return [f for f in plan.folders if "/" not in f]


def write_plan(
    transport: Transport, plan: Plan, latch: bytes | None = None, progress: Callable[[Item], None] | None = None
) -> int:
    """Write what differs, hash it on the board, main.py last; return how many files were written.

    Files of an older firmware in its own folders go once nothing starts it any more.

    Raises:
        DeviceError: a file on the board is not what was written.
    """
    folder = plan.recorder_folder
    wanted = (*plan.folders, folder) if latch else plan.folders
    for path in wanted:
        if not transport.fs_exists(path):
            transport.fs_mkdir(path)
    written = 0
    if latch:
        written += _put(transport, Item(folder + "/latch0.bin", latch))
        written += _put(transport, Item(folder + "/lost.mrk", b"recordings before this were lost\n"))
    # An old main.py must not start a half-written firmware: it goes first, the new one comes last.
    stale = [i for i in plan.items if not _same(transport, i)]
    main = plan.items[-1]
    if stale and transport.fs_exists(main.path):
        transport.exec(f"import os\nos.remove({main.path!r})")
        stale = [i for i in stale if i is not main] + [main]
    kept = [*plan.folders, *(i.path for i in plan.items)]
    transport.exec(f"{_CLEAR}\n_clear({_own_folders(plan)!r}, {kept!r})")
    for item in stale:
        written += _put(transport, item)
        if progress:
            progress(item)
    return written


def _same(transport: Transport, item: Item) -> bool:
    return transport.fs_exists(item.path) and transport.fs_hashfile(item.path, "sha256") == item.sha256


def _put(transport: Transport, item: Item) -> int:
    transport.fs_writefile(item.path, item.data)
    # Not `_same`: mpremote takes a lost line for an absent file, and that is another message.
    if transport.fs_hashfile(item.path, "sha256") != item.sha256:
        raise DeviceError(f"{item.path}: the board holds something else than was written; its flash may be failing")
    return 1
