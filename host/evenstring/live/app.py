"""The live view: one screen in a terminal, from 80 by 24 up, over any line that carries text."""

from __future__ import annotations

import asyncio
import contextvars
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import ClassVar

from textual.app import App, ComposeResult, ScreenStackError
from textual.binding import Binding, BindingType
from textual.css.query import NoMatches
from textual.events import Key
from textual.screen import ModalScreen
from textual.widgets import Footer, Static

from evenstring.errors import EvenstringError
from evenstring.live.paint import Level, Now
from evenstring.live.source import PortSource, ReplaySource
from evenstring.live.state import LiveState
from evenstring.live.together import Named, one_line, together_line
from evenstring.report.drawing.axis import clock
from evenstring.text import plain

__all__ = ["WatchApp"]

_FRAME_S = 0.1  # at most ten drawings a second
_TICK_S = 0.5  # also without anything coming in: silence must show
_NAME = 30  # letters of a name in the title
_WINDOWS_S = (120.0, 600.0, 3600.0, 8 * 3600.0)
_CAUTION = "60 V DC and more can kill. Not a protection board. Never charge unattended."


_HELP = """\
The number: an alarm; on a ride the lowest group, while charging the
highest; at constant voltage the time to balanced; else the spread.
Phase and time are what a report made now would say.

The level line: each group by its distance from the median group; right
is now. Groups that leave it are named.

SILENT: the board says nothing, and no number on the screen is of now.

w  another length of time         f  follow a group, then the next
s  the next string, where several are watched
left, right  a minute of a replay, with shift ten     + -  its speed
space  hold                       q  quit; a recording is closed properly

Any key closes this.
"""


def _rate(per_s: float) -> str:
    return f"{per_s:.1f} scans/s" if per_s >= 0.95 or per_s <= 0 else f"a scan every {1 / per_s:.0f} s"


@dataclass(slots=True)
class _Watched:
    """One string: what is known of it, where it comes from, and when something last came."""

    state: LiveState
    source: PortSource | ReplaySource
    came_s: float = field(default_factory=time.monotonic)

    def look(self) -> None:
        if self.source.apply(self.state):
            self.came_s = time.monotonic()
        since_s = time.monotonic() - self.came_s
        silent = not self.source.is_replay and self.state.is_silent(since_s)
        self.state.silent_s = since_s if silent else None

    def named(self) -> Named:
        return Named(self.source.string_name or self.source.name, self.state)


class Help(ModalScreen[None]):
    """A page over the view, until a key is pressed."""

    CSS = """
    Help { align: center middle; }
    #help { width: 100%; max-width: 80; height: auto; padding: 1 2; background: $surface; }
    """

    def compose(self) -> ComposeResult:
        """One text."""
        yield Static(_HELP, id="help", markup=False)

    def on_key(self, event: Key) -> None:
        """Back to the view."""
        event.stop()
        self.dismiss()


