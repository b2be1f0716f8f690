"""A pack on the bench, invented: a fake board that reads it, and a simulated instrument that charges or drains it.

The board's time runs ahead of the clock, so that half an hour of rest takes seconds; volts and charge follow that time.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
from evenstring.wire.encode import Counter, identity

from tests.host.fake_board import FakeBoard, started, until
from tests.host.streams import scans
from tests.host.workshop.instrument.simulated import SimulatedInstrument

GROUPS, CAPACITY_AH = 4, 2.0
_PAUSE_S = 0.02  # of the clock between two scans
_OHM = 0.01  # of a group
PACK_TOML = f'[pack]\ngroups = {GROUPS}\nchemistry = "nmc"\ncapacity_ah = {CAPACITY_AH}\n[charger]\ncurrent_a = 1.0\n'


class Rig:
    """Runs until it is closed.

    Args:
        soc: of the groups, from 0 to 1.
        weak: how much faster the last group moves.
        step_s, flow_step_s: board's time between two scans, at rest and while a current flows.
    """

    def __init__(
        self,
        folder: Path,
        load: bool,
        soc: float = 0.9,
        weak: float = 1.0,
        step_s: float = 20.0,
        flow_step_s: float = 8.0,
    ) -> None:
        self.steps_s = (step_s, flow_step_s)
        self.board = FakeBoard(folder / "port")
        self.there = SimulatedInstrument(load=load)
        self.soc = np.full(GROUPS, soc)
        self.part = np.array([1.0] * (GROUPS - 1) + [weak])
        self.extra = b""  # sent with the next scan
        self.silent = False
        self._counter, self._uptime_ms = Counter(), 1000
        self._closing = threading.Event()
        (folder / "pack.toml").write_text(PACK_TOML, encoding="utf-8")
        self._settle(0.0)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closing.set()
        self._thread.join()
        self.board.unplug()
        self.there.close()

    def _settle(self, amps: float) -> np.ndarray:
        open_v = 3.0 + 1.2 * self.soc  # a straight line: nothing here depends on a cell's own curve
        self.there.pack_v = float(open_v.sum())
        return np.asarray(open_v + _OHM * amps)

    def _run(self) -> None:
        until(lambda: started(self.board)() or self._closing.is_set(), 60.0)
        self.board.send(identity(self._counter, GROUPS, "relay_scan", boot_count=3, board_id="invented"))
        while not self._closing.wait(_PAUSE_S):
            amps = self.there.flows_a * (-1.0 if self.there.load else 1.0)
            step_s = self.steps_s[bool(amps)]
            self.soc = np.clip(self.soc + amps * step_s / 3600.0 / CAPACITY_AH * self.part, 0.0, 1.1)
            volts = self._settle(amps)
            self._uptime_ms += int(1000 * step_s)
            if self.silent:
                continue
            steps = np.tile(np.round(volts / 200e-6).astype(np.int16), 2)[None, :]
            frame = scans(1, GROUPS, self._counter, begin_ms=self._uptime_ms, reading=steps,
                          current_10ma=np.array([[round(100 * amps)]], np.int16),
                          temp_cdegc=np.array([[2500]], np.int16))  # fmt: skip
            extra, self.extra = self.extra, b""
            self.board.send(frame + extra)
