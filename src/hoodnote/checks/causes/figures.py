"""Observations from figures: pressures and temperatures as the vehicle came, each as soft evidence from its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from math import hypot
from typing import TYPE_CHECKING

from hoodnote.checks import wording as w
from hoodnote.checks.bands import ENGINE_SPEED_UNSTATED, HUMIDITY_UNSTATED, common_limits
from hoodnote.checks.causes.network import Observed
from hoodnote.checks.causes.scope import Scope
from hoodnote.checks.causes.soft import agreement, likely, observed
from hoodnote.checks.causes.tables import SIDE_WORDS, VACUUM, Axis, tables
from hoodnote.checks.inputs import Inputs, Pressure
from hoodnote.checks.view import PRESSURE_PLACES, Situation
from hoodnote.physics.errors import NoSaturation
from hoodnote.physics.saturation import Quality
from hoodnote.physics.uncertain import nominal, saturation_temperature
from hoodnote.readings.facts import si
from hoodnote.statements.vocabulary import PLACES
from hoodnote.units import GaugePressure, to_si

if TYPE_CHECKING:
    from hoodnote.physics.cycle import Expected
    from hoodnote.physics.uncertain import Uncertain

_LINES = ("suction_line", "discharge_line", "liquid_line", "condenser_outlet", "evaporator_inlet", "evaporator_outlet")
RUNNING_PLACES = ("low_side", "high_side", "vent", "condenser_air_out", *_LINES)
# Low and high side nearer than this while running count as equal (common practice, no source).
_EQUAL_KPA = to_si(15, "psi")
# After this long at rest the system has taken the air's temperature; before it, only a cold reading says something (common practice, no source).
_COOL_MINUTES = 30.0
# Equipment: SAE J2788 as printed in 40 CFR 82 subpart B appendix C; it may leave up to this share behind (from memory).
_WEIGHING_KG, _LEFT_BEHIND = 0.015, 0.05


_BANDS = ("low_kpa", "high_kpa", "vent_c")
_BAND_OF = {"low_side": "low_kpa", "high_side": "high_kpa"}


@dataclass(frozen=True)
class _Side:
    """One side's pressure while running; None where it was not read for sure."""

    pressure: Pressure | None
    agrees: tuple[float, ...]
    text: str                            # with its words; "" where nothing can be said of it by itself
    plain: str
    basis: tuple[int, ...]


