"""Whatever the record: an unconfirmed entry never decides a check, nor changes what one decided; neither does the order of readings or
their unit; and a worse instrument never makes anything clearer."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hoodnote.checks import evaluate, hazards, implausible
from hoodnote.checks.equipment import Equipment
from hoodnote.checks.model import Outcome
from hoodnote.physics.gauge import USUAL_MANIFOLD, ManifoldGauges
from hoodnote.readings.model import Entry, Origin, Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control, Fact, Measured, Step, Supply
from hoodnote.statements.vocabulary import ACTIONS, CONTROLS, FACT_VALUES, PARTS, PLACES
from hoodnote.units import UNITS, convert

_UNITS_OF = {place: [u.id for u in UNITS.values() if u.quantity in p.quantities] for place, p in PLACES.items()}
# Figures near those of the trade, so that checks come to decide, and some far from them.
_values = st.one_of(st.integers(0, 130), st.integers(0, 500), st.decimals(-40, 3000, places=1)).map(Decimal)
_measured = st.sampled_from(sorted(PLACES)).flatmap(
    lambda p: st.builds(
        Measured,
        place=st.just(p),
        value=_values,
        unit=st.sampled_from(_UNITS_OF[p]),
        engine=st.sampled_from([None, None, "off", "running"]),
        at_minute=st.sampled_from([None, None, Decimal(0), Decimal(5), Decimal(10)]),
    )
)
_facts = st.sampled_from(sorted(FACT_VALUES)).flatmap(
    lambda k: st.builds(Fact, key=st.just(k), value=st.sampled_from(FACT_VALUES[k]))
)
_steps = st.builds(Step, action=st.sampled_from(sorted(ACTIONS)), item=st.sampled_from([None, *sorted(PARTS)]))
_engine = st.sampled_from([Step("engine_off"), Step("engine_running")])
_supplies = st.builds(
    Supply, place=st.sampled_from([p for p, v in PLACES.items() if v.group == "circuit"]), present=st.booleans()
)
_pressures = st.builds(
    Measured, place=st.sampled_from(["low_side", "high_side"]), value=st.integers(0, 300).map(Decimal), unit=st.just("psi")
)
_air = st.builds(
    Measured,
    place=st.sampled_from(["ambient", "vent", "suction_line", "liquid_line"]),
    value=st.integers(30, 120).map(Decimal),
    unit=st.just("F"),
)
_statement = st.one_of(_measured, _facts, _steps, _engine, _supplies, _pressures, _pressures, _air)
_control = st.builds(Control, action=st.sampled_from(sorted(CONTROLS)))
# A record that already decides something, so that there is something to disturb.
_START = [Fact("refrigerant", "R-134a"), Fact("expansion_device", "expansion valve"), Measured("ambient", Decimal(80), "F")]


def _entry(statement, number, standing=Standing.CONFIRMED, supersedes=None):
    return Entry(statement, standing, Origin("typed"), id=number, supersedes=supersedes)


def _decided(entries):
    return {f for f in evaluate(build(entries)) if f.outcome is not Outcome.CANNOT_TELL}


_quick = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@_quick
@given(st.lists(_statement, max_size=18), st.lists(_statement | _control, min_size=1, max_size=3), st.data())
def test_unconfirmed_entries_decide_nothing(sure, doubtful, data):
    entries = [_entry(s, i) for i, s in enumerate([*_START, *sure], start=1)]
    before = _decided(entries)
    for number, statement in enumerate(doubtful, start=1000):
        entries.insert(data.draw(st.integers(0, len(entries))), _entry(statement, number, Standing.UNCONFIRMED))
    assert _decided(entries) <= before


@_quick
@given(st.lists(_pressures | _air | _engine, min_size=4, max_size=12), st.data())
def test_an_unconfirmed_correction_withholds_and_never_falls_back(statements, data):
    entries = [_entry(s, i) for i, s in enumerate([*_START, *statements], start=1)]
    readings = [e for e in entries if isinstance(e.statement, Measured)]
    old = data.draw(st.sampled_from(readings))
    new = Measured(old.statement.place, Decimal(data.draw(st.integers(20, 300))), old.statement.unit)
    corrected = [*entries, _entry(new, 1000, Standing.UNCONFIRMED, supersedes=old.id)]
    assert _decided(corrected) <= _decided(entries)


def test_where_one_side_waits_the_other_is_not_judged_as_if_the_sides_differed():
    run = [*_START, Step("engine_running"), Measured("low_side", Decimal(0), "psi"), Measured("high_side", Decimal(0), "psi")]
    equal = [_entry(s, i) for i, s in enumerate(run, start=1)]
    waiting = [*equal, _entry(Measured("high_side", Decimal(20), "psi"), 1000, Standing.UNCONFIRMED, supersedes=len(run))]
    assert {f.check for f in _decided(equal)} == {"compression_ratio"} and _decided(waiting) == set()


def test_a_pressure_that_waits_does_not_make_it_another_air():
    run = [*_START, Step("engine_running"), Measured("ambient", Decimal(30), "F"), Measured("vent", Decimal(30), "F"), Measured("high_side", Decimal(0), "psi")]
    read = [_entry(s, i) for i, s in enumerate(run, start=1)]
    waiting = [*read, _entry(Measured("high_side", Decimal(20), "psi"), 1000, Standing.UNCONFIRMED, supersedes=len(run))]
    assert _decided(waiting) <= _decided(read)
    earlier = [*read[:4], *read[5:], _entry(Measured("ambient", Decimal(30), "F"), 8), _entry(Measured("low_side", Decimal(30), "psi"), 9, Standing.UNCONFIRMED)]
    assert _decided(earlier) <= _decided(earlier[:-1]) != set()


@_quick
@given(st.lists(st.tuples(_statement | _control, st.booleans()), max_size=20), _statement)
def test_nothing_a_record_can_hold_breaks_the_checks(held, new):
    timeline = build(
        [_entry(s, i, Standing.CONFIRMED if sure else Standing.UNCONFIRMED) for i, (s, sure) in enumerate(held, start=1)]
    )
    known = {x.entry.id for x in timeline.live if x.usable}
    for finding in evaluate(timeline):
        assert finding.expected and finding.why.strip().endswith(".") and finding.source
        assert set(finding.basis) <= known
    reason = implausible(new, timeline)
    assert reason is None or reason.endswith(".")
    assert all(w.text.endswith(".") for w in hazards(new, timeline))


# One spell of readings at places that do not depend on one another, each read once.
_PLACES = ("low_side", "high_side", "vent", "suction_line", "evaporator_inlet", "evaporator_outlet", "liquid_line", "condenser_outlet",
           "discharge_line", "condenser_air_in", "ambient", "humidity", "engine_speed")
_SPAN = {"low_side": (0, 90), "high_side": (60, 350), "humidity": (5, 95), "engine_speed": (700, 2500)}
_UNIT = {"low_side": "psi", "high_side": "psi", "humidity": "%", "engine_speed": "rpm"}


def _reading(place):
    return st.integers(*_SPAN.get(place, (30, 180))).map(lambda v: Measured(place, Decimal(v), _UNIT.get(place, "F")))


_spell = st.lists(st.sampled_from(_PLACES), min_size=2, max_size=9, unique=True).flatmap(lambda ps: st.tuples(*(_reading(p) for p in ps)))
_job = st.tuples(
    st.sampled_from(["R-134a", "R-1234yf", "R-12", "R-152a", "R-744", "R-444A"]), st.sampled_from(["expansion valve", "orifice tube"]),
    st.sampled_from(["engine_off", "engine_running"]),
).map(lambda d: [Fact("refrigerant", d[0]), Fact("expansion_device", d[1]), Step(d[2])])


def _numbered(statements):
    return [_entry(s, i) for i, s in enumerate(statements, start=1)]


def _said(findings):
    """All that a finding says; the entries it stands on in no order."""
    return {replace(f, basis=tuple(sorted(f.basis))) for f in findings}


@_quick
@given(_job, _spell, st.randoms(use_true_random=False))
def test_the_order_of_independent_readings_changes_nothing(job, readings, random):
    entries = _numbered([*job, *readings])
    head, tail = entries[: len(job)], entries[len(job):]
    mixed = random.sample(tail, len(tail))
    assert _said(evaluate(build([*head, *mixed]))) == _said(evaluate(build(entries)))


_OTHER_UNIT = {"psi": "kPa", "F": "C"}


@_quick
@given(_job, _spell)
def test_another_unit_changes_no_outcome(job, readings):
    def metric(s):
        into = _OTHER_UNIT.get(s.unit)
        return replace(s, value=Decimal(repr(convert(float(s.value), s.unit, into))), unit=into) if into else s

    us, other = ({(f.check, f.stage): f for f in evaluate(build(_numbered([*job, *spell])))}
                 for spell in (readings, [metric(r) for r in readings]))
    assert us.keys() == other.keys()
    for key, finding in us.items():
        if finding.margin_sd is None:
            assert other[key].outcome is finding.outcome
        else:       # saturation rounds its input to 0.01 kPa, so a figure right on a border may fall either way
            assert other[key].margin_sd == pytest.approx(finding.margin_sd, abs=0.02)
            if min(abs(finding.margin_sd), abs(finding.margin_sd + 2)) > 0.02:
                assert other[key].outcome is finding.outcome


_RANKED = ("4A", "3A", "2A", "1A", "A", "B", "C", "D")          # finest first, ASME B40.100
_instruments = st.tuples(st.sampled_from(_RANKED), st.sampled_from(_RANKED), st.floats(0.1, 6.0))


def _equipment(low, high, thermometer):
    gauges = ManifoldGauges(replace(USUAL_MANIFOLD.low, grade=low), replace(USUAL_MANIFOLD.high, grade=high))
    return Equipment(gauges, thermometer_limit_c=thermometer)


@_quick
@given(_job, _spell, st.booleans(), _instruments, _instruments)
def test_worse_instruments_never_turn_cannot_tell_into_outside(job, readings, ran, one, other):
    """Gauges and thermometer each the better and the worse of two. A finding that a worse instrument leaves outside was outside."""
    low, high = ([f(a[i], b[i]) for i in (0, 1)] for a, b, f in (
        ([_RANKED.index(one[0]), _RANKED.index(one[1])], [_RANKED.index(other[0]), _RANKED.index(other[1])], f) for f in (min, max)))
    better = _equipment(_RANKED[low[0]], _RANKED[low[1]], min(one[2], other[2]))
    worse = _equipment(_RANKED[high[0]], _RANKED[high[1]], max(one[2], other[2]))
    spell = [Step("engine_running"), *job, *readings] if ran else [*job, *readings]
    timeline = build(_numbered(spell))
    outside = [{(f.check, f.stage) for f in evaluate(timeline, e) if f.outcome is Outcome.OUTSIDE} for e in (better, worse)]
    assert outside[1] <= outside[0]


@_quick
@given(_job, _spell, _instruments)
def test_outside_is_beyond_two_standard_deviations(job, readings, instruments):
    for finding in evaluate(build(_numbered([*job, *readings])), _equipment(*instruments)):
        if finding.margin_sd is not None:
            assert finding.outcome is not Outcome.OUTSIDE or finding.margin_sd < -2
            assert "k = 2" in finding.uncertainty or finding.uncertainty == "", finding


@_quick
@given(st.sampled_from(["R-134a", "R-1234yf", "R-12", "R-152a"]), st.integers(15, 60), st.integers(120, 300),
       st.sampled_from([("suction_line", 1), ("evaporator_outlet", 1), ("vent", 1), ("discharge_line", 2), ("liquid_line", -2)]),
       st.integers(-60, 60))
def test_temperatures_stand_in_their_order(refrigerant, low, high, line, apart):
    """Suction side not colder than evaporating, discharge not colder and liquid not hotter than condensing: asked about beyond all
    limits of error, never about the right order."""
    from hoodnote.physics.saturation import saturation_temperature
    from hoodnote.units import AbsolutePressure, to_si

    place, side = line
    pressure = to_si(low if abs(side) == 1 else high, "psi") + 101.325
    saturation = saturation_temperature(refrigerant, AbsolutePressure(pressure)).celsius
    at = Decimal(round(saturation + apart, 1)).quantize(Decimal("0.1"))
    before = build(_numbered([Fact("refrigerant", refrigerant), Step("engine_running"), Measured("low_side", Decimal(low), "psi"),
                              Measured("high_side", Decimal(high), "psi")]))
    reason = implausible(Measured(place, at, "C"), before)
    wrong_way = apart * (1 if side > 0 else -1) < 0
    if not wrong_way:
        assert reason is None or "outside the" in reason            # beyond the range of any line
    elif abs(apart) > 15:                                           # gauge, weather and thermometer together are below 15 C here
        assert reason is not None
