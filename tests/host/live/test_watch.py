"""The live view, driven by Textual's pilot: what the screen says, what keys do, how long a byte takes."""

from __future__ import annotations

import asyncio
import os
import pty
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.live.app import WatchApp
from evenstring.live.paint import Level
from evenstring.live.source import PortSource, ReplaySource, scans_of
from evenstring.live.state import LiveState
from evenstring.report.words import PHASES
from evenstring.wire.encode import Counter, ScanValues, message, scan_frames, volts_to_steps
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.table import load_table

from tests.host.looks import NASTY, a_day, a_profile

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane


def screen(app: WatchApp) -> str:
    """All characters on the screen."""
    return "\n".join("".join(s.text for s in strip) for strip in app.screen._compositor.render_strips())


def replay(name: str = "day.frames", **profile: Any) -> tuple[WatchApp, ReplaySource]:
    session = a_day()
    source = ReplaySource(session, name)
    return WatchApp(LiveState(replace(a_profile(), **profile)), source), source


def run(app: WatchApp, steps: Callable[[Any], Any], size: tuple[int, int] = (80, 24)) -> None:
    async def go() -> None:
        async with app.run_test(size=size) as pilot:
            await steps(pilot)

    asyncio.run(go())


@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_screen_shows_number_facts_line_and_keys(size: tuple[int, int]) -> None:
    app, source = replay()

    async def steps(pilot: Any) -> None:
        source.playing = False
        source.seek(11_500, app.state)
        app._draw()
        await pilot.pause()
        shown = screen(app)
        for word in (
            "spread",
            "slowest",
            "fastest",
            PHASES[app.state.phase],
            "group 17",
            "a scan every",
            "quit",
            "can kill",
        ):
            assert word in shown
        assert "█" in shown
        assert any("\u2801" <= c <= "\u28ff" for c in shown)
        rows = shown.split("\n")
        assert len(rows) == size[1]

    run(app, steps, size)


def test_keys_seek_hold_change_speed_window_and_group() -> None:
    app, source = replay()

    async def steps(pilot: Any) -> None:
        await pilot.press("space")
        assert not source.playing
        at = source.at_s
        await pilot.press("right", "right")
        assert source.at_s == pytest.approx(at + 120)
        await pilot.press("left")
        assert source.at_s == pytest.approx(at + 60)
        await pilot.press("shift+right")
        assert source.at_s == pytest.approx(at + 660)
        await pilot.press("plus", "plus", "minus")
        assert source.speed == 2
        level = app.query_one(Level)
        await pilot.press("w")
        assert level.window_s == 3600
        await pilot.press("f", "f")
        assert level.follow == 1
        assert "group 2" in screen(app)
        await pilot.press("q")

    run(app, steps)


def test_replay_reaches_its_end_and_stays_there() -> None:
    app, source = replay()
    source.speed = 1e6

    async def steps(pilot: Any) -> None:
        await pilot.pause(0.3)
        assert source.at_s == source.session.duration_s
        assert "3 h 19 min of 3 h 19 min" in screen(app)

    run(app, steps)


def test_alarm_is_told_in_words_and_not_by_colour_alone() -> None:
    app, source = replay(discard_v=3.9, empty_v=3.95)

    async def steps(pilot: Any) -> None:
        source.playing = False
        source.seek(3000, app.state)
        app._draw()
        await pilot.pause()
        assert "! group" in screen(app)
        assert "below the discard voltage" in screen(app)

    run(app, steps)


def test_names_with_escapes_and_overrides_show_as_text() -> None:
    app, _ = replay()
    app.state.profile = replace(app.state.profile, name=NASTY)

    async def steps(pilot: Any) -> None:
        await pilot.pause()
        shown = screen(app)
        assert "\x1b" not in shown
        assert "\u202e" not in shown
        assert "␛[31mred[U+202E]" in shown

    run(app, steps)


def test_no_color_draws_without_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    # no-color.org: any non-empty value of NO_COLOR asks for no added colour.
    monkeypatch.setenv("NO_COLOR", "1")
    app, source = replay()

    async def steps(pilot: Any) -> None:
        source.seek(11_500, app.state)
        app._draw()
        await pilot.pause()
        styles = {s.style for strip in app.screen._compositor.render_strips() for s in strip if s.style}
        colours = {c.triplet for s in styles for c in (s.color, s.bgcolor) if c and c.triplet}
        assert all(len({t.red, t.green, t.blue}) == 1 for t in colours)

    run(app, steps)


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A pty: our end, and the name of the port."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def one_scan(counter: Counter, uptime_ms: int, volts_v: list[float]) -> bytes:
    steps = volts_to_steps(np.array([volts_v + volts_v]))
    return scan_frames(ScanValues(np.array([uptime_ms]), steps, len(volts_v)), counter)


