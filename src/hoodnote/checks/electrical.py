"""The clutch circuit from battery to ground: where power ends and whether it should, what drops on the way, what the coil draws.

The order of the test points and what may open a contact are data: `hoodnote.checks.circuits`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from hoodnote.checks import coil
from hoodnote.checks import wording as w
from hoodnote.checks.circuits import Circuit, Point, circuit_of
from hoodnote.checks.contacts import Reason, judge_section
from hoodnote.checks.inputs import NOT_CONFIRMED, Inputs, weigh
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View
from hoodnote.physics.uncertain import expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Measured, Step, Supply
from hoodnote.statements.vocabulary import PARTS
from hoodnote.units import UNITS, Quantity

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

NO_POWER_V = 1.0
# Between two readings of one meter the battery may move this much, and the last digit counts (common practice, no source).
DRIFT_V, DIGIT_V = 0.1, 0.05
# Everything between battery and clutch together (common practice, no source).
MOST_DROP_V = 1.0
_PARTS = {"clutch", "clutch_coil", "low_pressure_switch", "high_pressure_switch", "freeze_switch", "relay", "fuse", "wiring", "connector",
          "ground", None}
_REPAIRS = ("replaced", "repaired", "cleaned", "bypassed")
_KEY = {"key_on": "on", "key_off": "off", "engine_running": "on", "engine_off": None}
_TITLE, _EXPECTED = "Power along the clutch circuit", "power at every point up to the clutch when the clutch is called for"


@dataclass(frozen=True)
class Lost:
    """Where power ends, found for sure: between two tested points."""

    before: str                          # key of vocabulary.PLACES
    first: str                           # the first point without power
    faults: tuple[str, ...]              # ids of the causes that an open section would be
    reason: Reason
    stage: Stage
    basis: tuple[int, ...]


@dataclass
class _Round:
    """Tests between two repairs: the circuit may be another one afterwards."""

    stage: Stage
    tests: dict[str, Live]               # the last test of each point
    since: int                           # position in the record
    until: int
    bypassed: str | None = None          # a contact bridged for these tests: key of vocabulary.PARTS


def check(view: View) -> Iterator[Finding]:
    yield from coil.check(view)
    for judged in _rounds(view):
        yield from judged.findings


def lost_points(view: View) -> tuple[Lost, ...]:
    """Where power ends, for each round of tests that shows it; nothing where the record does not decide it."""
    return tuple(r.lost for r in _rounds(view) if r.lost is not None)


@dataclass(frozen=True)
class _Judged:
    findings: tuple[Finding, ...]
    lost: Lost | None = None


def _rounds(view: View) -> Iterator[_Judged]:
    circuit = circuit_of(Inputs(view))
    for tests in _tests(view, circuit):
        yield _judge(view, circuit, tests)


def _tests(view: View, circuit: Circuit) -> list[_Round]:
    rounds: list[_Round] = []
    for x in view.usable.live:
        s, order = x.entry.statement, view.order(x)
        repair = isinstance(s, Step) and s.action in _REPAIRS and s.item in _PARTS
        if not rounds or repair or rounds[-1].stage is not x.stage:
            if rounds:
                rounds[-1].until = order
            bridged = s.item if repair and s.action == "bypassed" else None
            rounds.append(_Round(x.stage, {}, order, len(view.timeline.live), bridged))
        if _is_test(s) and s.place in (*circuit.places, "clutch_ground"):
            rounds[-1].tests[s.place] = x
    return rounds


def _is_test(s: object) -> bool:
    return isinstance(s, Supply) or (isinstance(s, Measured) and UNITS[s.unit].quantity is Quantity.VOLTAGE)


def _power(live: Live, point: Point) -> bool | None:
    """True, False, or None for a voltage that is neither."""
    match live.entry.statement:
        case Supply(present=present):
            return present
        case Measured():
            volts = si(live)
            return True if volts >= point.volts[0] else False if volts <= NO_POWER_V else None
    raise TypeError(live.entry.statement)


def _judge(view: View, circuit: Circuit, tests: _Round) -> _Judged:
    points = [p for p in circuit.points if p.place in tests.tests]
    pending = [d for d in view.doubts if d.keys & set(circuit.places) and tests.since <= d.order < tests.until]
    enough = len(points) > 1 or any(isinstance(tests.tests[p.place].entry.statement, Supply) for p in points)
    state = {p.place: _power(tests.tests[p.place], p) for p in points}
    powered = points[-1].place == "clutch" and all(state.values()) if enough and points else None
    beside = (*_drops(view, tests, points, state), *_engaged(view, tests, state), *_ground(view, tests, powered))
    if not enough and not (points and pending):
        return _Judged(beside)
    inputs = Inputs(view, stage=tests.stage)
    circuit_of(inputs)                                   # what is in doubt about the vehicle
    if circuit.vehicle is None and view.equipment.circuits:
        inputs.notes.append(f'test points in the order of the circuit "{circuit.id}"')
    if not enough:
        inputs.lacks("a second test point, confirmed")
    for point in points:
        live = tests.tests[point.place]
        inputs.basis.append(live.entry.id)
        if live.entry.id in view.unsettled:
            inputs.lacks(f"{view.unsettled[live.entry.id]} {NOT_CONFIRMED}")
    for doubt in pending:
        if any(p not in tests.tests or doubt.order > view.order(tests.tests[p]) for p in doubt.keys & set(circuit.places)):
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")
    chain, lost = _chain(view, inputs, circuit, tests, points, state)
    return _Judged((chain, *beside), lost)


def _chain(view: View, inputs: Inputs, circuit: Circuit, tests: _Round, points: list[Point],
           state: dict[str, bool | None]) -> tuple[Finding, Lost | None]:
    by_lamp = any(isinstance(tests.tests[p.place].entry.statement, Supply) for p in points)
    if by_lamp and not view.did("test_light_proved"):
        inputs.notes.append("the test light was not proved on a known good supply")
    measured = ", ".join(f"{p.label} {'power' if state[p.place] else 'unclear' if state[p.place] is None else 'none'}" for p in points)
    told = {"expected": _EXPECTED, "measured": measured, "source": circuit.source}

    def unknown(lacking: str | None, why: str = "") -> tuple[Finding, None]:
        if lacking:
            inputs.lacks(lacking)
        return inputs.cannot_tell("clutch_circuit", _TITLE, why=why, **told), None

    if not inputs.complete:
        return unknown(None)
    weak = next((p for p in points if state[p.place] is None), None)
    if weak is not None:
        return unknown("a clear voltage at every point",
                       f"The voltage at {weak.label} is neither full nor none: look for a drop before it, under load.")
    dead = [p for p in points if not state[p.place]]
    if not dead:
        why = f"Power was found at every point tested, up to {points[-1].label}."
        if tests.bypassed is not None:
            part = PARTS[tests.bypassed]
            return unknown(f"the same tests without the bypass of the {part}",
                           f"Power was found at every point with the {part} bypassed, which speaks for the rest of the circuit and not for the {part}.")
        if points[-1] is not circuit.points[-1]:
            return unknown(f"power at {circuit.points[-1].label}", f"{why[:-1]}; the points after it were not tested.")
        return inputs.finding("clutch_circuit", _TITLE, uncertainty="", outcome=Outcome.WITHIN, why=why, **told), None
    first = dead[0]
    at = points.index(first)
    if any(state[p.place] for p in points[at:]):
        return unknown("points that agree with their order in the circuit",
                       f"Power was found after {first.label} had none, so the order differs on this vehicle or a test was wrong: test both again.")
    test = tests.tests[first.place]
    if isinstance(test.entry.statement, Supply) and not view.did("test_light_proved"):
        return unknown("the test light proved on a known good supply",
                       "A dead point found with an unproved test light proves nothing: prove the light on a "
                       "known good supply and test again.")
    if at == 0:
        return unknown("a point with power before it",
                       f"No power at {first.label} and no point before it was tested: go back towards the battery.")
    before = points[at - 1]
    section = circuit.points[circuit.points.index(before) + 1:circuit.points.index(first) + 1]
    key = _key_doubt(view, section, tests.tests[before.place], test)
    if key is not None:
        return unknown(*key)
    return _open(view, inputs, told, before, first, section, test)


def _open(view: View, inputs: Inputs, told: dict[str, str], before: Point, first: Point, section: tuple[Point, ...],
          test: Live) -> tuple[Finding, Lost | None]:
    judged = judge_section(view, section, test)
    inputs.basis += judged.basis
    measured = "; ".join(t for t in (told["measured"], judged.measured) if t)
    parts = list(dict.fromkeys(p.through for p in section))
    where = f"Power ends between {before.label} and {first.label} ({', '.join(parts)})"
    lost = Lost(before.place, first.place, tuple(dict.fromkeys(p.fault for p in section)), judged.reason, test.stage,
                tuple(dict.fromkeys(inputs.basis)))
    told = {**told, "measured": measured}
    clause = f"{judged.why[:1].upper()}{judged.why[1:]}."
    if judged.reason is Reason.UNKNOWN:
        inputs.lacks(judged.lacking)
        return inputs.cannot_tell("clutch_circuit", _TITLE, why=clause, **told), lost
    why = clause if judged.why else f"{where}: examine that section first."
    return inputs.finding("clutch_circuit", _TITLE, uncertainty=judged.uncertainty, margin_sd=judged.margin_sd, why=why,
                          outcome=Outcome.WITHIN if judged.reason is Reason.GOOD else Outcome.OUTSIDE, **told), lost


def _key_doubt(view: View, section: tuple[Point, ...], before: Live, first: Live) -> tuple[str, str] | None:
    """What is lacking and why, where the key may explain the dead point: it was not on, or nobody said so and the section needs it."""
    at_before, at_first = _key(view, before), _key(view, first)
    doubt = next((d for d in view.doubts if d.keys & set(_KEY) and d.order < view.order(first)), None)
    if doubt is not None:
        return f"{doubt.text} {NOT_CONFIRMED}", ""
    if at_first not in ("on", at_before):
        return "both points tested with the key on", ("The key was not stated alike for the two tests, so the dead point may only show the key: "
                                                      "test both again.")
    if at_first != "on" and any(p.needs_key for p in section):
        why = "The key was off at the test" if at_first == "off" else "Nobody said that the key was on at the test, without which this section is dead"
        return "key on at the test", f"{why}: test again with the key on and the cooling called for."
    return None


def _key(view: View, test: Live) -> str | None:
    """"on", "off", or None where nobody said: stopping the engine leaves the key unknown."""
    key = None
    for x in view.usable.live:
        if view.order(x) >= view.order(test):
            break
        if isinstance(x.entry.statement, Step) and x.entry.statement.action in _KEY:
            key = _KEY[x.entry.statement.action]
    return "on" if key is None and test.engine == "running" else key


def _drops(view: View, tests: _Round, points: list[Point], state: dict[str, bool | None]) -> Iterator[Finding]:
    """Voltages with power at both ends: what is lost between them. The whole way where nothing on it stands out, else what does."""
    volts = [p for p in points if state[p.place] and isinstance(tests.tests[p.place].entry.statement, Measured)]
    if len(volts) < 2:
        return
    open_after = any(s is False for s in state.values())
    parts = [_drop(view, tests, points[points.index(before):points.index(after) + 1], open_after) for before, after in pairwise(volts)]
    loud = [f for f in parts if f.outcome is not Outcome.WITHIN]
    yield from loud or [_drop(view, tests, points[points.index(volts[0]):points.index(volts[-1]) + 1], open_after)]


def _drop(view: View, tests: _Round, way: list[Point], open_after: bool) -> Finding:
    inputs, before, after, section = Inputs(view, stage=tests.stage), way[0], way[-1], way[1:]
    a, b = tests.tests[before.place], tests.tests[after.place]
    inputs.basis += [a.entry.id, b.entry.id]
    most = min(MOST_DROP_V, max(sum(p.drop_v for p in section if p.fault != "wiring"), max(p.drop_v for p in section)))
    lost = _volts(view, a) - _volts(view, b)
    name, title = f"drop_to_{after.place}", f"Voltage drop: {before.label} to {after.label}"
    told = {"expected": f"up to {most:g} V under load", "measured": f"{nominal(lost):.2f} V from {si(a):g} V and {si(b):g} V",
            "source": w.COMMON_PRACTICE}
    if a.engine != b.engine:
        inputs.lacks("both voltages with the engine in the same state")
        return inputs.cannot_tell(name, title,
                                  why="The engine was not in the same state for both readings, and charging moves the voltage: read both again.", **told)
    outcome, margin_sd = weigh(lost, float("-inf"), most)
    if nominal(lost) < -expanded(lost):
        inputs.lacks("both voltages at one time")
        return inputs.cannot_tell(name, title,
                                  why="The voltage rises along the way, so the supply moved between the readings: read both again.", **told)
    if outcome is not Outcome.OUTSIDE and open_after:
        inputs.lacks("the drop with current flowing: the circuit is open further on")
        return inputs.cannot_tell(name, title, why="Without current nothing drops: read it again once the circuit is closed.", **told)
    why = {Outcome.WITHIN: "Little is lost on the way, if the clutch was drawing its current.",
           Outcome.CANNOT_TELL: "The drop is too near the usual limit for two readings of a meter: read it directly across, under load.",
           Outcome.OUTSIDE: "More is lost on the way than closed contacts lose: read across each contact and connector of it, under load."}[outcome]
    return inputs.finding(name, title, outcome=outcome, margin_sd=margin_sd, why=why,
                          uncertainty=f"±{expanded(lost):.2f} V (k = 2), the battery taken as steady to {DRIFT_V:g} V", **told)


def _volts(view: View, live: Live) -> Uncertain:
    """Read with one meter, whose scale is the same for both; the battery and the last digit move each by itself."""
    number = live.entry.id
    return (view.errors.figure(si(live), 0.01 * si(live), ("meter", Quantity.VOLTAGE)) + view.errors.figure(0.0, DRIFT_V, ("battery", number))
            + view.errors.figure(0.0, DIGIT_V, ("digit", number)))


def _engaged(view: View, tests: _Round, state: dict[str, bool | None]) -> Iterator[Finding]:
    """Power at the clutch against what the clutch does."""
    seen = [x for x in view.usable.live if isinstance(x.entry.statement, Step) and tests.since <= view.order(x) < tests.until
            and x.entry.statement.action in ("clutch_engaged", "clutch_not_engaged")]
    if not seen or "clutch" not in state:
        return
    inputs = Inputs(view, stage=tests.stage)
    inputs.basis += [tests.tests["clutch"].entry.id, seen[-1].entry.id]
    for doubt in view.doubts:
        if doubt.keys & {"clutch", "clutch_engaged", "clutch_not_engaged"} and tests.since <= doubt.order < tests.until:
            inputs.lacks(f"{doubt.text} {NOT_CONFIRMED}")
    engaged, power = seen[-1].entry.statement.action == "clutch_engaged", state["clutch"]
    told = {"expected": "engaged with power at its connector, and not without", "source": w.COMMON_PRACTICE,
            "measured": f"{'no clear voltage' if power is None else 'power' if power else 'no power'}, {'engaged' if engaged else 'not engaged'}"}
    name, title = "clutch_engagement", "Clutch against its supply"
    if not inputs.complete:
        yield inputs.cannot_tell(name, title, **told)
        return
    if power is None or (engaged and not power):
        inputs.lacks("power and clutch seen at one time")
        yield inputs.cannot_tell(name, title,
                                 why="The clutch was stated as engaged without power, or the power is not clear: look at both at one time.", **told)
        return
    if engaged == power:
        why = "The clutch answers its supply." if power else "The clutch is not engaged and has no power, so the supply comes first."
        yield inputs.finding(name, title, uncertainty="as stated", outcome=Outcome.WITHIN, why=why, **told)
        return
    yield inputs.finding(name, title, uncertainty="as stated", outcome=Outcome.OUTSIDE, **told,
                         why="The clutch has power and does not engage, which points to its ground, its coil or its air gap: read the drop to ground and the "
                             "coil's resistance.")


def _ground(view: View, tests: _Round, powered: bool | None) -> Iterator[Finding]:
    """A lamp at the ground side: power there means that the current does not get away."""
    live = tests.tests.get("clutch_ground")
    if live is None or not isinstance(live.entry.statement, Supply):
        return
    inputs = Inputs(view, stage=tests.stage)
    inputs.basis.append(live.entry.id)
    name, title, expected = "clutch_ground_power", "Ground side of the clutch", "no power, with power at the connector"
    if live.entry.statement.present:
        yield inputs.finding(name, title, expected=expected, measured="power", uncertainty="as stated", outcome=Outcome.OUTSIDE,
                             source=w.COMMON_PRACTICE,
                             why="Power stands at the ground side, so the way to ground is open or poor: read the drop to the battery's negative post.")
        return
    if not powered:
        inputs.lacks("power at the clutch connector at the same time")
    elif not view.did("test_light_proved"):
        inputs.lacks("the test light proved on a known good supply")
    if not inputs.complete:
        yield inputs.cannot_tell(name, title, expected=expected, measured="no power", source=w.COMMON_PRACTICE,
                                 why="No power at the ground side shows a good ground only with power at the connector and a proved light.")
        return
    yield inputs.finding(name, title, expected=expected, measured="no power", uncertainty="as stated", outcome=Outcome.WITHIN,
                         source=w.COMMON_PRACTICE,
                         why="The current finds its way to ground.")
