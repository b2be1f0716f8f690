"""How the charge ended, and every charge where there were several."""

from __future__ import annotations

from collections.abc import Sequence

from evenstring.analysis.results import Charge
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, optional, volts
from evenstring.report.words import ENDED

__all__ = ["section"]

_TITLE = "How the charge ended"


def section(material: Material) -> Section:
    """Words, figures and table."""
    c, missing = material.found.charge, material.missing("charge")
    if c.ended == "none":
        return Section("charge", _TITLE, [ENDED["none"]], missing=missing)
    pairs = [
        ("lowest group", "not known" if c.lowest_group is None else f"group {c.lowest_group}", volts(c.lowest_v_end)),
        ("whole pack at the end", volts(c.pack_v_end) or "not known", ""),
    ]
    if c.charged_ah is not None:
        pairs.append(("charged", f"{c.charged_ah:.3g} Ah", ""))
    if c.short_ah is not None:
        pairs.append(("lowest group short of full by", f"{c.short_ah:.2f} Ah", ""))
    if "charger.done_light_a" in material.profile.defaults and c.done_light_a not in (
        None,
        material.profile.done_light_a,
    ):
        pairs.append(("done light", f"{c.done_light_a:.2f} A", "read off the end of the taper, since nobody gave it"))
    heads, rows = _cycles(material.found.charges)
    return Section("charge", _TITLE, [ENDED[c.ended], *_cause(c)], pairs, [], heads, rows, missing=missing)


def _cause(c: Charge) -> list[str]:
    """Which group it was."""
    causes = c.cause_groups or ((c.cause_group,) if c.cause_group else ())
    where = "is short of full" if c.ended in ("ended_uneven", "charger_low") else "was at the ceiling"
    if len(causes) == 1:
        return [f"Group {causes[0]} {where}."]
    if causes:
        return [f"One of groups {', '.join(map(str, causes))} {where}; they cannot be told apart."]
    return []


def _cycles(charges: tuple[Charge, ...]) -> tuple[list[str], Sequence[tuple[str, ...]]]:
    """Every charge of the recording, when there was more than one."""
    if len(charges) < 2:
        return [], []
    rows = [
        (
            clock(c.start_s or 0.0),
            ENDED[c.ended].rstrip("."),
            volts(c.lowest_v_end),
            volts(c.highest_v_end),
            optional(c.charged_ah, "Ah", 2),
        )
        for c in charges
    ]
    return ["began", "ended", "lowest group", "highest group", "charged"], rows
