"""Readings of SCAN rows as volts: the one decoding that a session, the live view and the recorder's line share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Quality
from evenstring.wire.table import load_table

__all__ = ["ScanVolts", "scan_currents", "scan_volts"]

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class ScanVolts:
    """k scans of g groups.

    Attributes:
        volts_v: (k, g) mean of the passes, or the one pass that has a reading; NaN where quality is not OK.
        quality: (k, g) `Quality` codes: trouble of lead or range in either pass counts, one missing reading does not.
        out_back_v: (k, g) out minus back, NaN where either has no reading; None with one pass.
    """

    volts_v: F32
    quality: U8
    out_back_v: F32 | None = None

    @property
    def spread_v(self) -> NDArray[np.float64]:
        """(k,) highest minus lowest group of each scan; NaN where no group has a reading."""
        known = np.isfinite(self.volts_v)
        high = np.max(self.volts_v, axis=1, where=known, initial=-np.inf)
        low = np.min(self.volts_v, axis=1, where=known, initial=np.inf)
        return np.where(known.any(axis=1), high.astype(np.float64) - low, np.nan)


def scan_volts(rows: NDArray[Any], step_uv: int) -> ScanVolts:
    """Volts of (k,) rows of SCAN of one shape (`evenstring.wire.stream.ScanRows`), one or two passes.

    step_uv: what one step of a reading is worth; the specification has it stated by IDENT.
    """
    groups, passes = int(rows["groups"][0]), int(rows["passes"][0])
    out_v, out_q = _one_pass(rows["reading"][:, :groups], step_uv)
    if passes != 2:
        return ScanVolts(out_v, out_q)
    back_v, back_q = _one_pass(rows["reading"][:, groups:], step_uv)
    both = (out_q == Quality.OK) & (back_q == Quality.OK)
    either = np.where(both, (out_v + back_v) / 2, np.where(out_q == Quality.OK, out_v, back_v))
    quality = _worse(out_q, back_q)
    return ScanVolts(np.where(quality == Quality.OK, either, np.float32(np.nan)), quality, out_v - back_v)


def scan_currents(rows: NDArray[Any]) -> tuple[F32, F32] | None:
    """Currents in A of (k,) rows, charging positive: each reading's (k, c), and means of what was read (k,).

    NaN where nothing was read; None where the rows carry no current.
    """
    if not int(rows["currents"][0]):
        return None
    amps = np.where(rows["current"] == -32768, np.nan, rows["current"] * np.float32(0.01)).astype(np.float32)
    amps = amps.reshape(len(rows), -1)
    known = np.isfinite(amps)
    total = np.where(known, amps, 0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return amps, np.where(known.any(axis=1), total, np.nan).astype(np.float32)


def _one_pass(steps: NDArray[np.int16], step_uv: int) -> tuple[F32, U8]:
    codes = load_table().reading_codes
    quality = np.zeros(steps.shape, np.uint8)
    special = (steps <= codes["lead_open"]) | (steps == codes["over_positive"])
    volts = steps * np.float32(step_uv * 1e-6)
    if special.any():
        for name, value in (
            ("no_reading", Quality.NO_READING),
            ("over_positive", Quality.OVER_POSITIVE),
            ("over_negative", Quality.OVER_NEGATIVE),
            ("lead_open", Quality.LEAD_OPEN),
        ):
            quality[steps == codes[name]] = value
        volts[special] = np.nan
    return volts, quality


def _worse(out_q: U8, back_q: U8) -> U8:
    trouble = np.maximum(
        np.where(out_q == Quality.NO_READING, 0, out_q), np.where(back_q == Quality.NO_READING, 0, back_q)
    )
    missing = (out_q == Quality.NO_READING) & (back_q == Quality.NO_READING)
    return np.where(trouble > 0, trouble, np.where(missing, Quality.NO_READING, 0)).astype(np.uint8)
