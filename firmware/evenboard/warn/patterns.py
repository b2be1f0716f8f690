# Sounds and lights of our own, as tables: times in ms, on and off in turn, repeated. Urgent ones leave little silence.
#
# Light without alarm: a short blink every 3 s says "watching"; two slow ones "not watching". Silence is not health.

from evenstring_protocol import wire

SOUND = (
    (60, 2940),  # below_empty: a tick every 3 s
    (120, 120, 120, 120, 120, 900),  # below_discard: three, a breath
    (400, 100),  # above_ceiling: almost without a break
    (80, 60),  # reversed: a rattle
    (200, 200, 60, 3000),  # lead_open: long, short
    (250, 250),  # hot: even
    (60, 120, 250, 1500),  # cold_charge: short, long
    (60, 5940),  # ntc_open
    (700, 150, 700, 1450),  # not_watching: two long, all the time
    (60, 200, 60, 7680),  # bad_contact: two ticks every 8 s
    (300, 100, 60, 100, 300, 1640),  # lead_order: long, short, long
    (60, 120, 60, 120, 60, 2580),  # ease_off: three ticks every 3 s
    (60, 90, 60, 90, 60, 90, 60, 690),  # ease_off_now: four, hurried
    (300, 700),  # near_ceiling: slow and even
    (250, 120, 60, 120, 60, 2390),  # brake_gently: long, two short
)
LIGHT = (
    (500, 500),
    (150, 150, 150, 650),
    (900, 100),
    (100, 100),
    (700, 200, 100, 1000),
    (300, 300),
    (100, 200, 300, 900),
    (100, 1900),
    (400, 400, 400, 2800),
    (60, 200, 60, 2680),
    (300, 100, 60, 100, 300, 640),
    (200, 200, 200, 1400),
    (120, 120, 120, 120, 120, 600),
    (600, 400),
    (500, 150, 100, 1250),
)
WATCHING = (40, 2960)
IDLE = (40, 200, 40, 4720)
SELF_TEST = (80, 80, 80, 80, 300, 400)  # once at power-up: sound and light work


# On or off, `ms` after the pattern began.
def is_on(pattern, ms):
    whole = 0
    for part in pattern:
        whole += part
    ms %= whole
    on = True
    for part in pattern:
        if ms < part:
            return on
        ms -= part
        on = not on
    return False


# Drives both outputs; call it often. `sound(on)` and `light(on)` switch hardware that goes on by itself (PWM, pin).
class Signals:
    def __init__(self, alarms, sound, light):
        self._alarms = alarms
        self._sound = sound
        self._light = light
        self._kind = -1
        self._since_ms = 0
        self._test_ms = 0
        self._testing = True

    def service(self, step_ms, scanning):
        alarms = self._alarms
        loud = alarms.sounding()
        shown = alarms.showing()
        if shown != self._kind:
            self._kind = shown
            self._since_ms = 0
        if self._testing and shown < 0:
            self._self_test(step_ms)
            return
        self._testing = False
        self._sound(loud >= 0 and is_on(SOUND[loud], self._since_ms))
        if shown >= 0:
            light = LIGHT[shown]
        elif alarms.latched >> wire.ALARM_BELOW_DISCARD & 1:
            light = LIGHT[wire.ALARM_BELOW_DISCARD]  # a group that was too low once is not forgotten
        else:
            light = WATCHING if scanning else IDLE
        self._light(is_on(light, self._since_ms))
        self._since_ms = (self._since_ms + step_ms) % 3600000

    # A mark was taken: one short sound and light, as far as nothing else is to be heard.
    def confirm(self):
        self._test_ms = 320
        self._testing = True

    def _self_test(self, step_ms):
        on = is_on(SELF_TEST, self._test_ms)
        self._sound(on)
        self._light(on)
        self._test_ms += step_ms
        if self._test_ms >= 1020:
            self._testing = False


# Buzzer (PWM) and lamp (pin), each None where not fitted.
class Outputs:
    def __init__(self, buzzer, lamp):
        self._buzzer = buzzer
        self._lamp = lamp

    def sound(self, on):
        if self._buzzer:
            self._buzzer.duty_u16(32768 if on else 0)

    def light(self, on):
        if self._lamp:
            self._lamp.value(1 if on else 0)
