"""Before against after: proved only under like conditions, beyond the error, and towards what is expected.

Limits of likeness: common practice, no source.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hoodnote.checks.comparison import ANEW, BETTER, CHANGED, NOT_COMPARABLE, SAME, UNJUDGED, WORSE, compare
from hoodnote.checks.equipment import Equipment
from hoodnote.checks.view import View
from hoodnote.physics.gauge import Gauge, ManifoldGauges
from hoodnote.units import GaugePressure, from_si
from tests.checks_records import fact, m, psi, record, step, unsure

SYSTEM = (fact("refrigerant", "R-134a"), fact("expansion_device", "expansion valve"), fact("compressor_control", "fixed displacement"))
WORK = (step("recovery_started"), m("charged", 600, "g"))
SETTINGS = (step("recirculation_on"), step("blower_high"))


def conditions(ambient=25.0, humidity=50, rpm=1500, settings=SETTINGS):
    return (m("ambient", ambient, "C"), m("humidity", humidity, "%"), m("engine_speed", rpm, "rpm"), *settings)


def job(before, after, conditions_before=None, conditions_after=None):
    sides = [conditions() if c is None else c for c in (conditions_before, conditions_after)]
    return record(*SYSTEM, *sides[0], step("engine_running"), *before, step("engine_off"), *WORK, *sides[1], step("engine_running"), *after)


def one(name, timeline, equipment=None):
    view = View(timeline) if equipment is None else View(timeline, equipment)
    (found,) = [c for c in compare(view) if c.id == name]
    return found


def vents(before, after, *sides):
    return one("vent", job([m("vent", before, "C")], [m("vent", after, "C")], *sides))


# In 25 C and half damp air a sound car blows some 5 to 12 C at the vents, and never 22 C (common practice, no source).
@pytest.mark.parametrize(("before", "after", "outcome"), [(22, 9, BETTER), (9, 22, WORSE), (22, 20, SAME), (9, 9, SAME)])
def test_vent_air(before, after, outcome):
    found = vents(before, after)
    assert found.comparable and found.outcome == outcome


def test_the_error_of_a_change_of_two_temperatures():
    # two independent limits of 2 C as rectangles: 2 x sqrt(2 x 4 / 3) = 3.27 C (JCGM 100, 4.3.7 and 5.1.2)
    assert "3.3 °C" in vents(22, 9).change and vents(22, 9).change.startswith("down")
    assert vents(22, 18.8).outcome == SAME and vents(22, 18.6).outcome == BETTER


@pytest.mark.parametrize(
    ("after", "word"),
    [
        (conditions(ambient=28.5), "ambient air differed"),
        (conditions(humidity=66), "relative humidity differed"),
        (conditions(rpm=1800), "engine speed differed"),
        (conditions(settings=(step("fresh_air"), step("blower_high"))), "recirculation or fresh air differed"),
        (conditions(settings=(step("recirculation_on"),)), "blower speed not stated after"),
        (conditions()[1:], "ambient air not stated after"),
        ((*conditions(), unsure(m("ambient", 35, "C"))), "not confirmed"),
        ((*conditions(), unsure(step("fresh_air"))), "not confirmed"),
        ((), "not stated after the work"),
    ],
)
def test_unlike_or_unknown_conditions_prove_nothing(after, word):
    found = vents(22, 9, None, after)
    assert not found.comparable and found.outcome == NOT_COMPARABLE and word in found.why.lower()
    assert vents(22, 9, after, None).outcome == NOT_COMPARABLE


def test_like_conditions_need_not_be_the_same():
    assert vents(22, 9, None, conditions(ambient=27.5, humidity=60, rpm=1700)).outcome == BETTER


def test_the_gauge_errs_the_same_way_both_times():
    timeline = job([psi("low_side", 10)], [psi("low_side", 30)])
    low = one("low_side", timeline)
    # half of grade B's 2 or 3 % of 134.7 psi span (ASME B40.100, from memory): 3 % at 10 psi in the first quarter, 2 % at 30 psi
    span = 120 + from_si(30 * 3.386389, "psi")
    limits = [ANEW * span * share for share in (0.03, 0.02)]
    anew = 4 * (limits[0] ** 2 + limits[1] ** 2) / 3
    # the calibration cancels but for the difference of the two grades' limits
    calibration = 4 * (span * 0.01) ** 2 / 3
    assert f"({math.sqrt(anew + calibration) * 6.894757:.0f} kPa) (k = 2)" in low.change
    assert low.outcome == BETTER


def test_saturation_temperatures_move_with_the_pressures():
    # trade chart of R-134a: 35.1 psig is 40 F (4.4 C), 124.3 psig is 100 F (37.8 C), 6.5 psig is 0 F
    timeline = job([psi("low_side", 6.5), psi("high_side", 124)], [psi("low_side", 35.1), psi("high_side", 124.3)])
    evaporating = one("evaporating", timeline)
    assert evaporating.before.startswith("0 °F") and evaporating.after.startswith("40 °F") and evaporating.outcome == BETTER
    assert one("condensing", timeline).after.startswith("100 °F") and one("condensing", timeline).outcome == SAME
    # absolute: 138.7 / 21.2 and 139.0 / 49.8
    assert (one("compression_ratio", timeline).before, one("compression_ratio", timeline).after) == ("6.5", "2.8")


def test_superheat_and_subcooling():
    # 53 F on 35.1 psig is 13 F, 88 F on 124.3 psig is 12 F (trade chart of R-134a)
    reads = [psi("low_side", 35.1), psi("high_side", 124.3), m("evaporator_outlet", 53, "F"), m("condenser_outlet", 88, "F")]
    starved = [psi("low_side", 35.1), psi("high_side", 124.3), m("evaporator_outlet", 90, "F"), m("condenser_outlet", 98, "F")]
    timeline = job(starved, reads)
    superheat = one("superheat_evaporator_outlet", timeline)
    assert superheat.after.startswith("13 °F") and superheat.outcome == BETTER
    assert one("subcooling_condenser_outlet", timeline).after.startswith("12 °F")


def test_a_suction_line_has_no_expected_superheat():
    timeline = job([psi("low_side", 35), m("suction_line", 90, "F")], [psi("low_side", 35), m("suction_line", 53, "F")])
    assert one("superheat_suction_line", timeline).outcome == UNJUDGED


def test_a_change_from_the_edge_of_the_expected_range_is_no_proof():
    # the band's edge is some 9 C, and 10 C lies within 2.3 C (k = 2 of a thermometer good to 2 C) of it
    assert vents(10.0, 6.5).outcome == vents(6.5, 10.0).outcome == CHANGED


def test_what_was_read_on_one_side_only_is_not_compared():
    assert compare(View(job([m("vent", 22, "C")], [psi("low_side", 30)]))) == ()
    assert compare(View(job([unsure(m("vent", 22, "C"))], [m("vent", 9, "C")]))) == ()


def test_an_unconfirmed_figure_withholds_the_comparison():
    found = one("vent", job([m("vent", 22, "C")], [m("vent", 9, "C"), unsure(m("vent", 19, "C"))]))
    assert not found.comparable and "not confirmed" in found.why


def test_the_last_running_spell_counts():
    found = one("vent", job([m("vent", 15, "C"), m("vent", 22, "C")], [m("vent", 20, "C"), step("engine_off"), step("engine_running"),
                                                                       m("vent", 9, "C")]))
    assert found.before.startswith("22 °C") and found.after.startswith("9 °C")


def test_transcritical_has_no_condensing_temperature():
    # the critical pressure of carbon dioxide is 7.38 MPa (Span and Wagner 1996), 1056 psi gauge
    gauges = Equipment(ManifoldGauges(*(Gauge(n, GaugePressure(0.0), GaugePressure.of(160, "bar")) for n in ("low", "high"))))
    reads = [m("low_side", 35, "bar"), m("high_side", 95, "bar")]
    timeline = record(fact("refrigerant", "R-744"), *conditions(), step("engine_running"), *reads, step("engine_off"), *WORK, *conditions(),
                      step("engine_running"), *reads)
    found = one("condensing", timeline, gauges)
    assert found.outcome == NOT_COMPARABLE and "transcritical" in found.why


@given(st.floats(0, 40), st.floats(0, 40), st.sampled_from([1.0, 3.0]))
def test_a_blunter_thermometer_proves_no_more(before, after, factor):
    timeline = job([m("vent", round(before, 1), "C")], [m("vent", round(after, 1), "C")])
    sharp, blunt = (one("vent", timeline, Equipment(thermometer_limit_c=limit)).outcome for limit in (1.0, 1.0 * factor))
    assert blunt in (sharp, SAME, CHANGED)
