"""What a technician may say: random utterances with figures as they occur in a bay, in the trade's ways of saying them.

The words are made here, by hand-written templates and not by the grammar, so that a hole in the grammar shows;
what an utterance means is what the parser says of the words themselves.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass

from hoodnote.language.grammar import load
from hoodnote.statements.model import Statement
from hoodnote.statements.parser import parse

_ONES = "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
_TENS = "_ _ twenty thirty forty fifty sixty seventy eighty ninety".split()


@dataclass(frozen=True)
class Utterance:
    text: str                              # words of the language
    statements: tuple[Statement, ...]

    @property
    def spoken(self) -> str:
        """As a synthesizer must get it to say letters by their names."""
        return re.sub(r"(?<=four )a\b|\b[b-z]\b", lambda m: m[0].upper(), self.text)


def number(value: int, rng: random.Random) -> str:
    """A whole number below 10 000 as it is said: "two hundred fifteen" or "two fifteen", "fifteen hundred" or "one thousand five hundred"."""
    if value < 20:
        return _ONES[value]
    if value < 100:
        return _TENS[value // 10] + (f" {_ONES[value % 10]}" if value % 10 else "")
    if value < 1000:
        rest = value % 100
        if not rest:
            return f"{_ONES[value // 100]} hundred"
        tail = number(rest, rng)
        short = f"{_ONES[value // 100]} {'oh ' if rest < 10 else ''}{tail}"
        return rng.choice([f"{_ONES[value // 100]} hundred {tail}", short])
    thousands, rest = divmod(value, 1000)
    whole = f"{number(thousands, rng)} thousand" + (f" {number(rest, rng)}" if rest else "")
    if rest and rest % 100 == 0 and value < 10_000 and thousands < 10:
        return rng.choice([whole, f"{number(value // 100, rng)} hundred"])
    return whole


def _decimal(low: float, high: float, rng: random.Random) -> str:
    tenths = rng.randint(round(low * 10), round(high * 10))
    return number(tenths // 10, rng) + (f" point {_ONES[tenths % 10]}" if tenths % 10 else "")


def _reading(rng: random.Random) -> str:
    n = lambda low, high: number(rng.randint(low, high), rng)   # noqa: E731
    d = lambda low, high: _decimal(low, high, rng)              # noqa: E731
    pick = rng.choice
    psi = pick(["", "", " p s i", " pounds"])
    degrees = pick(["", "", " degrees", " degrees fahrenheit"])
    return pick([
        lambda: f"low side {pick(['', 'is ', 'reads '])}{n(15, 65)}{psi}",
        lambda: f"high side {pick(['', 'is ', 'reads '])}{n(120, 390)}{psi}",
        lambda: f"low side {n(20, 55)} high side {n(130, 360)}",
        lambda: f"static {pick(['low', 'high'])} side {n(40, 120)}{psi}",
        lambda: f"both sides {n(50, 110)}{psi}",
        lambda: f"vent temperature {n(36, 75)}{degrees}",
        lambda: f"ambient {pick(['', 'temperature '])}{n(60, 110)}{degrees}",
        lambda: f"{pick(['suction', 'liquid', 'discharge'])} line {n(34, 180)}{degrees}",
        lambda: f"condenser {pick(['inlet', 'outlet'])} {n(90, 190)}{degrees}",
        lambda: f"humidity {n(15, 95)} percent",
        lambda: f"vacuum {n(300, 2000)} microns",
        lambda: f"hold test at {n(5, 30)} minutes {n(300, 2000)} microns",
        lambda: f"vacuum {n(25, 29)} inches",
        lambda: f"recovered {d(5, 40)} ounces",
        lambda: f"charged {pick(['one pound', 'two pounds', 'three pounds'])} {n(2, 15)} ounces",
        lambda: f"charged {n(350, 950)} grams",
        lambda: f"oil added {n(2, 6)} ounces",
        lambda: f"battery {d(11, 15)} volts",
        lambda: f"clutch coil {d(2, 6)} ohms",
        lambda: f"{pick(['power', 'no power'])} at the {pick(['low pressure switch input', 'clutch', 'relay output', 'fuse'])}",
        lambda: f"engine speed {n(700, 2500) if pick([0, 1]) else 'fifteen hundred'} r p m",
        lambda: f"pump ran {n(15, 60)} minutes",
    ])()


def _step(rng: random.Random) -> str:
    part = rng.choice(["compressor", "condenser", "orifice tube", "expansion valve", "accumulator", "shaft seal", "condenser fan", "relay"])
    return rng.choice([
        "engine off", "engine running", "clutch engaged", "clutch not engaged", "clutch cycling", "gauges connected", "doors open",
        "max cool", "low side valve open", "high side valve closed", "recovery started", "recovery finished", "vacuum pump on",
        "vacuum pump off", "hold test started", "charging started", "no leak found", "leak test with nitrogen", "condenser fan on",
        f"replaced {part}", f"leak found at {part}", f"{part} replaced", f"noise from {part}", f"inspected the {part}",
    ])


def _fact(rng: random.Random) -> str:
    return rng.choice(["refrigerant is r one thirty four a", "refrigerant is r twelve thirty four y f", "system has r twelve",
                       "label says one thirty four a", "oil type pag forty six", "orifice tube system",
                       f"model year two thousand {_ONES[rng.randint(1, 19)]}"])


def _control(rng: random.Random) -> str:
    return rng.choice(["next", "read that back", "yes", "no", "ask me later", "open questions", "first one", "stop listening"])


def utterance(rng: random.Random) -> Utterance:
    """A reading two times in three; often two statements, sometimes a correction or a control."""
    while True:
        kind = rng.random()
        if kind < 0.06:
            text = _control(rng)
        elif kind < 0.12:
            text = _fact(rng)
        elif kind < 0.28:
            text = _step(rng)
        elif kind < 0.34:
            text = f"correction {_reading(rng)}"
        elif kind < 0.44:
            text = f"{_step(rng)} {_reading(rng)}"
        elif kind < 0.60:
            text = f"{_reading(rng)} {_reading(rng)}"
        else:
            text = _reading(rng)
        if load().automaton.accepts(text.split()):
            return Utterance(text, tuple(parse(text.split())))


def utterances(count: int, seed: int) -> list[Utterance]:
    """Distinct utterances; the same seed gives the same ones as long as the templates and the grammar stand."""
    rng, out = random.Random(seed), {}
    while len(out) < count:
        made = utterance(rng)
        out.setdefault(made.text, made)
    return list(out.values())
