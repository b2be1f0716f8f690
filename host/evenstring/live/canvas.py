"""Lines as braille dots: 2 by 4 of them in one character cell. Numbers in, characters out; no terminal here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BrailleDots", "raster"]

F32 = NDArray[np.float32]
_BLANK = 0x2800
# Bits of the dots of a cell, (row, column), as Unicode numbers them.
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class BrailleDots:
    """Characters of a picture, and which cells hold a line that is to stand out."""

    rows: list[str]
    strong: NDArray[np.bool_]  # (height, width)


def raster(low: F32, high: F32, strong: list[int], top: float, bottom: float, height: int) -> BrailleDots:
    """Draw lines that run from `low` to `high` in each column.

    Args:
        low: (columns, lines) lower end in each column, NaN for nothing; two columns make a cell.
        high: (columns, lines) upper end.
        strong: lines that stand out.
        top: value at the upper edge.
        bottom: value at the lower edge.
        height: cells.
    """
    dots = 4 * height
    scale = (dots - 1) / max(top - bottom, 1e-9)
    upper, lower = (top - high) * scale, (top - low) * scale  # in dots, downwards
    # A line is joined to where it was in the column before: its run reaches to the nearer end of that one.
    before_upper, before_lower = np.roll(upper, 1, axis=0), np.roll(lower, 1, axis=0)
    before_upper[0], before_lower[0] = np.nan, np.nan
    joined_upper, joined_lower = np.fmin(upper, before_lower), np.fmax(lower, before_upper)
    known = ~np.isnan(upper)
    is_strong = np.zeros(low.shape[1], np.bool_)
    is_strong[strong] = True
    quiet_bits = _bits(joined_upper, joined_lower, known & ~is_strong, dots)
    strong_bits = _bits(joined_upper, joined_lower, known & is_strong, dots)
    marked = strong_bits > 0
    cells = np.where(marked, strong_bits, quiet_bits) + _BLANK
    return BrailleDots(["".join(map(chr, row)) for row in cells.tolist()], marked)


def _bits(upper: F32, lower: F32, draw: NDArray[np.bool_], dots: int) -> NDArray[np.int64]:
    columns, lines = np.nonzero(draw)
    first = np.clip(np.rint(upper[columns, lines]), 0, dots - 1).astype(np.int64)
    last = np.clip(np.rint(lower[columns, lines]), 0, dots - 1).astype(np.int64)
    edges = np.zeros((dots + 1, len(draw)), np.int64)
    np.add.at(edges, (first, columns), 1)
    np.add.at(edges, (last + 1, columns), -1)
    lit = np.cumsum(edges, axis=0)[:dots] > 0
    blocks = lit.reshape(dots // 4, 4, len(draw) // 2, 2)
    return np.asarray(np.einsum("hrwc,rc->hw", blocks.astype(np.int64), _BITS))
