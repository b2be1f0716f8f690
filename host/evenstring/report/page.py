"""The report as one self-contained HTML page: no outside file, no script needed, light and dark, fit to print."""

from __future__ import annotations

from html import escape
from typing import Any

from evenstring.analysis.model import Phase
from evenstring.profile import PackProfile
from evenstring.report.picture import level_line
from evenstring.report.style import STYLE
from evenstring.session import Session
from evenstring.text import plain

__all__ = ["render"]

_ACTIONS = {
    "ride": "Nothing here speaks against riding",
    "keep_charging": "Keep charging",
    "inspect": "Inspect before the next ride or charge",
    "do_not_charge": "Do not charge this pack",
}
_PHASES = {
    "rest": "rest",
    "ride": "ride",
    "charge_cc": "charge, constant current",
    "charge_cv": "charge, constant voltage",
    "unknown": "not told",
}
_EVENTS = {
    "below_empty": "below empty",
    "below_discard": "below discard",
    "above_full": "above full",
    "above_ceiling": "above ceiling",
    "reversed": "reversed",
    "lead_open": "sense lead open",
}
_GLOSSARY = {
    "rest": "No current beyond the smaller of C/200 and 0.1 A (without a sensor: pack voltage slope and noise to match)"
    " for 5 minutes or more.",
    "full": "The constant-voltage part was reached, the current fell to the done-light threshold and every group is near full.",
    "stopped early": "Charging ended by itself with a group at its ceiling, or with the lowest one clearly below full"
    " while the charger still wanted to deliver.",
    "balanced": "Spread at or under the target (10 mV unless set) with the charger still connected, or at rest.",
    "spread": "Highest group minus lowest group of one scan.",
    "departure": "A group minus the median group of the same scan.",
    "scan": "One reading of every group; with two passes the string is read out and back and averaged.",
}


def render(session: Session, profile: PackProfile, report: dict[str, Any], title: str = "") -> str:
    """The page.

    Args:
        session: for the pictures.
        profile: what was assumed of the pack.
        report: report.json as made by `evenstring.report.build`.
        title: which recordings this is about.
    """
    name = plain(profile.name) or plain(report["instrument"]["string_name"]) or "This string"
    body = [
        f"<h1>{escape(name)}</h1>",
        f'<p class="about">{escape(plain(title))} · {_about(report)}</p>',
        _verdict(report),
        '<section><h2>The level line</h2><p class="lead">Each line is one group, drawn by its distance from the median'
        " group. An even string is a flat, quiet surface; a group that leaves it is named.</p>",
        f'<div class="picture">{level_line(session, tuple(Phase(**p) for p in report["phases"]))}</div></section>',
        _spread(report),
        _events(report),
        _phases(report),
        _unknown(report),
        _quality(report),
        _profile(profile),
        _cautions(),
        _glossary(),
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(name)} · evenstring report</title><style>{STYLE}</style></head>\n<body><main>\n"
        + "\n".join(body)
        + "\n</main></body></html>\n"
    )


def _about(report: dict[str, Any]) -> str:
    recording = report["recording"]
    when = recording["start"] or "no wall-clock time recorded"
    hours = recording["duration_s"] / 3600.0
    length = f"{hours:.1f} h" if hours >= 1 else f"{hours * 60:.0f} min"
    return f"{recording['groups']} groups · {recording['scans']:,} scans over {length} · {escape(plain(when))}"


def _verdict(report: dict[str, Any]) -> str:
    verdict = report["verdict"]
    if verdict is None:
        why = report["unknown"].get("verdict", {}).get("why", "")
        return f'<section class="verdict open"><h2>No verdict yet</h2><p>{escape(why)}.</p></section>'
    reasons = "".join(f"<li>{escape(plain(r))}</li>" for r in verdict["reasons"])
    return f'<section class="verdict {verdict["action"]}"><h2>{_ACTIONS[verdict["action"]]}</h2><ul>{reasons}</ul></section>'


def _number(value: float | None, unit: str, digits: int = 1) -> str:
    return '<span class="none">not known</span>' if value is None else f"{value:.{digits}f} {unit}"


def _rows(rows: list[tuple[str, str]]) -> str:
    return "<dl>" + "".join(f"<div><dt>{k}</dt><dd>{v}</dd></div>" for k, v in rows) + "</dl>"


def _spread(report: dict[str, Any]) -> str:
    s = report["spread"]
    u = s["uncertainty_mv"]
    rows = [
        ("at the start", _number(s["start_mv"], "mV")),
        ("at the end", _number(s["end_mv"], "mV")),
        ("largest", _number(s["max_mv"], "mV")),
        ("at rest", _number(s["rest_mv"], "mV")),
        ("uncertainty of a difference, 95 %", "not stated by the meter" if u is None else f"± {u:.1f} mV"),
        ("scans used", f"{s['scans_used']:,}; {s['scans_skewed']:,} moved too much while being read"),
    ]
    return f"<section><h2>Spread</h2>{_rows(rows)}</section>"


