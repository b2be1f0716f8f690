# The board description: a small JSON file, checked before anything is driven.
#
# `load` never raises: a bad file gives safe defaults (no groups, nothing driven) and a sentence saying what is wrong.

import json

MAX_GROUPS = 40
MAX_CONVERSIONS = 16  # of one reading: a scan of 40 groups then takes 2.7 s, well inside the watchdog's time
_ADC_PARTS = ("ads1115", "ads122c04")
_MUX_PARTS = ("pca9555", "74hc595")
_TAKEN = ("vfs", "ffat", "factory", "phy_init", "otadata", "ota_0", "ota_1")  # partitions that others live in
_BANK_PARTS = ("ads8688", "ltc1867")

# name, lowest, highest; of the numbers that every relay-scan board states
_MUX_NUMBERS = (
    ("alive_pin", 0, 48),
    ("relay_on_us", 50, 20000),
    ("relay_off_us", 50, 20000),
    ("series_ohm", 1000, 100000),
    ("bus_pf", 100, 100000),
)


_MUX_PLACE = {
    "pca9555": (("address", 0x20, 0x27),),
    "74hc595": (("spi", 0, 3), ("sck", 0, 48), ("mosi", 0, 48), ("latch_pin", 0, 48)),
}

_BANK = (
    ("spi", 0, 3),
    ("sck", 0, 48),
    ("mosi", 0, 48),
    ("miso", 0, 48),
    ("enable_pin", 0, 48),
    ("settle_us", 10, 50000),
    ("mismatch_ppm", 1, 10000),
    ("claim_uv", 100, 100000),
)

# Sections that may be left out. Current and pack voltage share one converter.
_OPTIONAL = {
    "current": (("address", 0x48, 0x4B), ("uv_per_a", 1000, 200000), ("zero_uv", 0, 4096000)),
    "pack": (("address", 0x48, 0x4B), ("ratio", 1, 130)),
    "ntc": (
        ("address", 0x48, 0x4B),
        ("count", 1, 4),
        ("b_kelvin", 1000, 6000),
        ("r25_ohm", 100, 1000000),
        ("r_ohm", 100, 1000000),
        ("supply_uv", 1000000, 4000000),
    ),
    "island": (("pin", 0, 48), ("start_ms", 1, 200)),
    "parked": (("after_s", 60, 7200), ("every_s", 10, 3600)),
    "meter": (("noise_uv", 0, 65535), ("channel_u_uv", 0, 65535), ("gain_u_ppm", 0, 65535)),
}


# data: a description that cannot be used as a whole. How to tell its owner so is kept of it, where that makes sense.
def safe_defaults(data=None):
    safe = {"name": "unconfigured", "board_id": "", "string_name": "", "groups": 0, "front_end": "none"}
    if isinstance(data, dict):
        for key in ("buzzer_pin", "led_pin", "button_pin"):
            if _whole(data.get(key), 0, 48):
                safe[key] = data[key]
    return safe


def load(path):
    try:
        with open(path) as f:
            text = f.read()
    except OSError:
        return safe_defaults(), "no board description: " + path
    try:
        data = json.loads(text)
    except ValueError:
        return safe_defaults(), "board description is not JSON"
    problem = check(data)
    if problem:
        return safe_defaults(data), problem
    return data, ""


# A sentence that says what is wrong, or "".
def check(data):
    if not isinstance(data, dict):
        return "board description is not an object"
    groups = data.get("groups")
    if not _whole(groups, 1, MAX_GROUPS):
        return "groups must be 1 to 40"
    if data.get("front_end") == "divider_bank":
        return _check_bank(data)
    if data.get("front_end") != "relay_scan":
        return "front_end must be relay_scan or divider_bank"
    for part in ("i2c", "adc", "mux"):
        if not isinstance(data.get(part), dict):
            return "part missing: " + part
    problem = _check_i2c(data["i2c"])
    if problem:
        return problem
    if data["adc"].get("part") not in _ADC_PARTS or not _whole(data["adc"].get("address"), 0x08, 0x77):
        return "adc part or address is wrong"
    if not _whole(data["adc"].get("conversions", 1), 1, MAX_CONVERSIONS):
        return "adc.conversions must be 1 to 16"
    if data["mux"].get("part") not in _MUX_PARTS:
        return "mux part is not known"
    for key, low, high in _MUX_NUMBERS:
        if not _whole(data["mux"].get(key), low, high):
            return "mux." + key + " is wrong"
    if not _whole(data["mux"].get("zero_ohm", 1000), 100, 1300):
        return "mux.zero_ohm is wrong"
    for key, low, high in _MUX_PLACE[data["mux"]["part"]]:
        if not _whole(data["mux"].get(key), low, high):
            return "mux." + key + " is wrong"
    return _check_rest(data)


