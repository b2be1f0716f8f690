"""Quality of the recording: who read, how well, and what happened to the bytes on their way."""

from __future__ import annotations

from evenstring.hardware.calibrations import calibration_due_since
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.sections.section import brief
from evenstring.session import LinkStats, Session

__all__ = ["notes", "quality"]

_NOTES = 60  # notes, marks and warnings shown; our choice


def quality(material: Material) -> list[tuple[str, str]]:
    """Who read, how, and what happened to the bytes: label and value."""
    session, used, seen = material.session, material.found.spread, material.found.shortest_visible_s
    ident, meter, link = session.ident, session.meter, session.link
    gap_s = sum(g.end_s - g.start_s for g in session.gaps)
    skewed = f", {used.scans_skewed:,} moved too much while being read"
    return [
        ("read by", ident.front_end.replace("_", " ")),
        ("firmware", ident.firmware or "not stated"),
        ("runs on", ident.runtime or "not stated"),
        ("board", ident.board_id or "not stated"),
        ("board's own memory", ident.memory_words or "records nothing by itself, or does not say"),
        ("taken from the pack by the board", ident.draw_words or "not stated"),
        ("calibration", _calibration(session)),
        ("frames good", f"{link.frames_good:,}"),
        ("frames damaged", f"{link.frames_damaged:,}{_cut(link)}; none of them became a number"),
        ("frames lost", f"{link.frames_lost:,}"),
        ("frames of unknown kind", f"{link.frames_unknown:,}"),
        ("torn end", f"{link.tail_bytes:,} bytes"),
        (
            "console text between frames",
            f"{link.console_pieces:,} pieces, {link.console_bytes:,} bytes; no frame harmed",
        ),
        ("gaps", f"{len(session.gaps)}, {clock(gap_s)} in all" if session.gaps else "none"),
        ("scans used for the spread", f"{used.scans_used:,}{skewed}"),
        ("shortest dip that cannot hide", "not known" if seen is None else brief(seen)),
        ("current", "measured" if session.has_current else "not measured: charge and resistance in amperes stay open"),
        ("noise of a reading", _millivolts(meter.noise_v)),
        ("one channel against another", _millivolts(meter.channel_u_v)),
        ("gain common to all", "not stated" if meter.gain_u is None else f"± {meter.gain_u * 100:.2g} % (k = 1)"),
    ]


def _cut(link: LinkStats) -> str:
    return ", one of them cut by joining a board that was sending" if link.cut_on_joining else ""


def _calibration(session: Session) -> str:
    """Which correction the readings carry, as the board said."""
    if not session.corrections:
        return "not stated"
    last = session.corrections[-1]
    words = {"none": "none", "description": "from the board description", "command": "written to the board"}
    when = "" if last.found is None else f", found {last.found:%Y-%m-%d}"
    copy = "; its main copy was lost, the second one is in force" if last.second_copy else ""
    due = calibration_due_since(session)
    when += f"; due since {due}" if due else ""
    changes = len(session.corrections) - 1
    return words.get(last.source, last.source) + when + copy + (f"; changed {changes} times" if changes else "")


def _millivolts(volts: float | None) -> str:
    return "not stated" if volts is None else f"± {volts * 1000:.2g} mV (k = 1)"


def notes(session: Session) -> list[tuple[str, str]]:
    """What people and the board said while it was recorded, in order of time: when and who, and what.

    A board that does not measure, or does not record, comes first, however many other notes there are.
    """
    blind = [(h.time_s, "the board", h.words) for h in session.health if h.words]
    beside = {h.aside: (h.time_s, "the board", h.aside) for h in reversed(session.health) if h.aside}  # each told once
    said = [
        (w.time_s, "the board", f"{w.words}{'' if w.value_v is None else f' ({w.value_v:.2f} V)'}")
        for w in session.said
        if w.began and w.words
    ]
    marks = [(m.time_s, m.kind, m.text) for m in session.marks if m.kind != "time"]
    shown = [*blind, *beside.values(), *sorted((*said, *marks), key=lambda note: note[0])][:_NOTES]
    return [(f"{clock(when)}, {who}", what) for when, who, what in shown]
