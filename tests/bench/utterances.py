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


def figure(low: int, high: int, rng: random.Random) -> int:
    """A figure of the range. Three in ten end in a teen or in a whole ten, both equally often, where the range has such.

    "Thirteen" and "thirty" sound alike and a uniform figure ends so in one case in six; elsewhere all figures are equally likely.
    """
    if rng.random() < 0.3:
        ends = range(13, 20) if rng.random() < 0.5 else range(30, 100, 10)
        alike = [value for value in range(low, high + 1) if value % 100 in ends]
        if alike:
            return rng.choice(alike)
    return rng.randint(low, high)


def _decimal(low: float, high: float, rng: random.Random) -> str:
    tenths = figure(int(low), int(high), rng) * 10 + (rng.randint(1, 9) if rng.random() < 0.7 else 0)
    tenths = min(tenths, round(high * 10))
    return number(tenths // 10, rng) + (f" point {_ONES[tenths % 10]}" if tenths % 10 else "")


def _hundredths(low: int, high: int, rng: random.Random) -> str:
    value = rng.randint(low * 100, high * 100)
    tail = f"{_ONES[value // 10 % 10]} {_ONES[value % 10]}" if value % 100 < 10 or rng.random() < 0.5 else number(value % 100, rng)
    return f"{number(value // 100, rng)} point {tail}"


def _reading(rng: random.Random) -> str:
    n = lambda low, high: number(figure(low, high, rng), rng)   # noqa: E731
    d = lambda low, high: _decimal(low, high, rng)              # noqa: E731
    pick = rng.choice
    psi = pick(["", "", " p s i", " pounds"])
    degrees = pick(["", "", " degrees", " degrees fahrenheit", " degrees celsius"])
    is_ = pick(["", "", "is ", "reads "])
    return pick([
        lambda: f"low side {is_}{n(8, 95)}{psi}",
        lambda: f"low side {is_}{n(8, 95)}{psi}",
        lambda: f"high side {is_}{n(80, 430)}{psi}",
        lambda: f"high side {is_}{n(80, 430)}{psi}",
        lambda: f"low side {n(10, 90)} high side {n(90, 420)}",
        lambda: f"low side pressure {n(60, 650)} kilopascals",
        lambda: f"high side {_hundredths(5, 28, rng)} bar",
        lambda: f"static {pick(['low', 'high'])} side {n(13, 130)}{psi}",
        lambda: f"both sides {n(13, 120)}{psi}",
        lambda: f"{pick(['vent', 'center vent'])} temperature {n(30, 90)}{degrees}",
        lambda: f"ambient {pick(['', 'temperature '])}{n(13, 118)}{degrees}",
        lambda: f"{pick(['suction', 'liquid', 'discharge'])} line {n(13, 210)}{degrees}",
        lambda: f"condenser {pick(['inlet', 'outlet'])} {n(60, 200)}{degrees}",
        lambda: f"evaporator {pick(['inlet', 'outlet'])} {is_}{d(20, 70)}{degrees}",
        lambda: f"humidity {n(10, 99)} percent",
        lambda: f"vacuum {n(150, 3000)} microns",
        lambda: f"hold test at {n(5, 60)} minutes {n(300, 2000)} microns",
        lambda: f"vacuum {n(10, 29)} inches",
        lambda: f"recovered {d(3, 50)} ounces",
        lambda: f"recovered {n(90, 980)} grams",
        lambda: f"charged {pick(['one pound', 'two pounds', 'three pounds'])} {n(2, 15)} ounces",
        lambda: f"charged {n(250, 980)} grams",
        lambda: f"charged {d(8, 60)} ounces",
        lambda: f"oil added {n(1, 8)} ounces",
        lambda: f"oil {pick(['removed', 'drained'])} {n(10, 180)} milliliters",
        lambda: f"battery {d(11, 15)} volts",
        lambda: f"voltage at the {pick(['fuse', 'clutch', 'relay output'])} {d(0, 15)} volts",
        lambda: f"clutch coil {d(2, 6)} ohms",
        lambda: f"clutch {d(2, 6)} amps",
        lambda: f"{pick(['power', 'no power'])} at the {pick(['low pressure switch input', 'clutch', 'relay output', 'fuse'])}",
        lambda: f"engine speed {n(600, 3000) if pick([0, 1]) else number(rng.randint(6, 30) * 100, rng)} r p m",
        lambda: f"{pick(['pump ran', 'held for', 'settled for', 'ran for'])} {n(3, 90)} minutes",
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
        elif kind < 0.58:
            text = f"{_reading(rng)} {_reading(rng)}"
        elif kind < 0.61:
            text = f"{_reading(rng)} {_reading(rng)} {_reading(rng)}"
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