class WatchApp(App[None]):
    """Draws the state when something comes in."""

    CSS = """
    Screen { layout: vertical; }
    #title { height: 1; text-style: bold; padding: 0 2; }
    #strings { height: auto; padding: 0 2; }
    #foot { height: 1; padding: 0 2; }
    #caution { height: 1; padding: 0 2; text-style: dim; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "window", "window"),
        Binding("f", "follow", "group"),
        Binding("s", "string", "string"),
        Binding("space", "hold", "hold"),
        Binding("left", "seek(-60)", "back"),
        Binding("right", "seek(60)", "on"),
        Binding("shift+left", "seek(-600)", show=False),
        Binding("shift+right", "seek(600)", show=False),
        Binding("plus,equals_sign", "speed(1)", "faster", key_display="+"),
        Binding("minus", "speed(-1)", "slower", key_display="-"),
        Binding("question_mark", "help", "help", key_display="?"),
        Binding("q", "quit", "quit"),
    ]

    def __init__(
        self,
        state: LiveState,
        source: PortSource | ReplaySource,
        beside: Sequence[tuple[LiveState, PortSource]] = (),
    ) -> None:
        super().__init__()
        self.state, self.source = state, source
        self._watched = [_Watched(s, port) for s, port in ((state, source), *beside)]
        self.failure: EvenstringError | None = None
        self.drawings = 0  # counted for tests
        self._held = False
        self._drawn_s = 0.0
        self._pending = False

    def compose(self) -> ComposeResult:
        """Number on top, level line below, what is going on at the foot."""
        yield Static(id="title", markup=False)
        yield Now(self.state)
        yield Level(self.state)
        if len(self._watched) > 1:
            yield Static(id="strings", markup=False)
        yield Static(id="foot", markup=False)
        yield Static(_CAUTION, id="caution", markup=False)
        yield Footer()

    def on_mount(self) -> None:
        """Start the source once the screen is there."""
        self._draw()
        loop = asyncio.get_running_loop()
        context = contextvars.copy_context()  # timers of Textual look up their app in it

        def wake() -> None:
            with suppress(RuntimeError):  # the loop has ended already: nobody looks any more
                loop.call_soon_threadsafe(self._arrived, context=context)

        for one in self._watched:
            one.source.start(wake)
        self.set_interval(_FRAME_S if self.source.is_replay else _TICK_S, self._tick)

    def on_unmount(self) -> None:
        """End cleanly: a recording gets its last mark."""
        for one in self._watched:
            one.source.stop()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002  # Textual's signature
        """Keys of the replay only in a replay, of the strings only where there are several."""
        if action == "string":
            return len(self._watched) > 1
        return self.source.is_replay or action not in ("seek", "speed")

    def _arrived(self) -> None:
        """Something came: draw now, or as soon as the last drawing is old enough."""
        if self._pending:
            return
        wait = _FRAME_S - (time.monotonic() - self._drawn_s)
        if wait <= 0:
            self._tick()
        else:
            self._pending = True
            self.set_timer(wait, self._tick)

    def _tick(self) -> None:
        self._pending = False
        for one in self._watched:
            one.look()
        failed = [one.source.error for one in self._watched if one.source.error]
        if failed:
            self.failure = failed[0]
        if len(failed) == len(self._watched):  # while one string is watched, the others' failures stand in their lines
            self.exit(return_code=1)
            return
        if not self._held or self.source.is_replay:
            self._draw()

    def _draw(self) -> None:
        with suppress(
            NoMatches, ScreenStackError, IndexError
        ):  # bytes come at any time: also while the screen is taken down
            self._draw_parts()

    def _draw_parts(self) -> None:
        view = self.screen_stack[0]
        now, level = view.query_one(Now), view.query_one(Level)
        title, foot = view.query_one("#title", Static), view.query_one("#foot", Static)
        self._drawn_s = time.monotonic()
        self.drawings += 1
        for part in (now, level):
            part.work_out()
            part.refresh()
        title.update(self._title())
        foot.update(self._foot())
        if len(self._watched) > 1:
            view.query_one("#strings", Static).update(self._strings())

    def on_resize(self) -> None:
        """The picture follows the size of the terminal."""
        self.call_after_refresh(self._draw)

    def _title(self) -> str:
        state, source = self.state, self.source
        groups = f"{state.history.groups} groups" if state.history else "no scan yet"
        name = plain(state.profile.name or source.string_name or source.name, 200)
        name = name if len(name) <= _NAME else name[: _NAME - 1] + "…"
        if isinstance(source, ReplaySource):
            held = "" if source.playing else " held"
            where = f"{clock(source.at_s)} of {clock(source.session.duration_s)} at {source.speed:g}x{held}"
        else:
            where = state.link.state if state.silent_s is None else f"SILENT for {state.silent_s:.0f} s"
            where += " · held" if self._held else ""
        return f"{name} · {groups} · {where}"

    def _foot(self) -> str:
        link, alarms = self.state.link, self.state.alarms
        quality = f"{_rate(link.scans_per_s)}, {link.damaged} damaged, {link.lost} lost"
        if self.state.silent_s is not None:
            kept = f"{link.scans:,} scans so far, {link.damaged} damaged, {link.lost} lost"
            return f"! nothing comes in: check plug and board · {kept} · {plain(self.source.recording, 40)}"
        if self.state.trouble:
            return f"! {self.state.trouble} · {quality}"
        if not alarms:
            return f"no alarm · {quality} · {plain(self.source.recording, 60)}"
        said = "; ".join(a.words for a in alarms[:3])
        return (
            f"! {len(alarms)} alarm{'s' * (len(alarms) > 1)}: {said} · {quality} · {plain(self.source.recording, 40)}"
        )

    def _strings(self) -> str:
        """A line for each string, and what only all of them together tell."""
        named = [one.named() for one in self._watched]
        lines = [
            one_line(n, shown=n.state is self.state) if not one.source.error else f"  {n.name}: ! {one.source.error}"
            for n, one in zip(named, self._watched, strict=True)
        ]
        return "\n".join(line for line in (*lines, together_line(named)) if line)

    def action_string(self) -> None:
        """The next string."""
        shown = next(k for k, one in enumerate(self._watched) if one.state is self.state)
        following = self._watched[(shown + 1) % len(self._watched)]
        self.state, self.source = following.state, following.source
        for part in (self.query_one(Now), self.query_one(Level)):
            part.state = self.state
        self._draw()

    def action_help(self) -> None:
        """What the screen shows and what the keys do; any key closes it."""
        self.push_screen(Help())

    def action_window(self) -> None:
        """The next length of the level line."""
        level = self.query_one(Level)
        level.window_s = _WINDOWS_S[(_WINDOWS_S.index(level.window_s) + 1) % len(_WINDOWS_S)]
        self._draw()

    def action_follow(self) -> None:
        """Hold up the next group; after the last, whichever leaves the surface."""
        level, groups = self.query_one(Level), self.state.history.groups if self.state.history else 0
        following = -1 if level.follow is None else level.follow
        level.follow = following + 1 if following + 1 < groups else None
        self._draw()

    def action_hold(self) -> None:
        """Hold the picture; a recording goes on."""
        if isinstance(self.source, ReplaySource):
            self.source.apply(self.state)
            self.source.playing = not self.source.playing
        else:
            self._held = not self._held
        self._draw()

    def action_seek(self, seconds: int) -> None:
        """Move within a replay."""
        if isinstance(self.source, ReplaySource):
            self.source.seek(self.source.at_s + seconds, self.state)
            self._draw()

    def action_speed(self, up: int) -> None:
        """Replay faster or slower."""
        if isinstance(self.source, ReplaySource):
            self.source.faster(up > 0)
            self._draw()
