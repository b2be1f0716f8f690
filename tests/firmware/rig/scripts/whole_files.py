# Runs on MicroPython: the whole firmware, as `whole` makes it, with all that a board keeps in files besides: recorder,
# latch, calibration, boots; and the commands about them.

import whole
from evenboard.flash.boots import Boots
from evenboard.line import config
from evenboard.start import build, maintenance


def make(data, write, folder):
    data["recorder"] = {"folder": folder + "/rec", "room_kb": 256}
    app = build.make_app(data, "", write, int, 0, 1, folder + "/calibration.bin")
    app.boots = Boots(folder + "/boots.json")
    maintenance.register(app)
    config.register(app, folder + "/board.json")
    return whole.begun(app)
