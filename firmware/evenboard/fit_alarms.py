# Alarms, signals and, where there is memory, the recorder of an App, from its board description.

import machine
from machine import Pin

from evenboard.alarms import Alarms
from evenboard.watch import Watch


def make_watch(app, data, memory=None):
    front = app.front
    alarms = Alarms(front.groups, front.sensors.temps, data.get("alarms"))
    recorder = memory.make_recorder(app) if memory else None
    latch = memory.latch if memory else None
    if latch:
        alarms.restore(latch.latched, latch.visited)
    sound, light = make_signals(data.get("signals") or {})
    return Watch(app, alarms, recorder, latch, sound, light)


# Buzzer by PWM hardware, so that it goes on while flash is written; a plain pin for the light.
def make_signals(pins):
    buzzer = machine.PWM(Pin(pins["buzzer_pin"]), freq=2700, duty_u16=0) if "buzzer_pin" in pins else None
    lamp = Pin(pins["light_pin"], Pin.OUT, value=0) if "light_pin" in pins else None

    def sound(on):
        if buzzer:
            buzzer.duty_u16(32768 if on else 0)

    def light(on):
        if lamp:
            lamp.value(1 if on else 0)

    return sound, light
