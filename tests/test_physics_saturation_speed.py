"""The shortcuts of the saturation module against the slow way: blends are interpolated, their critical points kept as data."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from hoodnote.physics.refrigerants import REFRIGERANTS
from hoodnote.physics.saturation import critical_point, saturation_pressure, saturation_temperature
from hoodnote.units import AbsolutePressure, Temperature

BLENDS = [r for r in REFRIGERANTS.values() if r.blend and r.model]
ENDS = [("dew", 1.0), ("bubble", 0.0)]


@pytest.mark.parametrize("blend", BLENDS, ids=lambda r: r.designation)
def test_an_interpolated_blend_is_within_the_stated_error_of_the_mixture_model(blend):
    from CoolProp.CoolProp import PropsSI

    top = critical_point(blend.designation)[0].celsius - 36
    for end, fraction in ENDS:
        for celsius in (-55.0, -31.7, -8.3, 0.0, 14.2, 33.3, 51.9, top):
            exact = PropsSI("P", "T", celsius + 273.15, "Q", fraction, blend.model) / 1e3
            assert saturation_pressure(blend.designation, Temperature(celsius), end).kpa == pytest.approx(exact, rel=1e-4)
            assert saturation_temperature(blend.designation, AbsolutePressure(exact), end).celsius == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize("blend", BLENDS, ids=lambda r: r.designation)
def test_the_table_of_a_blend_joins_the_mixture_model_without_a_step(blend):
    joint = critical_point(blend.designation)[0].celsius - 35
    for end, _ in ENDS:
        below, above = (saturation_pressure(blend.designation, Temperature(joint + d), end).kpa for d in (-0.05, 0.05))
        assert 0 < above - below < 0.004 * above


@pytest.mark.parametrize("blend", BLENDS, ids=lambda r: r.designation)
def test_the_critical_point_kept_is_what_the_mixture_model_finds(blend):
    from CoolProp.CoolProp import AbstractState

    point = max((p for p in AbstractState("HEOS", blend.model).all_critical_points() if p.stable), key=lambda p: p.T)
    temperature, pressure = critical_point(blend.designation)
    assert temperature.kelvin == pytest.approx(point.T, abs=0.01)
    assert pressure.kpa == pytest.approx(point.p / 1e3, rel=1e-4)


def test_many_threads_asking_at_once_get_their_own_answers():
    asked = [(d, 100.0 + 0.37 * k) for k in range(400) for d in ("R-134a", "R-12")]
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda a: saturation_temperature(a[0], AbsolutePressure(a[1])).celsius, asked))
    from CoolProp.CoolProp import PropsSI

    for (d, kpa), celsius in list(zip(asked, answers, strict=True))[::37]:
        exact = PropsSI("T", "P", round(kpa, 2) * 1e3, "Q", 1, REFRIGERANTS[d].model) - 273.15
        assert celsius == pytest.approx(exact, abs=1e-6)
