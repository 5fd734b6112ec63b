"""Whatever the record: an unconfirmed entry never decides a check, nor changes what one decided."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hoodnote.checks import evaluate, hazards, implausible
from hoodnote.checks.model import Outcome
from hoodnote.readings.model import Entry, Origin, Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control, Fact, Measured, Step, Supply
from hoodnote.statements.vocabulary import ACTIONS, CONTROLS, FACT_VALUES, PARTS, PLACES
from hoodnote.units import UNITS

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