def _check_i2c(i2c):
    for key, high in (("id", 3), ("sda", 48), ("scl", 48)):
        if not _whole(i2c.get(key), 0, high):
            return "i2c." + key + " is wrong"
    return "" if _whole(i2c.get("hz"), 10000, 1000000) else "i2c.hz is wrong"


# A bank stands on SPI; I2C is only for its sensors. Whether its error allows it is judged in `divider_bank`.
def _check_bank(data):
    bank = data.get("bank")
    if not isinstance(bank, dict):
        return "part missing: bank"
    if bank.get("part", "ads8688") not in _BANK_PARTS:
        return "bank.part is not known"
    for key, low, high in _BANK:
        if not _whole(bank.get(key), low, high):
            return "bank." + key + " is wrong"
    if not _whole(bank.get("conversions", 1), 1, MAX_CONVERSIONS):
        return "bank.conversions must be 1 to 16"
    for key, low, high in (("select_pins", 0, 48), ("full_mv", 1000, 174000)):
        values = bank.get(key)
        if not isinstance(values, list) or not values:
            return "bank." + key + " must be a list"
        for value in values:
            if not _whole(value, low, high):
                return "bank." + key + " is wrong"
    if len(bank["select_pins"]) != (data["groups"] + 7) // 8:
        return "bank.select_pins must have one pin for each eight groups"
    if not isinstance(data.get("i2c"), dict):
        return "part missing: i2c"
    return _check_i2c(data["i2c"]) or _check_rest(data)


def _check_rest(data):
    for section in _OPTIONAL:
        problem = _check_section(section, data.get(section))
        if problem:
            return problem
    return _check_calibration(data.get("calibration"), data["groups"]) or _check_parked(data) or _check_watch(data)


# What it takes from the pack in a month, mAh, and how it parks.
def _check_parked(data):
    draw = data.get("draw_mah")
    if draw is not None and not (isinstance(draw, list) and len(draw) == 3 and all(_whole(n, 0, 65534) for n in draw)):
        return "draw_mah must be three numbers: awake, asleep, parked"
    parked = data.get("parked")
    for pin in ("off_pin", "wake_pin"):
        if isinstance(parked, dict) and pin in parked and not _whole(parked[pin], 0, 48):
            return "parked." + pin + " is wrong"
    return ""


# Alarm limits and the recorder's folder; the alarms themselves are loaded only where limits are given.
def _check_watch(data):
    from evenboard.base import limits  # noqa: PLC0415 -- RAM only where needed

    for section, check in (("alarms", limits.check_alarms), ("ahead", limits.check_ahead)):
        own = data.get(section)
        if isinstance(own, dict):
            problem = check(own)
            if problem:
                return problem
        elif own not in (None, False):
            return section + " is not an object of limits, or false"
    where = data.get("recorder")
    if where is None:
        return ""
    if not isinstance(where, dict) or not isinstance(where.get("folder"), str) or not where["folder"]:
        return "recorder.folder is missing"
    copy = where.get("copy", "")
    if not isinstance(copy, str) or copy in _TAKEN:
        return "recorder.copy must be nvs or the label of a data partition of its own"
    for key, low, high in (("room_kb", 64, 60000), ("segment_kb", 4, 64)):
        if where.get(key) is not None and not _whole(where[key], low, high):
            return "recorder." + key + " is out of range"
    return ""


def _check_section(section, values):
    if values is None:
        return ""
    if not isinstance(values, dict):
        return section + " is not an object"
    for key, low, high in _OPTIONAL[section]:
        if not _whole(values.get(key), low, high):
            return section + "." + key + " is wrong"
    return ""


def _check_calibration(calibration, groups):
    if calibration is None:
        return ""
    if not isinstance(calibration, dict):
        return "calibration is not an object"
    for key, reach in (("offset_uv", 50000), ("gain_ppm", 10000)):
        values = calibration.get(key)
        if not isinstance(values, list) or len(values) != groups:
            return "calibration." + key + " must have one value a group"
        for value in values:
            if not _whole(value, -reach, reach):
                return "calibration." + key + " is out of range"
    return ""


def _whole(value, low, high):
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