def _events(report: dict[str, Any]) -> str:
    seen = report["shortest_visible_s"]
    limit = "" if seen is None else f"<p>Dips shorter than {seen:.2g} s can hide between two looks.</p>"
    if not report["events"]:
        return f"<section><h2>Limits</h2><p>No group was seen beyond a limit.</p>{limit}</section>"
    rows = "".join(
        f"<tr><td>group {e['group']}</td><td>{_EVENTS.get(e['kind'], e['kind'])}</td><td>{_clock(e['start_s'])}</td>"
        f"<td>{e['duration_s']:.1f} s</td><td>{_number(e['extreme_v'], 'V', 3)}</td><td>{_load(e['under_load'])}</td></tr>"
        for e in report["events"][:200]
    )
    more = len(report["events"]) - 200
    rest = f"<p>and {more} more in report.json</p>" if more > 0 else ""
    head = "<tr><th>where</th><th>what</th><th>when</th><th>for</th><th>extreme</th><th>load</th></tr>"
    return f'<section><h2>Limits</h2><div class="wide"><table>{head}{rows}</table></div>{rest}{limit}</section>'


def _load(under_load: bool | None) -> str:
    return {True: "under load", False: "not under load", None: "not known"}[under_load]


def _clock(seconds: float) -> str:
    minutes, s = divmod(int(seconds), 60)
    hours, m = divmod(minutes, 60)
    return f"{hours}:{m:02d}:{s:02d}"


def _phases(report: dict[str, Any]) -> str:
    rows = "".join(
        f"<tr><td>{_PHASES[p['kind']]}</td><td>{_clock(p['start_s'])}</td><td>{_clock(p['end_s'])}</td></tr>"
        for p in report["phases"]
    )
    if not rows:
        return ""
    head = "<tr><th>what</th><th>from</th><th>to</th></tr>"
    return f'<section><h2>What happened when</h2><div class="wide"><table>{head}{rows}</table></div></section>'


def _unknown(report: dict[str, Any]) -> str:
    items = "".join(
        f"<li><b>{escape(key)}</b>: {escape(v['why'])}"
        + (f"; to know, {escape(v['record_next'])}" if v.get("record_next") else "")
        + "</li>"
        for key, v in report["unknown"].items()
    )
    return f"<section><h2>What this recording cannot say</h2><ul>{items}</ul></section>" if items else ""


def _quality(report: dict[str, Any]) -> str:
    recording, board = report["recording"], report["instrument"]
    meter = board["meter"]
    rows = [
        ("read by", escape(plain(board["front_end"].replace("_", " ")))),
        ("firmware", escape(plain(board["firmware"]) or "none")),
        ("runs on", escape(plain(board["runtime"]) or "no board")),
        ("board", escape(plain(board["board_id"]) or "not stated")),
        (
            "frames damaged, lost, unknown",
            "{frames_damaged:,}, {frames_lost:,}, {frames_unknown:,}".format(**recording),
        ),
        ("gaps", str(len(recording["gaps"]))),
        ("current sensor", "yes" if recording["has_current"] else "no"),
        ("noise of a reading", _number(_milli(meter["noise_v"]), "mV", 2)),
        ("channel against channel", _number(_milli(meter["channel_u_v"]), "mV", 2)),
    ]
    return f"<section><h2>Quality of the recording</h2>{_rows(rows)}</section>"


def _milli(volts: float | None) -> float | None:
    return None if volts is None else volts * 1000.0


def _profile(profile: PackProfile) -> str:
    shown = [
        ("pack.chemistry", profile.chemistry),
        ("pack.capacity_ah", f"{profile.capacity_ah:g} Ah"),
        ("limits.full_v", f"{profile.full_v:.2f} V"),
        ("limits.ceiling_v", f"{profile.ceiling_v:.2f} V"),
        ("limits.empty_v", f"{profile.empty_v:.2f} V"),
        ("limits.discard_v", f"{profile.discard_v:.2f} V"),
        ("balancer.bleed_ma", f"{profile.bleed_ma:g} mA"),
        ("balancer.threshold_v", f"{profile.threshold_v:.2f} V"),
        ("charger.current_a", "not known" if profile.charger_current_a is None else f"{profile.charger_current_a:g} A"),
        ("charger.done_light_a", f"{profile.done_light_a:g} A"),
    ]
    rows = [(k, v + (" <i>(assumed)</i>" if k in profile.defaults else "")) for k, v in shown]
    return f"<section><h2>Pack profile</h2>{_rows(rows)}</section>"


def _cautions() -> str:
    return (
        "<section class='cautions'><h2>Cautions</h2><p>A pack above 60 V DC can kill, and any lithium-ion pack can burn."
        " The monitor is never a substitute for the pack's protection board. This page says what was measured and how"
        " surely; it does not say that a pack is fit for use. Follow local codes and the pack maker's instructions, and"
        " leave work on a pack to people qualified for it. Never charge unattended. A group that ever went below its"
        " discard voltage is not to be charged again.</p></section>"
    )


def _glossary() -> str:
    return "<section><h2>Words</h2>" + _rows([(k, escape(v)) for k, v in _GLOSSARY.items()]) + "</section>"
