# The board description: a small JSON file, checked before anything is driven.
#
# `load` never raises: a bad file gives safe defaults (no groups, nothing driven) and a sentence that says what is wrong.

import json

MAX_GROUPS = 40
_ADC_PARTS = ("ads1115",)
_MUX_PARTS = ("pca9555",)

# name, lowest, highest; of the numbers that every relay-scan board states
_MUX_NUMBERS = (
    ("address", 0x08, 0x77),
    ("alive_pin", 0, 48),
    ("relay_on_us", 50, 20000),
    ("relay_off_us", 50, 20000),
    ("series_ohm", 1000, 100000),
    ("bus_pf", 100, 100000),
)


def safe_defaults():
    return {"name": "unconfigured", "board_id": "", "string_name": "", "groups": 0, "front_end": "none"}


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
        return safe_defaults(), problem
    return data, ""


# A sentence that says what is wrong, or "".
def check(data):
    if not isinstance(data, dict):
        return "board description is not an object"
    groups = data.get("groups")
    if not _whole(groups, 1, MAX_GROUPS):
        return "groups must be 1 to 40"
    if data.get("front_end") != "relay_scan":
        return "front_end must be relay_scan"
    for part in ("i2c", "adc", "mux"):
        if not isinstance(data.get(part), dict):
            return "part missing: " + part
    i2c = data["i2c"]
    for key, high in (("id", 3), ("sda", 48), ("scl", 48)):
        if not _whole(i2c.get(key), 0, high):
            return "i2c." + key + " is wrong"
    if not _whole(i2c.get("hz"), 10000, 1000000):
        return "i2c.hz is wrong"
    if data["adc"].get("part") not in _ADC_PARTS or not _whole(data["adc"].get("address"), 0x08, 0x77):
        return "adc part or address is wrong"
    if data["mux"].get("part") not in _MUX_PARTS:
        return "mux part is not known"
    for key, low, high in _MUX_NUMBERS:
        if not _whole(data["mux"].get(key), low, high):
            return "mux." + key + " is wrong"
    return _check_current(data.get("current")) or _check_calibration(data.get("calibration"), groups)


def _check_current(current):
    if current is None:
        return ""
    if not isinstance(current, dict) or current.get("part") not in _ADC_PARTS:
        return "current part is not known"
    if not _whole(current.get("address"), 0x08, 0x77):
        return "current.address is wrong"
    if not _whole(current.get("uv_per_a"), 1000, 200000) or not _whole(current.get("zero_uv"), 0, 4096000):
        return "current.uv_per_a or zero_uv is wrong"
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
