"""How values are predicted in the two kinds of delta block: both ends hold the same state ("The delta block").

Arrays are (values, blocks): a value of all blocks lies side by side. All state is whole numbers, as on the board.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from evenstring.wire.delta_bits import I64, SPECIAL, BlockBits, unfold

__all__ = ["FirstModel", "Model", "SecondModel", "Shape"]

_LENGTH = np.array([v.bit_length() for v in range(8192)], np.int64)


class Shape(NamedTuple):
    """What the scans of a block hold."""

    groups: int
    currents: int
    packs: int
    temps: int


class Model(Protocol):
    """Reads one scan of each of the first `live` blocks."""

    def scan(self, bits: BlockBits, live: int) -> tuple[I64, I64, I64]:
        """The values before the groups (time step, current, pack, temperatures); stored steps; reading codes."""
        ...


def _marked(bits: BlockBits, k: I64, live: int, held: NDArray[np.bool_]) -> I64:
    """A group that held a reading code in some blocks: a bit there says whether it goes on (-1)."""
    if not held.any():
        return bits.value(k, live)
    return bits.value(k, live, bits.bit(live, held) | ~held)


def _codes(u: I64, before: I64) -> I64:
    """Reading codes of the groups, 0 where there is a number."""
    return np.where(u >= SPECIAL, u - SPECIAL + 1, np.where(u < 0, before, 0))


def _grown(busy: I64, u: I64, shift: int) -> None:
    learns = (u >= 0) & (u < SPECIAL)
    busy += np.where(learns, np.minimum(u, 4095) - (busy >> shift), 0)


class FirstModel:
    """DELTA: the slow mean of a group and the common step."""

    def __init__(self, shape: Shape, blocks: int) -> None:
        self.side = 1 + shape.currents + shape.packs + shape.temps
        self.groups = shape.groups
        self.n = self.side + 1 + shape.groups
        self.begun = False
        self.busy = np.full((self.n, blocks), 256, np.int64)
        self.last = np.zeros((self.side, blocks), np.int64)
        self.level = np.zeros(blocks, np.int64)
        self.mean = np.zeros((shape.groups, blocks), np.int64)
        self.code = np.zeros((shape.groups, blocks), np.int64)

    def scan(self, bits: BlockBits, live: int) -> tuple[I64, I64, I64]:
        """One scan of each of the first `live` blocks."""
        k = _LENGTH[np.minimum(self.busy[:, :live] >> 5, 8191)]
        u = np.empty((self.n, live), np.int64)
        for i in range(self.side + 1):
            u[i] = bits.value(k[i], live)
        for g in range(self.groups):
            i = self.side + 1 + g
            u[i] = _marked(bits, k[i], live, np.asarray(self.code[g, :live] > 0))
        return self._learn(u, live)

    def _learn(self, u: I64, live: int) -> tuple[I64, I64, I64]:
        """From the codes of one scan to its values, and to what the next one is predicted from."""
        side = self.side
        moved = unfold(u[: side + 1])
        now = moved[:side] + self.last[:, :live]
        self.last[:, :live] = now
        codes = u[side + 1 :]
        code = _codes(codes, self.code[:, :live])
        number = code == 0
        if not self.begun:
            self.begun = True
            x = np.cumsum(np.where(number, unfold(codes), 0), axis=0)  # each as the one before it
            self.mean[:, :live] = x << 4
            self.busy[:, :live] = 32
        else:
            self.level[:live] += moved[side]
            mean = self.mean[:, :live]
            near = (mean + 8) >> 4
            r = unfold(codes)
            np.negative(r, out=r, where=mean < near << 4)
            x = np.clip(self.level[:live] + near, -32768, 32767) + r
            mean += np.where(number, (((x - self.level[:live]) << 4) - mean) >> 3, 0)
            _grown(self.busy[:, :live], u, 4)
        self.code[:, :live] = code
        return now, x, code


class SecondModel:
    """DELTA2: each group's share of the sag too, the common step from the current, the pack voltage from the groups.

    Args:
        shape: of the scans.
        drop: (blocks,) expected common step, 1/4096 stored steps for 10 mA.
        follow: (groups, blocks) shares, 1/256.
        step: (blocks,) steps of a reading in one stored step.
    """

    def __init__(self, shape: Shape, drop: I64, follow: I64, step: I64) -> None:
        self.shape = shape
        self.drop, self.follow, self.step = drop, follow, step
        self.slow = 1 + shape.temps
        self.common = self.slow + shape.currents
        self.first_group = self.common + 1 + shape.packs
        self.n = self.first_group + shape.groups
        blocks = len(drop)
        self.begun = False
        self.busy = np.full((self.n, blocks), 512, np.int64)
        self.last = np.zeros((self.first_group, blocks), np.int64)
        self.level = np.zeros(blocks, np.int64)
        self.pack = np.zeros(blocks, np.int64)
        self.mean = np.zeros((shape.groups, blocks), np.int64)
        self.code = np.zeros((shape.groups, blocks), np.int64)

    def scan(self, bits: BlockBits, live: int) -> tuple[I64, I64, I64]:
        """One scan of each of the first `live` blocks."""
        busy = self.busy[:, :live]
        k = _LENGTH[np.minimum(busy >> 6, 8191)]
        k -= (busy >= 40) & (busy < 64)  # the short code
        u = np.zeros((self.n, live), np.int64)
        changed = bits.bit(live) if self.begun else np.ones(live, np.bool_)
        if changed.any():
            for i in range(self.slow):
                u[i] = bits.value(k[i], live, changed)
        else:
            u[: self.slow] = -1
        for i in range(self.slow, self.first_group):
            u[i] = bits.value(k[i], live)
        for g in range(self.shape.groups):
            i = self.first_group + g
            u[i] = _marked(bits, k[i], live, np.asarray(self.code[g, :live] > 0))
        side = self._side(u, live)
        x, code = self._groups(u[self.first_group :], live)
        if self.begun:
            _grown(busy, u, 5)
        else:
            busy[:] = 48
            self.begun = True
        return side, x, code

    def _side(self, u: I64, live: int) -> I64:
        """Time step, current, pack voltage, temperatures; moves the level."""
        shape, common = self.shape, self.common
        now = unfold(np.where(u[: self.first_group] < 0, 0, u[: self.first_group]))
        last = self.last[:, :live]
        if self.begun:
            now[:common] += last[:common]
            if shape.currents:
                change = np.clip(now[self.slow] - last[self.slow], -4096, 4095)
                now[common] += (change * self.drop[:live]) >> 12
            self.level[:live] += now[common]
        if shape.packs:
            self._pack_voltage(now, live)
        self.last[:, :live] = now
        order = [0]
        order += [self.slow] * shape.currents + [common + 1] * shape.packs + list(range(1, self.slow))
        return np.asarray(now[order], np.int64)

    def _pack_voltage(self, now: I64, live: int) -> None:
        pack, at = self.pack[:live], self.common + 1
        if not self.begun:
            pack[:] = now[at] << 4
            return
        term = self.level[:live] * self.shape.groups * self.step[:live] // 50
        now[at] += np.clip(((pack + 8) >> 4) + term, 0, 65535)
        pack += (((now[at] - term) << 4) - pack) >> 3

    def _groups(self, codes: I64, live: int) -> tuple[I64, I64]:
        code = _codes(codes, self.code[:, :live])
        number = code == 0
        mean = self.mean[:, :live]
        if not self.begun:
            x = np.cumsum(np.where(number, unfold(codes), 0), axis=0)  # each as the one before it
            mean[:] = x << 8
        else:
            moved = self.level[:live] * (256 + self.follow[:, :live])
            center = mean + moved
            near = (center + 128) >> 8
            r = unfold(codes)
            np.negative(r, out=r, where=center < np.clip(near, -32768, 32767) << 8)
            x = np.clip(near, -32768, 32767) + r
            mean += np.where(number, ((x << 8) - moved - mean) >> 3, 0)
        self.code[:, :live] = code
        return x, code
