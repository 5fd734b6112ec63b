"""The vacuum after the pump was valved off: the readings against time, with the shapes fitted to them."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks.equipment import Equipment
from hoodnote.checks.evacuation import HoldTest, hold_tests
from hoodnote.checks.hold import NOISE_FRACTION, Fit, Shape
from hoodnote.checks.view import View
from hoodnote.note.ground import Ground
from hoodnote.note.model import Plot
from hoodnote.note.plots import axes, given
from hoodnote.note.plots.axes import Axis, Curve, Frame, Mark, Printed
from hoodnote.physics.gauge import ELECTRONIC_VACUUM_FRACTION
from hoodnote.readings.model import Stage
from hoodnote.units import to_si

_MICRON_AND_PA = (Printed("micron absolute"), Printed("Pa absolute", to_si(1.0, "micron") * 1e3))
_LOOKS = {Shape.FLAT: "dotted", Shape.LEVELLING: "full", Shape.SLOWING: "dash-dotted", Shape.RISING: "dashed"}
_NAMES = {Shape.RISING: "straight"}
_LEAST_WEIGHT = 0.05         # of a shape that is drawn
_STEPS = 60


def hold_plot(ground: Ground, equipment: Equipment) -> Plot | None:
    """Of the last hold with two or more timed readings; None while a vacuum reading is in question."""
    if ground.questions_about("vacuum"):
        return None
    tests = [t for t in hold_tests(View(ground.timeline, equipment)) if len(t.points) > 1]
    if not tests:
        return None
    test = tests[-1]
    frame = _frame(test)
    marks = axes.numbered([Mark("dot", Stage.DURING, p.minute, p.micron, f"{p.minute:g} min {p.micron:,.0f} micron", limit_y=2 * p.sd)
                           for p in test.points])
    curves = list(_curves(test, frame))
    lead = "; ".join(c.text for c in curves) if test.fit else "too few readings to fit a shape to"
    title = f"Vacuum hold test{f', {len(tests)} of {len(tests)}' if len(tests) > 1 else ''}: {test.fit.shape if test.fit else 'no shape yet'}"
    caption = (f"Bars: {given.COVERAGE}, {NOISE_FRACTION:.0%} from reading to reading; the gauge's scale, ±{ELECTRONIC_VACUUM_FRACTION:.0%} for all "
               "readings alike, is left out. Percent: weight of a shape among those fitted. Flat supports tight and dry, levelling off moisture, "
               "straight a leak; common practice, no source.")
    return axes.plot("hold-test", frame, curves, marks, title, lead, caption, listed=False)


def _frame(test: HoldTest) -> Frame:
    first, last = min(0.0, test.points[0].minute), test.points[-1].minute
    spare = 0.05 * (last - first)
    highest = max(p.micron + 2 * p.sd for p in test.points)
    return Frame(Axis(first - spare, last + spare, "time after the pump was valved off", Printed("min")),
                 Axis(0.0, highest * 1.15, "pressure", *_MICRON_AND_PA, ticks=5))


def _curves(test: HoldTest, frame: Frame) -> Iterator[Curve]:
    for fit in test.fit.fits if test.fit else ():
        if fit is test.fit.best or fit.weight >= _LEAST_WEIGHT:
            text = f"{_NAMES.get(fit.shape, fit.shape)}, {_percent(fit.weight)}"
            yield Curve(_line(fit, test.points[0].minute, frame.across.high), _LOOKS[fit.shape], text, "fit")


def _line(fit: Fit, start: float, end: float) -> tuple[tuple[float, float], ...]:
    minutes = [start + (end - start) * i / _STEPS for i in range(_STEPS + 1)]
    return tuple((m, fit.at(m)) for m in minutes)


def _percent(weight: float) -> str:
    return "over 99%" if weight > 0.99 else f"{weight:.0%}"
