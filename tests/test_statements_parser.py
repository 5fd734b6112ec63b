"""Words to statements: what is said is what is meant, for every arc of the language and every id of the vocabulary."""

from __future__ import annotations

import random
from collections import deque
from decimal import Decimal

import pytest

from hoodnote.errors import HoodnoteError
from hoodnote.language.grammar import load
from hoodnote.statements.model import Control, Correction, Fact, Measured, Plan, Step, Supply, from_json, to_json
from hoodnote.language.numbers import NUMBER_WORDS
from hoodnote.statements.parser import NotSayable, parse
from hoodnote.statements.vocabulary import ACTIONS, CONTROLS, FACT_VALUES, FACTS, PARTS, PLACES
from hoodnote.units import UNITS

FREE_TEXT_FACTS = {"make", "model", "vin", "complaint", "technician"}


def m(place, value, unit, **more):
    return Measured(place, Decimal(value), unit, **more)


@pytest.mark.parametrize("said, statements", [
    ("low side two ten high side three fifteen", [m("low_side", 210, "psi", unit_stated=False), m("high_side", 315, "psi", unit_stated=False)]),
    ("low side thirty five", [m("low_side", 35, "psi", unit_stated=False)]),
    ("low side two hundred and high side ten", [m("low_side", 200, "psi", unit_stated=False), m("high_side", 10, "psi", unit_stated=False)]),
    ("low side two hundred and ten and high side ten p s i", [m("low_side", 210, "psi", unit_stated=False), m("high_side", 10, "psi")]),
    ("static low side ninety high side ninety two",
     [m("low_side", 90, "psi", unit_stated=False, engine="off"), m("high_side", 92, "psi", unit_stated=False, engine="off")]),
    ("static low side ninety vent fifty high side ninety two",
     [m("low_side", 90, "psi", unit_stated=False, engine="off"), m("vent", 50, "F", unit_stated=False), m("high_side", 92, "psi", unit_stated=False)]),
    ("low side running thirty pounds", [m("low_side", 30, "psi", engine="running")]),
    ("static both sides eighty seven p s i", [m("low_side", 87, "psi", engine="off"), m("high_side", 87, "psi", engine="off")]),
    ("low side five inches of vacuum", [m("low_side", 5, "inHg")]),
    ("low side minus point five bar", [m("low_side", "-0.5", "bar")]),
    ("high side fourteen hundred kilopascals", [m("high_side", 1400, "kPa")]),
    ("vacuum at ten minutes eight hundred microns", [m("vacuum", 800, "micron", at_minute=Decimal(10))]),
    ("at ten minutes eight hundred microns at twenty minutes nine fifty microns",
     [m("vacuum", 800, "micron", at_minute=Decimal(10)), m("vacuum", 950, "micron", at_minute=Decimal(20))]),
    ("vacuum seventeen thousand five hundred microns", [m("vacuum", 17500, "micron")]),
    ("hold at five minutes twenty nine point five inches", [m("vacuum", "29.5", "inHg", at_minute=Decimal(5))]),
    ("vent forty one point five degrees fahrenheit ambient minus five c", [m("vent", "41.5", "F"), m("ambient", -5, "C")]),
    ("charged one pound four ounces", [m("charged", 20, "oz")]),
    ("charged one pound ten and a half ounces", [m("charged", "26.5", "oz")]),
    ("recovered half a pound", [m("recovered", "0.5", "lb")]),
    ("recovered point six five zero kilograms", [m("recovered", "0.650", "kg")]),
    ("label charge five fifty grams plus or minus twenty five", [m("label_charge", 550, "g", tolerance=Decimal(25))]),
    ("label charge one pound four ounces plus or minus one", [m("label_charge", 20, "oz", tolerance=Decimal(1))]),
    ("oil added two ounces", [m("oil_added", 2, "fl oz")]),
    ("battery twelve point six volts fuse in twelve point five volts", [m("battery", "12.6", "V"), m("fuse_in", "12.5", "V")]),
    ("clutch coil three point five ohms", [m("clutch_coil", "3.5", "ohm")]),
    ("across the low pressure switch fifty millivolts", [m("low_pressure_switch", 50, "mV")]),
    ("power into the low pressure switch no power out of the low pressure switch",
     [Supply("low_pressure_switch_in", True), Supply("low_pressure_switch_out", False)]),
    ("no power at the clutch", [Supply("clutch", False)]),
    ("about to open the system", [Plan("opening_system")]),
    ("low side thirty p s i about to start the vacuum pump", [m("low_side", 30, "psi"), Plan("pump_on")]),
    ("about to turn the can over", [Plan("can_inverted")]),
    ("engine off for ten minutes", [Step("engine_off"), m("settle_time", 10, "min")]),
    ("pump ran for one hour and twenty minutes", [m("pump_time", 80, "min")]),
    ("humidity forty five percent r p m fifteen hundred", [m("humidity", 45, "%"), m("engine_speed", 1500, "rpm", unit_stated=False)]),
    ("odometer eighty seven thousand two fifty", [m("odometer", 87250, "mi", unit_stated=False)]),
    ("leak test with nitrogen at one fifty p s i", [Step("leak_test_nitrogen"), m("nitrogen", 150, "psi")]),
    ("refrigerant identified as r one thirty four a", [Step("identified"), Fact("refrigerant", "R-134a")]),
    ("voltage at the clutch is twelve volts", [m("clutch", 12, "V")]),
    ("label oil pag forty six label oil forty six milliliters", [Fact("label_oil_type", "PAG 46"), m("label_oil", 46, "mL")]),
    ("engine is running low side thirty", [Step("engine_running"), m("low_side", 30, "psi", unit_stated=False)]),
    ("replaced the compressor clutch engaged", [Step("replaced", "compressor"), Step("clutch_engaged")]),
    ("leak found at shaft seal", [Step("leak_found", "shaft_seal")]),
    ("low pressure switch is open", [Step("found_open", "low_pressure_switch")]),
    ("r one thirty four a", [Fact("refrigerant", "R-134a")]),
    ("label says twelve thirty four y f", [Fact("label_refrigerant", "R-1234yf")]),
    ("label says nineteen ounces", [m("label_charge", 19, "oz")]),
    ("oil type pag one fifty", [Fact("oil_type", "PAG 150")]),
    ("model year twenty oh eight", [Fact("model_year", "2008")]),
    ("scratch that low side thirty one", [Control("withdraw"), m("low_side", 31, "psi", unit_stated=False)]),
    ("correction low side thirty five p s i", [Correction(m("low_side", 35, "psi"))]),
    ("correction no power at the fuse", [Correction(Supply("fuse", False))]),
    ("low side thirty correction low side thirty five high side two hundred",
     [m("low_side", 30, "psi", unit_stated=False), Correction(m("low_side", 35, "psi", unit_stated=False)), m("high_side", 200, "psi", unit_stated=False)]),
    ("no", [Control("no")]),
])
def test_what_is_said_is_what_is_meant(said, statements):
    assert parse(said.split()) == statements


