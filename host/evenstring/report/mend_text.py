"""What mending would give back, and how long it takes on a bench, in words."""

from __future__ import annotations

from typing import Any

from evenstring.report.finding import Figure

__all__ = ["mend_figures", "mend_lines", "room_lines"]


def mend_lines(report: dict[str, Any]) -> list[str]:
    """Sentences on usable charge and on work at a bench; empty when neither is known."""
    lines = []
    u = report.get("usable") or {}
    if u:
        lines.append(
            f"As it is, group {u['full_first']} is full first and group {u['empty_first']} empty first. Balancing would"
            f" give back {_much(u, 'gain_by_balancing')} of usable charge; after that, group {u['smallest']} as good as"
            f" the median would give {_much(u, 'gain_by_replacing')}."
        )
    bench = report.get("repair_bench") or {}
    if bench.get("hours"):
        named = ", ".join(f"group {g} {h:.1f} h" for g, h in bench["hours"][:8])
        assumed = "" if bench.get("given") else " (assumed; [repair] current_a)"
        lines.append(
            f"At {bench['current_a']:g} A{assumed}, one group at a time: {named}. Single groups are charged or drained"
            " by trained people only, within the cells' limits and watched."
        )
    return lines


def mend_figures(report: dict[str, Any]) -> list[Figure]:
    """Usable charge now, balanced, and with the smallest group replaced."""
    u = report.get("usable") or {}
    named = (("usable now", "now"), ("usable when balanced", "balanced"), ("and the smallest replaced", "replaced"))
    return [(word, _value(u, u[key]["best"]), f"{_span(u, key)}, level 0.9") for word, key in named if key in u]


def room_lines(report: dict[str, Any]) -> list[str]:
    """How full the string may be at the top of a descent."""
    room = report.get("room_for_braking") or {}
    if not room:
        return []
    soc, low, high = (100.0 * room[k] for k in ("highest_soc", "soc_low", "soc_high"))
    if soc >= 99.5:
        return ["Braking as on this ride keeps every group under its ceiling even when full, if only just: leave room."]
    rest, amps, group = room["resting_pack_v"], room["regen_current_a"], room["group"]
    text = (
        f"Leave room for braking: begin descents below {soc:.0f} % SoC ({low:.0f} to {high:.0f}), {rest:.1f} V at rest;"
        f" above it {amps:.0f} A of braking lifts group {group} to its ceiling, and braking may be cut."
    )
    return [text]


def _much(usable: dict[str, Any], key: str) -> str:
    return f"{_value(usable, usable[key]['best'])} ({_span(usable, key)})"


def _value(usable: dict[str, Any], share: float) -> str:
    return f"{100.0 * share:.1f} %" if usable.get("ah") is None else f"{share * usable['ah']:.2f} Ah"


def _span(usable: dict[str, Any], key: str) -> str:
    low, high = usable[key]["low"], usable[key]["high"]
    if usable.get("ah") is None:
        return f"{100.0 * low:.1f} to {100.0 * high:.1f} %"
    return f"{low * usable['ah']:.2f} to {high * usable['ah']:.2f} Ah"
