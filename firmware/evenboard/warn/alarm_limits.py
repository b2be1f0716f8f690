# Limits of the alarms: what they are when nothing is said, and a check of what is said. Loaded while starting only.

# Limits in mV, degC x 100 and looks. Defaults are common practice for 4.2 V chemistries.
DEFAULTS = {
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


# A sentence that says what is wrong with the limits of a board description, or "".
def check(limits):
    for key in limits:
        value = limits[key]
        if key not in DEFAULTS or not isinstance(value, int) or isinstance(value, bool):
            return "alarms." + str(key) + " is not known or no whole number"
    v = merged(limits)
    if not -1000 <= v["reversed_mv"] < v["discard_mv"] <= v["empty_mv"] < v["ceiling_mv"] <= 5000:
        return "alarms: limits must rise from reversed_mv to ceiling_mv"
    if not 1 <= v["debounce"] <= 20 or not 0 <= v["hysteresis_mv"] <= 500:
        return "alarms: debounce 1 to 20 looks, hysteresis_mv 0 to 500"
    if not -4000 <= v["cold_cdeg"] < v["hot_cdeg"] <= 12000:
        return "alarms: cold_cdeg must lie below hot_cdeg"
    return ""


# All limits, with what a board description gives put in place of the defaults.
def merged(limits):
    v = dict(DEFAULTS)
    v.update(limits)
    return v