def test_units_that_were_not_said_follow_the_shop():
    assert parse("low side two point one".split(), "metric") == [m("low_side", "2.1", "bar", unit_stated=False)]
    assert parse("vent eleven".split(), "metric") == [m("vent", 11, "C", unit_stated=False)]
    assert parse("vent fifty two f".split(), "metric") == [m("vent", 52, "F")]
    with pytest.raises(HoodnoteError, match="use us or metric"):
        parse("vent eleven".split(), "si")


@pytest.mark.parametrize("said, at", [("", 0), ("low side", 2), ("low side thirty thirty", 3), ("thirty five low", 2), ("low side thirty volts", 3),
                                      ("battery five ohms", 2), ("yes low side thirty", 1), ("low side two one", 3), ("twelve volts five", 2)])
def test_other_words_are_refused_where_they_break(said, at):
    with pytest.raises(NotSayable) as caught:
        parse(said.split())
    assert caught.value.at == at and "\n" not in str(caught.value)


def test_every_arc_of_the_language_gives_statements():
    for path in load().automaton.covering_paths():
        statements = parse(path)
        assert statements and all(from_json(to_json(s)) == s for s in statements), path


def test_random_utterances_give_statements_in_both_unit_systems():
    rng = random.Random(5)
    for _ in range(3000):
        path = load().automaton.sample(rng)
        us, metric = parse(path), parse(path, "metric")
        assert us and len(us) == len(metric)
        assert [type(s) for s in us] == [type(s) for s in metric]