@dataclass
class Figures:
    """The figures of one record. `limits` fills with what was assumed or is not known."""

    scope: Scope
    device: str | None
    control: str | None
    limits: list[str]
    standing_still: bool                # the clutch was seen not engaged
    drift: dict[str, float] = field(default_factory=dict)      # how far a band may lie off for the air thermometer's error, 1 sd

    @cached_property
    def running(self) -> Situation | None:
        return self.scope.situation("running", *RUNNING_PLACES)

    def all(self) -> Iterator[Observed]:
        for found in (self._static(), *self._running(), self._weight()):
            if found is not None:
                yield found

    # engine off ---------------------------------------------------------------------------------------------------------------
    def _static(self) -> Observed | None:
        situation = self.scope.situation("off", "low_side", "high_side")
        if situation is None and self.standing_still:
            situation = self.scope.situation("running", "low_side", "high_side")
        if situation is None:
            return None
        inputs = self.scope.inputs(situation)
        sides = [p for p in (inputs.pressure(place, required=False) for place in ("low_side", "high_side")) if p and p.limit_kpa is not None]
        air, refrigerant = inputs.air("ambient"), inputs.refrigerant()
        if not sides or air is None or refrigerant is None or not inputs.complete or self._apart(sides):
            return None
        side = min(sides, key=lambda p: p.limit_kpa)
        if nominal(side.absolute) <= 0:
            return None
        try:
            above = saturation_temperature(refrigerant, side.absolute, Quality.BUBBLE) - air.celsius
        except NoSaturation:
            return None
        table = tables().observables["static"]
        agrees = agreement(nominal(above), above.std_dev, table.edges)
        detail = f"{w.pressure(side.gauge)}, air {w.temperature(nominal(air.celsius))}"
        if self._may_be_warm(situation):
            near = table.states.index("near")
            agrees = (*agrees[:near], *(sum(agrees[i:]) for i in range(near, len(agrees))))
            detail += "; parts may still be warmer than the air"
        return observed(table, agrees, detail, inputs.basis)

    @staticmethod
    def _apart(sides: list[Pressure]) -> bool:
        return len(sides) > 1 and abs(sides[0].gauge.kpa - sides[1].gauge.kpa) > sides[0].limit_kpa + sides[1].limit_kpa

    def _may_be_warm(self, situation: Situation) -> bool:
        """Did the engine run earlier, without a stated rest since?"""
        if situation.engine != "off":
            return False
        ran = any(self.scope.view.situation(x).engine == "running" and self.scope.view.situation(x).spell < situation.spell
                  for x in self.scope.view.usable.live)
        rested = [x for x in self.scope.readings("settle_time") if self.scope.view.situation(x) == situation]
        return ran and not (rested and si(rested[-1]) >= _COOL_MINUTES)

    # running ------------------------------------------------------------------------------------------------------------------
    def _running(self) -> Iterator[Observed | None]:
        if self.running is None:
            return
        # where the clutch was seen out, pressures are equal whatever the cause
        pressures = None if self.standing_still else self._pressures()
        yield pressures
        yield self._vent()
        if self.standing_still or equal(pressures):
            return
        yield self._over("superheat", "evaporator_outlet", "low_side")
        yield self._over("suction", "suction_line", "low_side")
        yield self._over("discharge", "discharge_line", "high_side")
        yield self._below("subcooling", "condenser_outlet")
        yield self._below("liquid_line", "liquid_line")
        yield self._across_evaporator()
        yield self._condenser_rise()

    @cached_property
    def expected(self) -> Expected | None:
        """What sound systems show at the stated conditions; None where refrigerant or air temperature is not known or not covered."""
        inputs = self._inputs()
        air, refrigerant, station = inputs.air("condenser_air_in", "ambient"), inputs.refrigerant(), inputs.ambient_pressure()
        humidity, speed = inputs.condition("humidity", required=False), inputs.engine_speed()
        intake = inputs.state("recirculation_on", "fresh_air", lasting=True)
        if air is None or refrigerant is None or not inputs.complete:
            return None
        for what, known in (("humidity", humidity), ("engine speed", speed), ("recirculation or fresh air", intake)):
            if known is None:
                self.limits.append(f"{what} not stated: the expected band spans the usual ones")
        asked = list(product((si(humidity) / 100,) if humidity else HUMIDITY_UNSTATED, (si(speed),) if speed else ENGINE_SPEED_UNSTATED,
                             (intake == "recirculation_on",) if intake else (True, False)))

        def at(celsius: float) -> Expected | None:
            return _span(refrigerant, self.device, self.control, [(celsius, h, station.kpa, rpm, r) for h, rpm, r in asked])

        here = at(nominal(air.celsius))
        if here is None:
            self.limits.append("no expected band at the stated conditions, so running pressures and vent temperature are not weighed")
            return None
        near = at(nominal(air.celsius) + 1) or at(nominal(air.celsius) - 1) or here
        for name in _BANDS:
            self.drift[name] = abs(getattr(near, name).middle - getattr(here, name).middle) * air.celsius.std_dev
        self.limits.extend(here.limits)
        return here

    def _inputs(self) -> Inputs:
        return self.scope.inputs(self.running)

    def _pressures(self) -> Observed | None:
        """Both sides together, since a pattern is what tells; one alone agrees with every state of the other."""
        table = tables().observables["pressures"]
        low, high = (self._side(place, axis) for place, axis in zip(PRESSURE_PLACES, table.axes, strict=True))
        read = [s for s in (low, high) if s.pressure is not None]
        if not read or (len(read) == 1 and not read[0].text):
            return None
        # one side alone: equal pressures would show as a high low side or a low high side
        same, apart = low.agrees[-1] if high.pressure is None else high.agrees[0], 1.0
        if len(read) == 2:
            gap = high.pressure.above_air - low.pressure.above_air
            same = agreement(nominal(gap), gap.std_dev, (_EQUAL_KPA,))[0]
            apart = 1 - same
        agrees = tuple(a * b * apart for a in low.agrees for b in high.agrees) + (same,)
        if sum(agrees) <= 0:
            return None
        basis = tuple(dict.fromkeys(n for s in read for n in s.basis))
        if len(read) == 2 and same > 0.5:
            return observed(table, agrees, f"{w.pressure(low.pressure.gauge)} and {w.pressure(high.pressure.gauge)}", list(basis))
        return Observed(table, agrees, "; ".join(s.text or s.plain for s in read), basis)

    def _side(self, place: str, axis: Axis) -> _Side:
        """One side against its expected band; all states equally where there is no band or no sure reading."""
        inputs, name = self._inputs(), PLACES[place].name
        side = inputs.graded(place, required=False)
        open_to = (1.0,) * len(axis.states)
        if side is None or not inputs.complete:
            return _Side(None, open_to, "", "", ())
        plain = f"{name} {w.pressure(side.gauge)}"
        vacuum = agreement(side.gauge.kpa, side.above_air.std_dev, (0.0,))[0] if axis.states[0] == VACUUM else 0.0
        band = getattr(self.expected, _BAND_OF[place], None)
        if band is None:
            agrees = (vacuum, *(1 - vacuum,) * (len(axis.states) - 1)) if axis.states[0] == VACUUM else open_to
            return _Side(side, agrees, f"{plain}: in a vacuum" if vacuum > 0.5 else "", plain, tuple(inputs.basis))
        half = band.high - band.middle if side.gauge.kpa > band.middle else band.middle - band.low
        sd = hypot(side.above_air.std_dev, self.drift[_BAND_OF[place]])
        rest = agreement((side.gauge.kpa - band.middle) / half, sd / half, axis.edges)
        agrees = (vacuum, *((1 - vacuum) * r for r in rest)) if axis.states[0] == VACUUM else rest
        words = likely(agrees, tuple(SIDE_WORDS[s] for s in axis.states))
        text = f"{plain}, expected {w.pressure_range(GaugePressure(band.low), GaugePressure(band.high))}: {words}"
        return _Side(side, agrees, text, plain, tuple(inputs.basis))

    def _vent(self) -> Observed | None:
        inputs = self._inputs()
        vent = self._line(inputs, "vent")
        if vent is None or not inputs.complete or self.expected is None:
            return None
        table, band = tables().observables["vent"], self.expected.vent_c
        spread = hypot(vent.std_dev, self.drift["vent_c"], (band.high - band.low) / 4)
        return observed(table, agreement(nominal(vent) - band.middle, spread, table.edges),
                        f"{w.temperature(nominal(vent))}, expected {w.temperature_range(band.low, band.high)}", inputs.basis)

    def _saturation(self, inputs: Inputs, side: str) -> Uncertain | None:
        read, refrigerant = inputs.graded(side), inputs.refrigerant()
        if read is None or refrigerant is None or not inputs.complete:
            return None
        try:
            return saturation_temperature(refrigerant, read.absolute, Quality.DEW if side == "low_side" else Quality.BUBBLE)
        except NoSaturation:
            return None

    def _over(self, name: str, place: str, side: str) -> Observed | None:
        """A line's temperature above the saturation temperature of its side."""
        inputs = self._inputs()
        line, saturated = self._line(inputs, place), self._saturation(inputs, side)
        if line is None or saturated is None or not inputs.complete:
            return None
        return self._graded(name, line - saturated, inputs)

    def _below(self, name: str, place: str) -> Observed | None:
        """A line's temperature below the condensing saturation temperature."""
        inputs = self._inputs()
        line, saturated = self._line(inputs, place), self._saturation(inputs, "high_side")
        if line is None or saturated is None or not inputs.complete:
            return None
        return self._graded(name, saturated - line, inputs)

    def _line(self, inputs: Inputs, place: str) -> Uncertain | None:
        return inputs.temperature(place) if self.scope.view.readings(place, situation=self.running) else None

    def _across_evaporator(self) -> Observed | None:
        inputs = self._inputs()
        out, into = self._line(inputs, "evaporator_outlet"), self._line(inputs, "evaporator_inlet")
        return self._graded("across_evaporator", out - into, inputs) if out is not None and into is not None and inputs.complete else None

    def _condenser_rise(self) -> Observed | None:
        inputs = self._inputs()
        out, air = self._line(inputs, "condenser_air_out"), inputs.air("condenser_air_in", "ambient")
        return self._graded("condenser_rise", out - air.celsius, inputs) if out is not None and air is not None and inputs.complete else None

    @staticmethod
    def _graded(name: str, value: Uncertain, inputs: Inputs) -> Observed:
        table = tables().observables[name]
        return observed(table, agreement(nominal(value), value.std_dev, table.edges), w.difference(nominal(value)), inputs.basis)

    # by weight ----------------------------------------------------------------------------------------------------------------
    def _weight(self) -> Observed | None:
        """The mass that came back, with what equipment leaves behind, as a share of the label's."""
        inputs = self.scope.inputs()
        found = self.scope.readings("recovered")
        live, label = inputs.figure("recovered", required=False), inputs.condition("label_charge", required=False)
        if len(found) != 1 or live is None or label is None or not inputs.complete or si(label) <= 0:
            return None
        table, full = tables().observables["charge_weight"], si(label)
        share = si(live) / full + _LEFT_BEHIND / 2
        sd = hypot(_WEIGHING_KG / full, _LEFT_BEHIND / 2) / 3 ** 0.5
        return observed(table, agreement(share, sd, table.edges), f"{w.mass(si(live))} of {w.mass(full)}", inputs.basis)


def equal(pressures: Observed | None) -> bool:
    """Were both sides read, and more likely equal than not?"""
    return pressures is not None and pressures.whole and pressures.agreement[-1] > 0.5


def _span(refrigerant: str, device: str | None, control: str | None, asked: list[tuple]) -> Expected | None:
    """One band over the conditions asked for, less those that no weather has or no compressor would run in; None where none is covered."""
    from hoodnote.physics.cycle import Band, Conditions, expected

    try:
        bands = [b for conditions in asked if (b := expected(refrigerant, device, control, Conditions(*conditions))) is not None]
    except NoSaturation:
        return None
    if not bands:
        return None

    def over(name: str) -> Band:
        each = [getattr(b, name) for b in bands]
        return Band(min(b.low for b in each), sum(b.middle for b in each) / len(each), max(b.high for b in each))

    return replace(bands[0], limits=common_limits(bands), **{name: over(name) for name in _BANDS})
