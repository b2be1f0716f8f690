"""A calibration as one page: how far off each group was, what is left, what moved since the last one, when again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from evenstring import __version__
from evenstring.hardware.budget import budget_of
from evenstring.hardware.calibrate import Channel
from evenstring.hardware.calibrations import Calibration, Drift, drift
from evenstring.hardware.cautions import CALIBRATE
from evenstring.hardware.procedures import uncalibrated_mv
from evenstring.hardware.reference import MOST_GROUPS, reference_design
from evenstring.report.drawing.axis import Axis, number_axis
from evenstring.report.drawing.picture import Area, Dots, Line, Picture, Rule, draw
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import counted, listed

__all__ = ["PartLimits", "calibration_page", "drift_words", "part_limits"]

_NAMED = 3  # voltages of one picture that are named at their line; our choice
_TICKS = (1, 2, 5, 10)  # groups between two ticks; our choice
_MOST_TICKS = 12  # our choice


@dataclass(frozen=True, slots=True)
class PartLimits:
    """What the parts of the reference design may make of a full group's reading, on either side of zero, in mV.

    Attributes:
        found_mv: before any calibration, leads and converter at their worst.
        left_mv: after one, between channels, expanded (k = 2).
    """

    found_mv: float
    left_mv: float


def part_limits(front_end: str, groups: int) -> PartLimits | None:
    """By the budget of the reference design for so many groups; None: another front end, which has its own."""
    if front_end != "relay_scan" or groups > MOST_GROUPS:
        return None
    design = reference_design(groups)
    return PartLimits(uncalibrated_mv(design), 2e-3 * budget_of(design).value("channel_u_uv"))


def calibration_page(
    channels: Sequence[Channel], kept: Sequence[Calibration], limits: PartLimits | None, name: str
) -> str:
    """The page of the latest calibration.

    Args:
        channels: of it, in order of the groups.
        kept: all that are known of this board, the latest last.
        limits: of its parts.
        name: of the board.
    """
    latest = kept[-1]
    moved = drift(kept[-2], latest) if len(kept) > 1 else None
    return page_template(asset("calibration.html.j2")).render(
        css=own_css(),
        name=name or "This monitor",
        about=f"{counted(len(channels), 'group')} · calibrated {latest.found:%Y-%m-%d}",
        headline=_headline(latest, moved),
        wrong=bool(moved and moved.beyond),
        said=[*_said(latest, channels, limits), *(drift_words(moved) if moved else [])],
        due=f"{latest.due:%Y-%m-%d}",
        facts=list(_facts(latest)),
        pictures=[draw(_picture(channels, limits, left=left)) for left in (False, True)[: 1 + _tells(channels)]],
        groups=[_group_row(c, moved) for c in channels],
        kept=[_kept_row(one, before) for before, one in zip([None, *kept[:-1]], kept, strict=True)],
        caution=" ".join(CALIBRATE.split()),
        made_by=f"evenstring {__version__}",
    )


def drift_words(moved: Drift) -> list[str]:
    """What moved since the calibration before, in sentences."""
    beyond = "beyond" if moved.common_en > 1 else "within"
    common = (
        f"Since {moved.since:%Y-%m-%d} all groups together moved by {moved.common_mv:+z.2f} mV,"
        f" {beyond} what both calibrations leave unknown (E_n {moved.common_en:.1f})."
    )
    if not moved.beyond:
        return [common, "No group moved against the others by more than both leave unknown."]
    far = ", ".join(
        f"group {g} by {moved.own_mv[g - 1]:+z.2f} mV (E_n {moved.own_en[g - 1]:.1f})" for g in moved.beyond
    )
    return [common, f"Against the others moved {far}: look at its leads and relays, and calibrate more often."]


def _headline(latest: Calibration, moved: Drift | None) -> str:
    if moved and moved.beyond:
        group = "group" if len(moved.beyond) == 1 else "groups"
        return f"Calibrated, and {group} {listed(moved.beyond)} had moved by more than was known"
    if moved and moved.common_en > 1:
        return "Calibrated, and all groups together had moved by more than was known"
    return f"Calibrated: {latest.largest_found_mv:.1f} mV off at most as it was found"


def _tells(channels: Sequence[Channel]) -> bool:
    """Whether what is left says how well the correction holds."""
    return any(c.spare > 0 for c in channels)


def _said(latest: Calibration, channels: Sequence[Channel], limits: PartLimits | None) -> Iterator[str]:
    yield f"As found {latest.rms_found_mv:.2f} mV off in the root mean square, as left {latest.rms_left_mv:.2f} mV."
    if not _tells(channels):
        yield (
            "The correction passes through all readings, so that what is left says nothing of how well it holds: read"
            " every group at one more voltage, or record and measure once more with the new correction in force."
        )
    yield (
        f"Left unknown (k = 1): {latest.u_own_mv:.2f} mV of one channel against another,"
        f" {latest.u_reference_mv:.2f} mV of all alike, which is the reference meter's."
    )
    if limits and latest.largest_found_mv > limits.found_mv:
        yield (
            f"As found it was farther off than its parts explain before any calibration ({limits.found_mv:.0f} mV):"
            " look for a lead's resistor, a relay, a clamp."
        )


def _facts(latest: Calibration) -> Iterator[tuple[str, str]]:
    """Label and value of what was said about it."""
    temperature = "" if latest.temperature_c is None else f"{latest.temperature_c:g} °C"
    readings = f"{latest.points}, from {latest.low_v:.2f} to {latest.high_v:.2f} V"
    for label, value in (
        ("board", latest.board),
        ("reference meter", latest.meter),
        ("its calibration", latest.meter_calibrated),
        ("its certificate", latest.meter_certificate),
        ("its uncertainty", latest.meter_uncertainty),
        ("measured by", latest.operator),
        ("temperature", temperature),
        ("reference readings", readings),
    ):
        yield label, value or "not said"


def _picture(channels: Sequence[Channel], limits: PartLimits | None, *, left: bool) -> Picture:
    """Error of each group at each voltage, as found or as left."""
    lines, dots = [], []
    for k in range(max(len(c.fits) for c in channels)):
        at = [(c.group, sorted(c.fits, key=lambda f: f.volts_v)[k]) for c in channels if len(c.fits) > k]
        x = np.array([g for g, _ in at], dtype=float)
        y = np.array([(f.left_v if left else f.found_v) * 1e3 for _, f in at])
        volts = float(np.median([f.volts_v for _, f in at]))
        label = f"{volts:.2f} V" if k < _NAMED else ""
        lines.append(Line(x, y, label, "main" if left else "leaves", label))
        dots.append(Dots(x, y, "main" if left else "leaves"))
    limit = None if limits is None else limits.left_mv if left else limits.found_mv
    reach = max(float(np.max(np.abs(line.y))) for line in lines)
    shown = limit is not None and limit < 4 * max(reach, 0.1)  # one far outside would flatten the errors
    low, high = (min(float(line.y.min()) for line in lines), max(float(line.y.max()) for line in lines))
    edge = (limit or 0.0) if shown else 0.0
    groups = np.array([0.5, len(channels) + 0.5])
    what = "As left" if left else "As found"
    return Picture(
        key="left" if left else "found",
        alt=f"{what}: errors of {len(channels)} groups from {low:+z.2f} to {high:+z.2f} mV.",
        caption=f"Each line is one voltage of the reference.{_limit_words(limit, left=left, tinted=shown)}",
        x=_group_axis(len(channels)),
        y=number_axis(min(low, -edge, -0.1), max(high, edge, 0.1), "mV"),
        y_word=f"{what}: mV, reading less reference, by group",
        lines=tuple(lines),
        dots=tuple(dots),
        areas=(Area(groups, np.full(2, -edge), np.full(2, edge)),) if edge else (),
        rules=(Rule(0.0, ""),),
        timed=False,
    )


def _limit_words(limit: float | None, *, left: bool, tinted: bool) -> str:
    if limit is None:
        return ""
    mark = ", tinted" if tinted else ""
    if left:
        return f" By the budget of the parts ± {limit:.2f} mV (k = 2) may come back between channels{mark}."
    return f" Before any calibration the parts may make ± {limit:.0f} mV of it{mark}."


def _group_axis(groups: int) -> Axis:
    step = next((s for s in _TICKS if groups / s <= _MOST_TICKS), _TICKS[-1])
    return Axis(0.5, groups + 0.5, tuple((float(g), str(g)) for g in range(step, groups + 1, step)), "")


def _group_row(channel: Channel, moved: Drift | None) -> tuple[str, ...]:
    found = max((f.found_v for f in channel.fits), key=abs) * 1e3
    left = max((f.left_v for f in channel.fits), key=abs) * 1e3
    since = _signed(moved.own_mv[channel.group - 1], 2) if moved else "–"
    u_mv = channel.u_own_v * 1e3
    return (
        str(channel.group), _signed(found, 2), _signed(left, 2), _signed(channel.offset_uv / 1000, 2),
        _signed(channel.gain_ppm, 0), f"{u_mv:.2f}", since,
    )  # fmt: skip


def _kept_row(one: Calibration, before: Calibration | None) -> tuple[str, ...]:
    moved = drift(before, one) if before else None
    far = f"{max(map(abs, moved.own_mv)):.2f}" if moved else "–"
    common = _signed(moved.common_mv, 2) if moved else "–"
    return (
        f"{one.found:%Y-%m-%d}", one.meter or "not said", f"{one.rms_found_mv:.2f}", f"{one.rms_left_mv:.2f}", common,
        far, f"{one.due:%Y-%m-%d}",
    )  # fmt: skip


def _signed(value: float, digits: int) -> str:
    return f"{value:+.{digits}f}".replace("-", "\N{MINUS SIGN}")