@pytest.mark.soak  # times by the clock: on a busy machine it would tell of the machine
def test_a_byte_and_an_alarm_show_within_150_ms(line: tuple[int, str], tmp_path: Path) -> None:
    ours, port = line
    app = WatchApp(LiveState(a_profile(3)), PortSource(port, tmp_path / "out.frames"))
    counter, waits = Counter(), []
    alarm = load_table().enums["alarm"]["hot"]

    async def until(sight: Callable[[], bool]) -> float:
        began = time.perf_counter()
        while not sight() and time.perf_counter() - began < 5:
            await asyncio.sleep(0.002)
        return time.perf_counter() - began

    async def steps(pilot: Any) -> None:
        await pilot.pause(0.3)
        for k in range(8):
            volts = 3.600 + 0.010 * k
            os.write(ours, one_scan(counter, 1000 + 500 * k, [3.6, 3.6, volts]))
            waits.append(await until(lambda k=k: f"{10.0 * k:.1f} mV" in screen(app)))
            await asyncio.sleep(0.03 * k)
        values = {"change": 0, "place": 0, "value": 0, "extreme": 0, "active": 1 << alarm, "latched": 0}
        os.write(ours, message("ALARM", counter.next(), 6000, alarm=alarm, **values))
        waits.append(await until(lambda: "! 1 alarm" in screen(app)))

    run(app, steps)
    assert sorted(waits)[len(waits) // 2] < 0.15
    assert max(waits) < 0.6  # a busy machine may hold up one; the middle one may not wait
    decoder = StreamDecoder()
    decoder.feed((tmp_path / "out.frames").read_bytes())
    assert decoder.frames_damaged == 0
    assert decoder.frames_good >= 9


@pytest.mark.soak  # times by the clock: on a busy machine it would tell of the machine
def test_ten_scans_a_second_take_a_quarter_of_a_core_at_most(line: tuple[int, str]) -> None:
    ours, port = line
    app = WatchApp(LiveState(a_profile()), PortSource(port))
    day = a_day(n=600)
    counter, used = Counter(), []

    def send(stop: threading.Event) -> None:
        for k in range(600):
            os.write(ours, one_scan(counter, 100 * k, day.volts_v[k].tolist()))
            if stop.wait(0.1):
                return

    async def steps(pilot: Any) -> None:
        stop = threading.Event()
        sender = threading.Thread(target=send, args=(stop,), daemon=True)
        sender.start()
        await asyncio.sleep(1.5)
        cpu, wall = time.process_time(), time.perf_counter()
        drawn = app.drawings
        await asyncio.sleep(4.0)
        used.append((time.process_time() - cpu) / (time.perf_counter() - wall))
        assert app.drawings - drawn >= 20
        stop.set()
        sender.join()

    run(app, steps)
    print(f"live view, 24 groups at 10 scans/s: {100 * used[0]:.0f} % of one core")
    assert used[0] < 0.25


def test_bytes_that_come_when_the_screen_is_gone_change_nothing(line: tuple[int, str]) -> None:
    app = WatchApp(LiveState(a_profile(3)), PortSource(line[1]))

    async def steps(pilot: Any) -> None:
        await app.query_one("#foot").remove()
        drawn = app.drawings
        app._drawn_s = 0.0
        app._arrived()
        await pilot.pause(0.2)
        assert app.drawings == drawn

    run(app, steps)


def test_two_strings_stand_side_by_side_and_a_key_shows_the_other(line: tuple[int, str]) -> None:
    ours, port = line
    both = pty.openpty()
    tty.setraw(both[0])
    other = os.ttyname(both[1])
    app = WatchApp(LiveState(a_profile(3)), PortSource(port), [(LiveState(a_profile(3)), PortSource(other))])

    async def steps(pilot: Any) -> None:
        await pilot.pause(0.3)
        os.write(ours, one_scan(Counter(), 1000, [4.0, 4.0, 3.99]))
        os.write(both[0], one_scan(Counter(), 1000, [3.9, 1.2, 3.9]))
        for _ in range(60):
            await pilot.pause(0.05)
            if "group 3 lowest, 3.990 V" in screen(app) and "group 2 below the discard voltage" in screen(app):
                break
        assert f"▸ {port}: 11.99 V · group 3 lowest, 3.990 V" in screen(app)
        assert f"{other}: ! group 2 below the discard voltage" in screen(app)
        await pilot.press("s")
        await pilot.pause(0.2)
        assert f"▸ {other}: ! group 2" in screen(app)
        assert "1.20 V" not in app._title()
        assert app.state.alarms

    run(app, steps, (100, 30))
    for handle in both:
        os.close(handle)


def test_silence_is_shown(line: tuple[int, str]) -> None:
    app = WatchApp(LiveState(a_profile(3)), PortSource(line[1]))

    async def steps(pilot: Any) -> None:
        app._watched[0].came_s -= 10
        await pilot.pause(0.7)
        assert "SILENT for" in screen(app)

    run(app, steps)


def test_port_that_is_not_there_ends_with_one_line(tmp_path: Path) -> None:
    app = WatchApp(LiveState(), PortSource(str(tmp_path / "no-port")))

    async def steps(pilot: Any) -> None:
        await pilot.pause(0.5)

    run(app, steps)
    assert app.failure is not None
    assert "no-port" in str(app.failure)


def test_scans_of_means_passes_and_leaves_out_what_is_no_reading() -> None:
    codes = load_table().reading_codes
    reading = np.array([[18_000, codes["lead_open"], 18_010, 18_000]], np.int16)  # 2 groups, out and back
    frames = scan_frames(
        ScanValues(np.array([5000]), reading, 2, current_10ma=np.array([[-1250]], np.int16)), Counter()
    )
    time_s, volts, current = scans_of(StreamDecoder().feed(frames).scans[0])
    assert time_s.tolist() == [5.0]
    assert volts[0, 0] == pytest.approx(3.601)  # mean of 18,000 and 18,010 steps of 0.2 mV
    assert np.isnan(volts[0, 1])
    assert current is not None
    assert current[0] == pytest.approx(-12.5)


def test_help_has_an_example_and_o_with_a_recording_is_refused(tmp_path: Path) -> None:
    assert "Example" in CliRunner().invoke(cli, ["watch", "--help"]).output
    recording = tmp_path / "a.frames"
    recording.write_bytes(one_scan(Counter(), 0, [3.6]))
    result = CliRunner().invoke(cli, ["watch", str(recording), "-o", str(tmp_path / "b.frames")])
    assert result.exit_code != 0
