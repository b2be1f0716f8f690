# Limits of the board description's "alarms" and "ahead": what they are unless it says otherwise, and whether they can
# be used. In memory only during the start and while a new description is checked.

# mV, degC x 100, 10 mA and looks. Common practice for 4.2 V chemistries.
ALARMS = {
    "empty_mv": 3000,
    "discard_mv": 2500,
    "ceiling_mv": 4250,
    "reversed_mv": -50,
    "hysteresis_mv": 50,
    "hot_cdeg": 6000,
    "cold_cdeg": 0,
    "temp_hysteresis_cdeg": 300,
    "charging_10ma": 20,
    "debounce": 2,
}

# mV: ease off where a group reads so near empty, or is foretold so near; ease off now; over so far above near; so far
# below the ceiling when charging; what braking adds near full (our choice).
# soon and clear: tuned on rides 1 to 3000 and 5001 to 8000 of tests/worlds/low_rides.py.
AHEAD = {
    "near_mv": 100,
    "soon_mv": 40,
    "now_mv": 0,
    "clear_mv": 350,
    "ceiling_mv": 15,
    "brake_mv": 60,
}


def alarms(limits):
    return _with(ALARMS, limits)


def ahead(values):
    return _with(AHEAD, values)


def _with(known, own):
    v = dict(known)
    v.update(own or {})
    return v


# A sentence that says what is wrong with the limits, or "".
def check_alarms(limits):
    problem = _foreign("alarms", ALARMS, limits)
    if problem:
        return problem
    v = alarms(limits)
    if not -1000 <= v["reversed_mv"] < v["discard_mv"] <= v["empty_mv"] < v["ceiling_mv"] <= 5000:
        return "alarms: limits must rise from reversed_mv to ceiling_mv"
    if not 1 <= v["debounce"] <= 20 or not 0 <= v["hysteresis_mv"] <= 500:
        return "alarms: debounce 1 to 20 looks, hysteresis_mv 0 to 500"
    if not -4000 <= v["cold_cdeg"] < v["hot_cdeg"] <= 12000:
        return "alarms: cold_cdeg must lie below hot_cdeg"
    return ""


def check_ahead(values):
    problem = _foreign("ahead", AHEAD, values)
    if problem:
        return problem
    v = ahead(values)
    for key in v:
        if not 0 <= v[key] <= 500:
            return "ahead." + key + " is out of range: 0 to 500 mV"
    if v["now_mv"] > v["soon_mv"]:
        return "ahead: now_mv must not be above soon_mv"
    return "" if v["soon_mv"] <= v["near_mv"] else "ahead: near_mv must not be below soon_mv"


def _foreign(section, known, own):
    for key in own:
        if key not in known or not isinstance(own[key], int) or isinstance(own[key], bool):
            return section + "." + str(key) + " is not known or no whole number"
    return ""
