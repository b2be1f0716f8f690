# Alarms, signals and, where there is memory, the recorder of an App, from its board description.

import machine
from evenboard.warn.alarms import Alarms
from evenboard.warn.patterns import Outputs
from evenboard.warn.watch import Watch
from machine import Pin


def make_watch(app, data, memory=None):
    front = app.front  # None: nothing is measured, and that is what the alarms will say
    alarms = Alarms(front.groups if front else 0, front.sensors.temps if front else 0, data.get("alarms"))
    recorder = memory.make_recorder(app) if memory and front else None
    latch = memory.latch if memory else None
    if latch:
        alarms.restore(latch.latched, latch.visited)
    outputs = make_outputs(data)
    watch = Watch(app, alarms, recorder, latch, outputs.sound, outputs.light)
    if front and data.get("ahead") is not False:
        from evenboard.warn import ahead  # noqa: PLC0415 -- RAM only where fitted

        watch.ahead = ahead.Ahead(front.groups, alarms.empty, alarms.ceiling, data.get("ahead"))
    if data.get("button_pin") is not None:
        watch.button = Pin(data["button_pin"], Pin.IN, Pin.PULL_UP)
    return watch


# Buzzer by PWM hardware, so that it goes on while flash is written; a plain pin for the light.
def make_outputs(data):
    buzzer = None
    if data.get("buzzer_pin") is not None:
        buzzer = machine.PWM(Pin(data["buzzer_pin"]), freq=2700, duty_u16=0)
    lamp = Pin(data["led_pin"], Pin.OUT, value=0) if data.get("led_pin") is not None else None
    return Outputs(buzzer, lamp)
