"""A simulated instrument on a socket: SCPI as an instrument reads it, a pack at its terminals, and ways to misbehave.

Its commands stand in the notation of SCPI-1999 (volume 2, from memory): capitals are the short form, brackets may be
left out, either form in any case, several commands with `;` between. So it takes more than what is sent to it, and
refuses with -113 what no instrument knows. `test_outside.py` holds the driver to one that is not ours.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from collections import deque
from collections.abc import Callable

TREE = {
    "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]": "volts",
    "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]": "amps",
    "[SOURce]:FUNCtion[:MODE]": "function",
    "OUTPut[:STATe]": "on",
    "INPut[:STATe]": "on",
    "MEASure[:SCALar]:VOLTage[:DC]": "measured_v",
    "MEASure[:SCALar]:CURRent[:DC]": "measured_a",
    "SYSTem:ERRor[:NEXT]": "error",
    "*IDN": "identity",
    "*CLS": "clear",
    "*OPC": "done",
}


def pattern(header: str) -> re.Pattern[str]:
    """A header in the notation of the standard as a regular expression."""
    out = ""
    for bracket, colon, word, _close in re.findall(r"(\[)?(:)?(\*?[A-Za-z]+)(\])?", header):
        short = re.match(r"\*?[A-Z]+", word)
        assert short is not None
        form = re.escape(short[0]) + (f"(?:{word[len(short[0]) :]})?" if word != short[0] else "")
        if bracket and not out:
            form = f"(?:{form}:)?"  # the colon behind it goes with it
        elif bracket:
            form = f"(?:{colon}{form})?"
        else:
            form = ("" if out.endswith(":)?") else colon) + form
        out += form
    return re.compile(f":?{out}", re.IGNORECASE)


HEADERS = [(pattern(header), name) for header, name in TREE.items()]


class SimulatedInstrument:
    """Listens on a free port of this computer.

    Attributes:
        pack_v: volts of what hangs at its terminals; ohm: of that and its leads.
        on, volts, amps: as they were set.
        slow_s: waits so long before it answers; garbage: answers that instead; deaf: answers nothing.
        real_a: what flows whatever is set; None: what was set.
        heard: commands, in order.
    """

    def __init__(self, load: bool = False, pack_v: float = 15.0) -> None:
        self.load, self.pack_v, self.ohm = load, pack_v, 0.05
        self.on, self.volts, self.amps = False, 0.0, 0.0
        self.slow_s, self.garbage, self.deaf = 0.0, "", False
        self.real_a: float | None = None
        self.stuck_on = False
        self.most_v = 1000.0
        self.heard: list[str] = []
        self.errors: deque[tuple[int, str]] = deque()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._peers: list[socket.socket] = []
        self._closed = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def flows_a(self) -> float:
        """Into the pack from a supply, out of it to a load; without sign."""
        if not self.on:
            return 0.0
        if self.real_a is not None:
            return self.real_a
        return self.amps if self.load else max(0.0, min(self.amps, (self.volts - self.pack_v) / self.ohm))

    def hang_up(self) -> None:
        """The line goes away; a new one is taken."""
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)
            peer.close()
        self._peers.clear()

    def close(self) -> None:
        self._closed = True
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.hang_up()

    def _serve(self) -> None:
        while not self._closed:
            try:
                peer, _ = self._server.accept()
            except OSError:
                return
            self._peers.append(peer)
            threading.Thread(target=self._talk, args=(peer,), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError), peer.makefile("rwb") as line:
            for message in line:
                answers = [a for a in map(self.one, message.decode("latin-1").strip().split(";")) if a is not None]
                if not answers or self.deaf:
                    continue
                time.sleep(self.slow_s)
                line.write((self.garbage or ";".join(answers)).encode("latin-1") + b"\n")
                line.flush()

    def one(self, command: str) -> str | None:
        """What it answers to one command; None: nothing."""
        self.heard.append(command)
        header, _, value = command.strip().partition(" ")
        name = next((n for p, n in HEADERS if p.fullmatch(header.removesuffix("?"))), None)
        if name is None:
            return self._refuse(-113, "Undefined header")
        return self._query(name) if header.endswith("?") else self._set(name, value.strip())

    def _query(self, name: str) -> str | None:
        volts = self.pack_v + self.ohm * (-self.flows_a if self.load else self.flows_a)
        held = self.volts if not self.load and self.on and not self.amps else volts
        answers: dict[str, Callable[[], str]] = {
            "volts": lambda: f"{self.volts:.3f}",
            "amps": lambda: f"{self.amps:.4E}",  # NR3
            "on": lambda: str(int(self.on)),  # NR1
            "measured_v": lambda: f"{held if self.on or self.load else 0.0:+.3f}",  # NR2
            "measured_a": lambda: f"{self.flows_a:.3f}",
            "error": self._next_error,
            "identity": lambda: "Invented Works,Practice 1,0,1.0",
            "done": lambda: "1",
        }
        return answers[name]() if name in answers else self._refuse(-113, "Undefined header")

    def _set(self, name: str, value: str) -> str | None:
        if name in ("volts", "amps"):
            try:
                number = float(value)
            except ValueError:
                return self._refuse(-104, "Data type error")
            if number < 0 or number > self.most_v:
                return self._refuse(-222, "Data out of range")
            setattr(self, name, number)
        elif name == "on":
            if value.upper() not in ("0", "1", "ON", "OFF"):
                return self._refuse(-141, "Invalid character data")
            self.on = value.upper() in ("1", "ON") or self.stuck_on
        elif name == "clear":
            self.errors.clear()
        return None

    def _refuse(self, number: int, text: str) -> None:
        self.errors.append((number, text))

    def _next_error(self) -> str:
        number, text = self.errors.popleft() if self.errors else (0, "No error")
        return f'{number},"{text}"'
