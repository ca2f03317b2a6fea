"""One whole line of each kind, by the words that begin it: what a message shows for a wrong one.

A test parses each. Knows no meaning.
"""

from __future__ import annotations

import re

EXAMPLES = {
    "recipe": 'recipe "What it does"',
    "about": 'about "How it is done, and how it is wired."',
    "channel": "channel smu: source, sink, measure",
    "digital": "digital fan: output, rests low",
    "part": "part bank is capacitor on smu:",
    "setting": 'setting rated = 2.7 V in 1 V to 2.7 V "rated voltage"',
    "require": 'require upper > lower "the two can\'t be the same"',
    "guard": 'guard lid is high "the lid is open"',
    "procedure": "procedure soak(level, time):",
    "steps": "steps:",
    "finally": "finally:",
    "results": "results:",
    "voltage": "voltage 0 V to 2.7 V",
    "current": "current within 4.2 A",
    "power": "power up to 350 mW",
    "energy": "energy up to 2 kJ",
    "charge": "charge up to 2.5 Ah",
    "temperature": "temperature up to 60 °C by thermometer",
    "chemistry": "chemistry lithium ion",
    "in": "in series 4",
    "capacity": "capacity 2.5 Ah",
    "own": "own protection",
    "setup": "setup smu: aperture = 1 PLC, voltage range = 5 V",
    "source": "source smu voltage 2.7 V, limit 3 A",
    "output": "output smu on",
    "measure": "measure smu into curve",
    "wait": "wait 500 ms",
    "wait for": "wait for lid high, at most 1 min",
    "every": "every 1 s until smu.voltage >= 2.7 V, at most 10 min:",
    "repeat": "repeat 10 times:",
    "for": "for target in linear(0 V, 1 V, 11):",
    "leave": "leave",
    "if": "if smu.voltage > 2.7 V:",
    "else": "else:",
    "else if": "else if smu.voltage > 1 V:",
    "otherwise": "otherwise:",
    "sweep": "sweep smu voltage from 0 V to 1 V in 11 points, into curve",
    "ramp": "ramp smu voltage to 2 V at 100 mV/s",
    "pulse": "pulse smu current 5 A, limit 3 V, width 1 ms",
    "capture": "capture smu at 10 kHz for 100 ms, into wave:",
    "settle": "settle smu.voltage within 1 mV over 10 s, every 1 s, at most 10 min",
    "switch": "switch fan high",
    "ask": 'ask "What does its label say?", into label in 1 F to 500 F',
    "confirm": 'confirm "Is the lid closed?"',
    "do": "do soak(2.7 V, time = 1 h)",
    "let": "let drop = smu.voltage - rated",
    "set": "set drop = smu.voltage - rated",
    "reset": "reset smu.charge",
    "say": 'say "It is at {smu.voltage}."',
    "note": 'note "It is at {smu.voltage}."',
    "stop": 'stop "That will do."',
    "fail": 'fail "It is not the part that was meant."',
    "expect": "expect C in 350 F ± 20 %",
    "plot": "plot curve: current against voltage",
}

RESULT = 'R = internal_resistance(curve, 1 V to 2 V) as mohm "Internal resistance"'
_BEGINNING = re.compile(r"(?:wait\s+for|else\s+if|\w+)(?!\w)")


def example_like(line: str, start: str) -> str:
    """The example of the line's kind, empty where its first words begin none."""
    match = _BEGINNING.match(line)
    words = " ".join(match[0].split()) if match else ""
    if start == "result" and words not in ("expect", "plot"):
        return RESULT
    return EXAMPLES.get(words, "") if start != "expression" else ""
