"""Circuit, vacuum, amounts and comparison, whatever the record: an unconfirmed entry decides nothing and changes no figure."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hoodnote.checks import charge, comparison, electrical, evacuation, ledger
from hoodnote.checks.model import Outcome
from hoodnote.checks.view import View
from hoodnote.readings.model import Timeline
from hoodnote.statements.model import Measured, Step, Supply
from tests.checks_records import fact, m, psi, record, step, unsure

_figure = st.integers(0, 40).map(Decimal)
_circuit = st.one_of(
    st.builds(Supply, place=st.sampled_from(["battery", "fuse_in", "fuse_out", "low_pressure_switch_in", "low_pressure_switch_out", "clutch"]),
              present=st.booleans()),
    st.builds(Measured, place=st.sampled_from(["battery", "fuse_out", "clutch"]), value=st.integers(0, 14).map(Decimal), unit=st.just("V")),
    st.sampled_from([step("key_on"), step("key_off"), step("clutch_engaged"), step("clutch_not_engaged"), step("replaced", "fuse"),
                     step("engine_hot"), psi("low_side", 5), psi("low_side", 80), m("clutch_coil", "3.6", "ohm"), m("clutch", "3.4", "A")]),
)
_vacuum = st.one_of(
    st.builds(Measured, place=st.just("vacuum"), value=st.integers(200, 3000).map(Decimal), unit=st.just("micron"),
              at_minute=st.sampled_from([Decimal(0), Decimal(5), Decimal(10), Decimal(15)])),
    st.sampled_from([step("pump_on"), step("pump_off"), step("hold_started"), step("hold_finished"), m("vacuum", 29, "inHg"), m("ambient", 20, "C")]),
)
_amount = st.one_of(
    st.builds(Measured, place=st.sampled_from(["charged", "recovered", "can_content", "can_heel", "scale_before", "scale_after"]), value=_figure,
              unit=st.just("oz")),
    st.builds(Measured, place=st.sampled_from(["oil_removed", "oil_added"]), value=_figure, unit=st.just("mL")),
    st.sampled_from([step("can_empty"), step("replaced", "condenser"), step("replaced", "compressor"), fact("cylinder_id", "C7"),
                     fact("label_refrigerant", "R-12"), m("label_charge", 24, "oz", tolerance=1)]),
)
_START = (fact("refrigerant", "R-134a"), step("test_light_proved"), step("key_on"))
_CONDITIONS = (m("ambient", 25, "C"), m("humidity", 50, "%"), m("engine_speed", 1500, "rpm"), step("recirculation_on"), step("blower_high"),
               step("engine_running"))
_settings = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def decided(timeline: Timeline) -> set[tuple]:
    """Everything that is judged, with its figures."""
    view = View(timeline)
    found = {(f.check, f.stage, f.measured, f.outcome) for part in (electrical, evacuation, charge) for f in part.check(view)
             if f.outcome is not Outcome.CANNOT_TELL}
    found |= {("lost", x.before, x.first, x.reason) for x in electrical.lost_points(view)}
    return found | {(x.id, x.closes) for x in ledger.ledgers(view) if x.closes is not None}


def lines(timeline: Timeline) -> dict[str, set[tuple[str, str]]]:
    return {x.id: {(line.what, line.amount) for line in x.lines} for x in ledger.ledgers(View(timeline))}


def within(statements: list, extra, at: int) -> bool:
    disturbed = [*statements]
    disturbed.insert(min(at, len(statements)), unsure(extra))
    plain, doubted = record(*_START, *statements), record(*_START, *disturbed)
    told = lines(plain)          # an unconfirmed amount may open a ledger, and then adds no line of its own
    return decided(doubted) <= decided(plain) and all(found <= told[name] for name, found in lines(doubted).items() if name in told)


@_settings
@given(st.lists(_circuit, max_size=9), _circuit, st.integers(0, 9))
def test_nothing_unconfirmed_decides_the_circuit(statements, extra, at):
    assert within(statements, extra, at)


@_settings
@given(st.lists(_vacuum, max_size=9), _vacuum, st.integers(0, 9))
def test_nothing_unconfirmed_decides_the_vacuum(statements, extra, at):
    assert within(statements, extra, at)


@_settings
@given(st.lists(_amount, max_size=9), _amount, st.integers(0, 9))
def test_nothing_unconfirmed_decides_the_amounts(statements, extra, at):
    assert within(statements, extra, at)


@_settings
@given(st.lists(st.sampled_from(range(14)), min_size=0, max_size=3), st.sampled_from([*_CONDITIONS, m("ambient", 35, "C"), m("vent", 30, "C"),
                                                                                      step("fresh_air"), step("engine_off")]), st.integers(0, 15))
def test_nothing_unconfirmed_proves_anything_better(left_out, extra, at):
    said = [*_CONDITIONS, m("vent", 22, "C"), step("recovery_started"), m("charged", 24, "oz"), *_CONDITIONS, m("vent", 9, "C")]
    said = [s for n, s in enumerate(said) if n not in left_out]
    disturbed = [*said]
    disturbed.insert(min(at, len(said)), unsure(extra))
    plain, doubted = ({(c.id, c.before, c.after, c.outcome) for c in comparison.compare(View(record(*_START, *x))) if c.comparable}
                      for x in (said, disturbed))
    assert doubted <= plain


@_settings
@given(st.permutations([m("label_charge", 24, "oz", tolerance=1), m("charged", 24, "oz"), m("scale_before", 100, "oz"), m("scale_after", 76, "oz"),
                        m("can_content", 12, "oz"), Step("can_empty"), Step("can_empty")]))
def test_the_order_of_telling_changes_no_sum(statements):
    found = ledger.ledgers(View(record(*statements)))
    assert [(x.id, x.closes, x.total) for x in found] == [("refrigerant", True, found[0].total)] and found[0].total.startswith("24.0 oz")
