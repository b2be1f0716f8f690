"""Why a group lags, how surely, and what mending it would give back."""

from __future__ import annotations

from evenstring.analysis.results import Bench, Estimate, Usable, Weakness
from evenstring.report.drawing.cause_picture import weakness_picture
from evenstring.report.material import Material
from evenstring.report.sections.section import Figure, Section, drawn, signed
from evenstring.report.words import CAUSES, MORE_CHARGE

__all__ = ["section"]

_SHOWN = 6  # groups with a sentence and a picture each; our choice
_WORTH = 0.005  # of the capacity, beyond its own uncertainty: less is not worth a bench; our choice
_BENCH = 8  # groups whose hours are named; our choice


def section(material: Material) -> Section:
    """Words, figures, table and pictures."""
    found, missing = material.found, material.missing("weakness")
    named = [w for w in found.weakness if w.cause != "cannot_tell"]
    lines = [_said(w) for w in named[:_SHOWN]]
    pictures = [p for w in named[:_SHOWN] for p in drawn(weakness_picture(material.session, w))]
    if not named and missing is None:
        lines.append("No group stands out by more than the scatter of its kind.")
    lines += [f"The meter, not a cell: {p.text}." for p in found.meter_patterns]
    lines += _mending(found.usable) + _at_bench(found.bench)
    rows = [
        (f"group {r.group}", signed(f"{r.add_ah:+z.2f} Ah"), signed(f"{r.low_ah:+z.2f} to {r.high_ah:+z.2f} Ah"))
        for r in found.repair
        if r.low_ah * r.high_ah > 0 and abs(r.add_ah) >= _WORTH * material.profile.capacity_ah
    ]
    heads = ["to bring level with the median group", "add (− take)", "interval"] if rows else []
    figures = _usable_figures(found.usable)
    return Section("weakness", "Why a group stands out", lines, figures, pictures, heads, rows, missing=missing)


def _said(w: Weakness) -> str:
    more = w.cause == "charge_offset" and w.size > 0.0
    because = f" ({w.detail})" if w.detail else ""
    size = signed(f" Size: {w.size:+.3g} {w.unit} ({w.size_low:.3g} to {w.size_high:.3g}).")
    return f"Group {w.group} {MORE_CHARGE if more else CAUSES[w.cause]}{because}.{size} Confidence {w.confidence:.2f}."


def _mending(u: Usable | None) -> list[str]:
    if u is None:
        return []
    return [
        (
            f"As it is, group {u.full_first} is full first and group {u.empty_first} empty first. Balancing would"
            f" give back {_much(u, u.gain_by_balancing)} of usable charge; after that, group {u.smallest} as good as"
            f" the median would give {_much(u, u.gain_by_replacing)}."
        )
    ]


def _at_bench(bench: Bench | None) -> list[str]:
    if bench is None or not bench.hours:
        return []
    named = ", ".join(f"group {g} {h:.1f} h" for g, h in bench.hours[:_BENCH])
    assumed = "" if bench.given else " (assumed; [repair] current_a)"
    return [
        (
            f"At {bench.current_a:g} A{assumed}, one group at a time: {named}. Single groups are charged or drained"
            " by trained people only, within the cells' limits and watched."
        )
    ]


def _usable_figures(u: Usable | None) -> list[Figure]:
    """Usable charge now, balanced, and with the smallest group replaced."""
    if u is None:
        return []
    named = (
        ("usable now", u.now),
        ("usable when balanced", u.balanced),
        ("and the smallest replaced", u.replaced),
    )
    return [(word, _value(u, estimate.best), f"{_span(u, estimate)}, level 0.9") for word, estimate in named]


def _much(u: Usable, estimate: Estimate) -> str:
    return f"{_value(u, estimate.best)} ({_span(u, estimate)})"


def _value(u: Usable, share: float) -> str:
    return f"{100.0 * share:.1f} %" if u.ah is None else f"{share * u.ah:.2f} Ah"


def _span(u: Usable, estimate: Estimate) -> str:
    if u.ah is None:
        return f"{100.0 * estimate.low:.1f} to {100.0 * estimate.high:.1f} %"
    return f"{estimate.low * u.ah:.2f} to {estimate.high * u.ah:.2f} Ah"
