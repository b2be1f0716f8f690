"""Where the fuzzer starts from: the golden vectors, recordings, profiles and scenarios of this repository, and finds.

`tests/fuzz/found/TARGET-*` are inputs that broke a law once; each run begins with them.
"""

from __future__ import annotations

from contextlib import suppress
from importlib.resources import files
from pathlib import Path

from cobs import cobs

from tests.vectors import VECTORS

__all__ = ["FOUND", "seeds_of"]

ROOT = Path(__file__).resolve().parents[2]
FOUND = Path(__file__).parent / "found"

_TABLES = (
    b"\x02t_s,g1,g2,g3,current_a\n0,3.9,3.91,3.92,5\n10,3.91,3.92,3.93,5\n20,3.92,3.93,3.94,5\n30,3.93,3.94,3.95,5\n",
    b"\x01Zeit;Zelle 1;Zelle 2\n00:00:00;3,912;3,913\n00:00:10;3,913;3,914\n00:00:20;3,914;3,915\n",
    b"\x01date\ttime\tC1 (mV)\tC2 (mV)\n2026-03-01\t12:00:00\t3900\t3901\n2026-03-01\t12:00:05\t3901\t3902\n",
    b"\x01time,group,voltage\n0,1,3.9\n0,2,3.9\n10,1,3.91\n10,2,3.91\n",
)


def seeds_of(name: str) -> list[bytes]:
    """Inputs of a target, those that once broke it first."""
    found = [path.read_bytes() for path in sorted(FOUND.glob(f"{name}-*"))]
    if name in ("stream", "recording"):
        head = b"\x07" if name == "stream" else b""
        return [*found, *(head + piece for piece in _frames())]
    if name == "delta":
        return [*found, *(bytes((k, 23, 1, 0, 0, 0, 0, 40, 4, 0, 128, 128)) + bytes(range(60)) for k in range(2))]
    if name == "table":
        return [*found, *_TABLES]
    return [*found, *(path.read_bytes() for path in _texts(name))]


def _frames() -> list[bytes]:
    """Pieces of the vectors' streams, each led by how it is sent (`shapes`), one by one and many together."""
    pieces = []
    for vector in VECTORS:
        for piece in filter(None, vector.wire.split(b"\0")):
            with suppress(cobs.DecodeError):
                body = cobs.decode(piece)[:-4]
                if 7 <= len(body) < 256:
                    pieces.append(bytes((0, len(body))) + body)
    return [*pieces, *(b"".join(pieces[k : k + 20]) for k in range(0, len(pieces), 20))]


def _texts(name: str) -> list[Path]:
    if name == "scenario":
        return sorted(Path(str(files("evenstring.sim"))).rglob("*.toml"))
    if name == "front_end":
        return sorted((ROOT / "hardware_notes" / "front_ends").glob("*.toml"))
    return sorted((ROOT / "tests" / "data").rglob("pack*.toml")) or sorted(
        (Path(__file__).parent / "packs").glob("*.toml")
    )
