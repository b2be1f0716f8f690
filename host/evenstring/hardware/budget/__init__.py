"""Error, fault and time budget of a front end: what it can resolve, what it takes, and whether it is over a limit.

Every figure of hardware_notes comes from here or from the circuits there.
"""

from __future__ import annotations

from evenstring.hardware.budget.bank import divider_bank
from evenstring.hardware.budget.common import common_lines
from evenstring.hardware.budget.errors import error_lines
from evenstring.hardware.budget.faults import fault_lines
from evenstring.hardware.budget.figures import Budget, Line
from evenstring.hardware.budget.use import drain_lines, pack_lines, power_lines, time_lines
from evenstring.hardware.front_end import DividerBank, RelayScan

__all__ = ["Budget", "Line", "budget_of"]


def budget_of(design: RelayScan | DividerBank) -> Budget:
    """Compute the budget of a design."""
    if isinstance(design, DividerBank):
        return divider_bank(design)
    lines = (
        *fault_lines(design), *error_lines(design), *common_lines(design), *time_lines(design), *drain_lines(design),
        *power_lines(design), *pack_lines(design),
    )  # fmt: skip
    return Budget(f"relay scan, {design.string.groups} groups", lines)
