"""What the scripts of many tests begin with: the firmware on its models, started, and run in virtual time."""

from __future__ import annotations

CASES = """
import json, struct, binascii, vtime
from rig import Rig, RP2040_24
from evenboard.base import description as boards
from evenboard.start.build import make_app
from evenstring_protocol import wire
def show(**values):
    print(json.dumps(values))
def start(rig, interval=1000, quiet=0, seq=1):
    rig.command(wire.START, seq, struct.pack("<HH", interval, quiet))
def go(rig, ms):
    end = vtime.ms + ms
    while vtime.ms < end:
        wait = rig.app.poll()
        if wait:
            vtime.sleep_ms(min(wait, 100))
"""
