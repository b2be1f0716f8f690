"""What an interpreter prints between frames is counted apart from damage, and real damage stays damage."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.commands.board.live_line import status_line
from evenstring.io.capture import Status
from evenstring.io.load import load_session
from evenstring.wire.encode import frame
from evenstring.wire.stream import StreamDecoder

from tests.host.streams import recording, scans
from tests.mp import ScriptError, Unix64
from tests.vectors import feedings


def decoded(*parts: bytes) -> StreamDecoder:
    decoder = StreamDecoder()
    for part in parts:
        decoder.feed(part)
    return decoder


@pytest.fixture(scope="module")
def traceback() -> bytes:
    """What a real MicroPython prints when a script ends badly, as its console would send it: CR LF line ends."""
    with pytest.raises(ScriptError) as caught:
        Unix64().run("def scan(n):\n    return 1 // n\nscan(0)")
    text = str(caught.value).split("\n", 1)[1].split("--- printed before:\n")
    printed = next(part for part in text if "Traceback" in part)
    return printed.strip().replace("\n", "\r\n").encode()


@pytest.mark.parametrize("way", ["whole", "bytewise", "sevens"])
def test_a_traceback_between_frames_is_text_and_no_damage(traceback: bytes, way: str) -> None:
    assert b"ZeroDivisionError" in traceback
    stream = scans(3, 4) + traceback + b"\0" + recording(4, 4)
    decoder = decoded(*dict(feedings(stream))[way])

    assert (decoder.console_pieces, decoder.console_bytes) == (1, len(traceback))
    assert (decoder.frames_damaged, decoder.frames_good) == (0, 3 + 1 + 4)


def test_text_in_the_middle_of_a_frame_is_damage(traceback: bytes) -> None:
    stream = scans(3, 4)
    second = stream.index(b"\0") + 30
    decoder = decoded(stream[:second] + traceback + b"\0" + scans(1, 4))

    assert (decoder.console_pieces, decoder.frames_damaged) == (0, 1)


def test_text_takes_the_place_of_no_lost_frame() -> None:
    """Two frames missing and text between: before, the piece of text was taken for one of them."""
    parts = [frame(4, seq, 0, b"\x41\x01\x00\x00\x00") for seq in (1, 4)]

    assert decoded(parts[0] + b"MPY: soft reboot\r\n\0" + parts[1]).frames_lost == 2


def test_flipped_bits_are_damage_and_hardly_ever_text() -> None:
    """Every single bit of every byte of two frames: 4 groups with current, and a REPLY."""
    texts = bad = 0
    for one in (scans(1, 4), frame(4, 1, 70_000_000, b"\x41\x01\x00\x00\x02no")):
        for at in range(len(one) - 1):
            for bit in range(8):
                flipped = bytearray(one)
                flipped[at] ^= 1 << bit
                decoder = decoded(bytes(flipped))
                texts += decoder.console_pieces
                bad += decoder.frames_damaged
    assert texts == 0
    assert bad > 400


def test_random_pieces_pass_for_text_as_rarely_as_the_specification_says() -> None:
    """Eight bytes without zero: (99 / 255)^8 is one in 1,940."""
    rng = np.random.default_rng(11)
    noise = rng.integers(1, 256, (40_000, 8), dtype=np.uint8)
    stream = np.hstack([noise, np.zeros((40_000, 1), np.uint8)]).tobytes()
    decoder = decoded(stream)

    assert 5 <= decoder.console_pieces <= 45  # 20.6 expected
    assert decoder.console_pieces + decoder.frames_damaged == 40_000


def test_an_endless_piece_is_damage_even_if_it_is_text() -> None:
    decoder = decoded(b"x" * 9000 + b"\0", b"y" * 9000, b"\0")

    assert (decoder.console_pieces, decoder.frames_damaged) == (0, 2)


def test_the_counts_reach_session_and_report(tmp_path: Path, traceback: bytes) -> None:
    file = tmp_path / "a.frames"
    file.write_bytes(traceback + b"\0" + recording(30, 4) + b"\x07\x07\x07\0")
    link = load_session([file]).link
    done = CliRunner().invoke(cli, ["report", str(file), "--json"])
    known = json.loads(done.output)["recording"]

    assert (link.console_pieces, link.console_bytes, link.frames_damaged) == (1, len(traceback), 1)
    assert (known["console_pieces"], known["console_bytes"], known["frames_damaged"]) == (1, len(traceback), 1)


@pytest.mark.parametrize(("pieces", "says"), [(0, "0 lost  "), (2, "0 lost, 2 console texts  ")])
def test_record_shows_text_beside_damage_only_when_there_is_some(pieces: int, says: str) -> None:
    status = Status("receiving", 24, 10, 2.0, 4.0, 0, 0, 1000, 5.0, 5000, console_pieces=pieces)

    assert says in status_line(status, Path("a.frames"))
