"""The harness itself: what it returns, and that it fails when a script fails."""

from __future__ import annotations

import pytest

from tests.mp import Runtime, ScriptError, Unix64, Wasm32


def test_returns_the_printed_lines_and_sees_folders_and_arguments(runtime: Runtime) -> None:
    script = "import sys\nfrom evenstring_protocol import wire\nprint(wire.SCAN)\nprint(sys.argv[1:])"

    assert runtime.run(script, args=["a", "b"]) == ["2", "['a', 'b']"]


def test_a_failing_script_raises_with_its_traceback(runtime: Runtime) -> None:
    with pytest.raises(ScriptError, match=r"(?s)before.*ValueError: no such thing|ValueError: no such thing.*before"):
        runtime.run("print('before')\nraise ValueError('no such thing')")


def test_an_endless_script_is_ended(runtime: Runtime) -> None:
    with pytest.raises(ScriptError, match=r"longer than 0\.5 s"):
        runtime.run("while True: pass", timeout_s=0.5)


def test_the_heap_is_as_small_as_asked(runtime: Runtime) -> None:
    with pytest.raises(ScriptError, match="MemoryError"):
        runtime.run("bytearray(200000)", heap="128k")


def test_only_the_32_bit_runtime_allocates_for_an_integer_of_2_to_the_30(runtime64: Unix64, runtime32: Wasm32) -> None:
    script = "import micropython\nn = (1 << 30) - 1\nmicropython.heap_lock()\nn += 1\nmicropython.heap_unlock()"

    assert runtime64.run(script) == []
    with pytest.raises(ScriptError, match="MemoryError"):
        runtime32.run(script)