def test_an_utterance_is_the_sum_of_its_statements():
    """Run together or one by one, the same statements: no figure leaks into its neighbour."""
    rng = random.Random(6)
    one = load().compiler.network("hoodnote.bay.statement").determinized()
    for _ in range(1500):
        parts = [one.sample(rng, stop=0.6) for _ in range(3)]
        alone = [s for part in parts for s in parse(part)]
        together = parse([w for part in parts for w in part])
        if any(getattr(getattr(s, "statement", s), "engine", None) for s in alone):
            continue                       # "static" and "running" are meant to reach the pressures that follow
        assert together == alone, parts


def test_no_statement_begins_with_a_number():
    starts = set(load().compiler.network("hoodnote.bay.statement").determinized().arcs[0])
    assert starts.isdisjoint(NUMBER_WORDS)


def tagged(name: str) -> set[str]:
    return {tag.partition("=")[2] for tag in load().grammars.tags() if tag.partition("=")[0] == name}


def test_vocabulary_and_tags_are_the_same():
    assert tagged("place") == set(PLACES)
    assert tagged("action") == set(ACTIONS)
    assert tagged("item") == set(PARTS)
    assert tagged("control") == set(CONTROLS)
    assert tagged("fact") == set(FACTS) - FREE_TEXT_FACTS
    assert tagged("value") == {v for values in FACT_VALUES.values() for v in values}
    assert tagged("unit") <= set(UNITS)
    assert {tag.partition("=")[0].split()[0] for tag in load().grammars.tags()} == {
        "place", "action", "item", "control", "fact", "value", "unit", "engine", "supply", "correction", "end", "at_minute", "tolerance", "digits", "answer", "announced"}


def utterances_through_every_tag():
    """A shortest utterance through each tag of the grammar."""
    network = load().network
    sources: list[list[tuple[int, str | None]]] = [[] for _ in network.arcs]
    for state, arcs in enumerate(network.arcs):
        for label, _output, target, _weight in arcs:
            sources[target].append((state, label))

    def trails(roots, neighbours):
        found, queue = {r: [] for r in roots}, deque(roots)
        while queue:
            state = queue.popleft()
            for label, to in neighbours(state):
                if to not in found:
                    found[to] = [*found[state], label] if label else found[state]
                    (queue.append if label else queue.appendleft)(to)
        return found

    to = trails([network.start], lambda s: [(label, t) for label, _o, t, _w in network.arcs[s]])
    on = trails(sorted(network.finals), lambda s: [(label, f) for f, label in sources[s]])
    for state, arcs in enumerate(network.arcs):
        for _label, output, target, _weight in arcs:
            if output and output[0] == "tag" and not output[1].startswith("digits"):
                yield [*to[state], *reversed(on[target])]


def test_every_id_is_reached_by_an_utterance():
    said = {"place": set(), "action": set(), "item": set(), "control": set(), "fact": set()}
    for path in utterances_through_every_tag():
        for s in parse(path):
            match getattr(s, "statement", s):
                case Measured(place=place) | Supply(place=place):
                    said["place"].add(place)
                case Step(action=action, item=item):
                    said["action"].add(action)
                    said["item"].add(item)
                case Fact(key=key, value=value):
                    said["fact"].add(key)
                    assert value in FACT_VALUES.get(key, (value,)), (key, value)
                case Control(action=action):
                    said["control"].add(action)
    assert said["place"] == set(PLACES) and said["action"] == set(ACTIONS) and said["control"] == set(CONTROLS)
    assert said["item"] == set(PARTS) | {None}
    assert said["fact"] == set(FACTS) - FREE_TEXT_FACTS
