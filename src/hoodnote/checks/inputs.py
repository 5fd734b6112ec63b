"""The inputs of one finding: asked for by place or fact, with what is missing or unconfirmed kept beside them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import PRESSURE_PLACES, STAGES, Doubt, Situation, View
from hoodnote.physics.atmosphere import SEA_LEVEL, WEATHER_LIMIT_KPA, station_pressure
from hoodnote.physics.errors import OutOfRange
from hoodnote.physics.uncertain import COVERAGE, expanded, nominal
from hoodnote.readings.facts import si
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Step
from hoodnote.statements.vocabulary import ACTIONS, FACTS, PLACES
from hoodnote.units import UNITS, AbsolutePressure, GaugePressure, Quantity

if TYPE_CHECKING:
    from hoodnote.physics.uncertain import Uncertain

# How far the air may have moved between two stages of one job (common practice, no source).
STAGE_DRIFT_C = 3.0
# Where no altitude was stated sea level is taken, and the place may be as high as this (common practice, no source).
UNSTATED_ALTITUDE_M = 1600.0
_SAME_ALL_JOB = ("altitude", "label_charge", "label_oil")
NOT_CONFIRMED = "(stated, not confirmed)"
# Label and present refrigerant of the usual conversion.
CONVERSION = ("R-12", "R-134a")
OFF_SCALE = "a reading on the graded part of the gauge"


@dataclass(frozen=True)
class Pressure:
    """One side's pressure, kPa. The uncertain figures are None off the gauge's graded scale."""

    gauge: GaugePressure
    limit_kpa: float | None                  # the gauge's limit of error
    above_air: Uncertain | None              # gauge pressure with the gauge's error
    absolute: Uncertain | None               # the same above the station pressure, with the weather's


class Air(NamedTuple):
    celsius: Uncertain
    place: str


@dataclass
class Inputs:
    """Gathers what one finding stands on. `missing` and `doubtful` fill as figures are asked for and not found sure."""

    view: View
    situation: Situation | None = None
    stage: Stage | None = None
    basis: list[int] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)          # how limits and conditions were come by
    altitude_stated: bool = True                            # False once sea level had to be taken

    @property
    def complete(self) -> bool:
        return not self.missing

    def figure(self, place: str, *, quantity: Quantity | None = None, required: bool = True, before: int | None = None) -> Live | None:
        """The last usable figure of this situation or stage, said before a position of the record where one is given; a newer
        unconfirmed one makes it doubtful."""
        stage = self.stage if self.situation is None else None
        found = [x for x in self.view.readings(place, situation=self.situation, stage=stage, quantity=quantity)
                 if before is None or self.view.order(x) < before]
        doubts = [d for d in self.view.doubts if place in d.keys and self._here(d) and (before is None or d.order < before)]
        return self._settle(place, found[-1] if found else None, doubts, required)

    def _here(self, doubt: Doubt) -> bool:
        if self.situation is not None:
            return doubt.situation == self.situation or doubt.situation.engine is None
        return self.stage is None or doubt.situation.stage is self.stage

    def condition(self, place: str, *, required: bool = True) -> Live | None:
        """The figure of the stage that was last said before the readings of this situation ended, else the next one, else the last of an
        earlier stage: for air. The altitude counts whenever it was stated."""
        stage = self.situation.stage if self.situation else self.stage
        until = STAGES.index(stage) if stage and place not in _SAME_ALL_JOB else len(STAGES)
        found = [x for x in self.view.readings(place) if STAGES.index(x.stage) <= until]
        last = found[-1] if found else None
        own = [x for x in found if x.stage is stage]
        if self.situation is not None and own and place not in _SAME_ALL_JOB:
            ended = self.view.ends.get(self.situation, 0)
            last = self._last_before(ended, own)
            for d in self.view.doubts:                     # a pressure that may have been the last one may make it another air
                waiting = [p for p in PRESSURE_PLACES if p in d.keys]
                if waiting and self._here(d) and d.order > ended and self._last_before(d.order, own) is not last:
                    self.lacks(f"{PLACES[waiting[0]].name} {NOT_CONFIRMED}")
            if self.view.order(last) >= ended and any(place in d.keys and d.situation.stage is stage for d in self.view.doubts):
                self.lacks(f"{PLACES[place].name} {NOT_CONFIRMED}")        # a doubtful one would come before it
        doubts = [d for d in self.view.doubts if place in d.keys and STAGES.index(d.situation.stage) <= until]
        return self._settle(place, last, doubts, required)

    def _last_before(self, position: int, own: list[Live]) -> Live:
        return next((x for x in reversed(own) if self.view.order(x) < position), own[0])

    def engine_speed(self) -> Live | None:
        """Of this situation; else the last said since the engine last ran, since people say it before "engine running" too."""
        here = self.situation
        if here is not None and not self.view.spoken(here, ("engine_speed",)):
            before = replace(here, engine=None)
            for x in reversed(self.view.readings("engine_speed", stage=here.stage)):
                where = self.view.situation(x)
                if where.spell == here.spell - 1 and where.engine != "running" and not where.circuit_open:
                    before = where
                    break
            return Inputs(self.view, before, basis=self.basis, missing=self.missing, notes=self.notes).figure("engine_speed", required=False)
        return self.figure("engine_speed", required=False)

    def fact(self, key: str, *, required: bool = True) -> str | None:
        value = self.view.facts.get(key)
        got = self._settle(key, self.view.holder(key), [d for d in self.view.doubts if key in d.keys], required)
        return value if got is not None else None

    def state(self, *actions: str, lasting: bool = False) -> str | None:
        """The last of these steps, which exclude each other, in this situation; `lasting`: or in any situation up to this stage."""
        def counts(situation: Situation) -> bool:
            return situation == self.situation or (lasting and STAGES.index(situation.stage) <= STAGES.index(self.situation.stage))

        found = [x for x in self.view.usable.live
                 if isinstance(x.entry.statement, Step) and x.entry.statement.action in actions and counts(self.view.situation(x))]
        doubts = [d for d in self.view.doubts if d.keys.intersection(actions) and (lasting or self._here(d))]
        last = found[-1] if found else None
        held = self._settle(actions[0], last, doubts, required=False, name=doubts[-1].text if doubts else None)
        return held.entry.statement.action if held else None

    def clutch(self, *, driven: bool = True) -> str | None:
        """Its state in this situation, where stated. `driven`: readings without it say nothing of the cycle and are not enough."""
        found = self.state("clutch_engaged", "clutch_not_engaged", "clutch_cycling")
        if driven and found == "clutch_not_engaged":
            self.lacks("readings with the clutch engaged (it was stated as not engaged)")
        elif driven:
            sides, waiting = self._sides()
            for text in waiting:           # a pressure that waits for its confirmation may be the one that shows both sides equal
                self.lacks(text)
            if not waiting and _alike(sides):
                self.lacks("a difference between low and high side (equal while running: the clutch and its circuit come first)")
        return found

    def sides_equal(self) -> bool:
        """Were both sides read here, and can these gauges not tell them apart?"""
        sides, waiting = self._sides()
        return not waiting and _alike(sides)

    def _sides(self) -> tuple[list[Pressure | None], list[str]]:
        """Low and high side of this situation, and which of the two is not confirmed."""
        both = Inputs(self.view, self.situation)
        return [both.graded(place, required=False) for place in PRESSURE_PLACES], [m for m in both.missing if m.endswith(NOT_CONFIRMED)]

    def refrigerant(self) -> str | None:
        """As stated for the system, else as on its label. Where the two differ nothing can be computed, except for the
        usual conversion of an R-12 system, which keeps its old label until the new one is fitted."""
        stated = self.fact("refrigerant", required=False)
        if stated is None:
            return self.fact("label_refrigerant", required=False) or self._no_refrigerant()
        label = self.view.facts.get("label_refrigerant")
        if label is None or label == stated:
            return stated
        self.basis.append(self.view.facts.basis["label_refrigerant"])
        if CONVERSION == (label, stated):
            self.notes.append(f"taken as converted from {label} to {stated}")
            return stated
        self.lacks(f"one refrigerant: {stated} was stated, the label says {label}")
        return None

    def _no_refrigerant(self) -> None:
        if not any("refrigerant" in m for m in self.missing):
            self.lacks("refrigerant")

    def _settle(self, key: str, last: Live | None, doubts: list[Doubt], required: bool, name: str | None = None) -> Live | None:
        name = name or FACTS.get(key) or ACTIONS.get(key) or PLACES[key].name
        newer = [d for d in doubts if last is None or d.order > self.view.order(last)]
        if newer:
            self.lacks(f"{name} {NOT_CONFIRMED}")
        if last is None:
            if required and not newer:
                self.lacks(name)
            return None
        self.basis.append(last.entry.id)
        if PLACES.get(key) and last.entry.id in self.view.unsettled and key not in ("ambient", "altitude", "humidity"):
            self.lacks(f"{self.view.unsettled[last.entry.id]} {NOT_CONFIRMED}")
        return last

    def lacks(self, what: str) -> None:
        """Note an input that is missing or unconfirmed, as the note will print it."""
        if what not in self.missing:
            self.missing.append(what)

    def ambient_pressure(self) -> AbsolutePressure:
        """Station pressure from the altitude; sea level, with a note, where none was stated."""
        live = self.condition("altitude", required=False)
        if live is None:
            self.altitude_stated = False
            self.notes.append("sea level assumed, no altitude stated")
            return SEA_LEVEL
        metres = si(live)
        try:
            pressure = station_pressure(metres)
        except OutOfRange as problem:
            self.lacks(str(problem))
            return SEA_LEVEL
        self.notes.append(f"station pressure {pressure.kpa:.1f} kPa at {metres:.0f} m")
        return pressure

    def air(self, *places: str) -> Air | None:
        """Temperature in C and place of the first of the places that was read; the last is the required one. Read in an earlier
        stage, it may have moved since."""
        for place in places:
            live = self.condition(place, required=place == places[-1])
            if live is not None:
                celsius = self._thermometer(live)
                stage = self.situation.stage if self.situation else self.stage
                if stage is not None and live.stage is not stage:
                    celsius = celsius + self.view.errors.figure(0.0, STAGE_DRIFT_C, ("drift", live.stage, stage))
                    self.notes.append(f"{PLACES[place].name} was read {live.stage} the work")
                return Air(celsius, place)
        return None

    def temperature(self, place: str) -> Uncertain | None:
        """The last usable figure of a line or of air in this situation, C."""
        live = self.figure(place)
        return None if live is None else self._thermometer(live)

    def _thermometer(self, live: Live) -> Uncertain:
        """Two temperatures count as independent, even of one thermometer: how it touches the line differs each time."""
        return self.view.errors.figure(si(live), self.view.equipment.thermometer_limit_c, ("thermometer", live.entry.id))

    def pressure(self, place: str, *, required: bool = True) -> Pressure | None:
        """Pressure at a side; readings of one gauge share its error, and all share the weather's."""
        live = self.figure(place, required=required)
        if live is None:
            return None
        station = self.ambient_pressure()
        if not self.altitude_stated:
            self.notes.append(f"an altitude of up to {UNSTATED_ALTITUDE_M:.0f} m counted in the ±")
        known, key = self.view.worked_out, ("pressure", live.entry.id, station, self.altitude_stated)
        if key not in known:
            known[key] = self._pressure(live, place, station)
        return known[key]

    def _pressure(self, live: Live, place: str, station: AbsolutePressure) -> Pressure:
        value = gauge_pressure(live, station)
        limit = self.view.equipment.gauges.of(place).limit_of_error_kpa(value)
        if limit is None:
            return Pressure(value, None, None, None)
        figure = self.view.errors.figure
        above = figure(value.kpa, limit, ("gauge", place))
        around = figure(station.kpa, WEATHER_LIMIT_KPA, "weather")
        if not self.altitude_stated:
            around += figure(0.0, station.kpa - station_pressure(UNSTATED_ALTITUDE_M).kpa, "altitude")
        return Pressure(value, limit, above, above + around)

    def graded(self, place: str, *, required: bool = True) -> Pressure | None:
        """As `pressure`, where the gauge's grade holds; else it is named as missing."""
        read = self.pressure(place, required=required)
        if read is not None and read.limit_kpa is None:
            self.lacks(OFF_SCALE)
            return None
        return read

    def finding(self, check: str, title: str, *, expected: str, measured: str, uncertainty: str, outcome: Outcome, why: str,
                source: str, margin_sd: float | None = None) -> Finding:
        """As told when the inputs are complete; otherwise it cannot tell, and says what it lacks."""
        if not self.complete:
            return self.cannot_tell(check, title, expected=expected, measured=measured, source=source)
        missing = ("altitude",) if outcome is Outcome.CANNOT_TELL and not self.altitude_stated else ()
        return Finding(check, title, self._stage_text, expected, measured, self._with_notes(uncertainty), outcome, why,
                       self._basis, missing, source, margin_sd)

    def cannot_tell(self, check: str, title: str, *, expected: str, source: str, measured: str = "", why: str = "") -> Finding:
        lacking = "; ".join(self.missing)
        return Finding(check, title, self._stage_text, expected, measured or "not measured", self._with_notes(""), Outcome.CANNOT_TELL,
                       why or f"The record cannot answer this yet; it lacks: {lacking}.", self._basis, tuple(self.missing), source)

    @property
    def _basis(self) -> tuple[int, ...]:
        return tuple(dict.fromkeys(self.basis))

    @property
    def _stage_text(self) -> str:
        stage = self.situation.stage if self.situation else self.stage
        return stage.value if stage else ""

    def _with_notes(self, uncertainty: str) -> str:
        return "; ".join(dict.fromkeys(t for t in (uncertainty, *self.notes) if t))


def gauge_pressure(live: Live, ambient: AbsolutePressure) -> GaugePressure:
    """A reading of a pressure or vacuum place as gauge pressure: inches of mercury count down from ambient, microns up from zero."""
    unit = live.entry.statement.unit
    if unit == "micron":
        return GaugePressure(si(live) - ambient.kpa)
    if UNITS[unit].quantity is Quantity.VACUUM:
        return GaugePressure(-si(live))
    return GaugePressure(si(live))


def judge(value: float, limit: float, lowest: float, highest: float) -> Outcome:
    """Within the expected range; outside it by more than `limit`, the expanded uncertainty (k = 2); or too close to its edge to tell.

    Whatever the value, a larger limit can turn only OUTSIDE into CANNOT_TELL."""
    if lowest <= value <= highest:
        return Outcome.WITHIN
    distance = lowest - value if value < lowest else value - highest
    return Outcome.OUTSIDE if distance > limit else Outcome.CANNOT_TELL


def margin(value: float, limit: float, lowest: float, highest: float) -> float | None:
    """How many standard deviations (`limit` is k = 2 of them) inside the nearest edge, below 0 outside; None without uncertainty."""
    return min(value - lowest, highest - value) / (limit / COVERAGE) if limit > 0 else None


class Judged(NamedTuple):
    outcome: Outcome
    margin_sd: float | None


def weigh(value: Uncertain, lowest: Uncertain | float, highest: Uncertain | float) -> Judged:
    """`judge` and `margin` of an uncertain figure; errors it has in common with an edge cancel."""
    gaps = [value - lowest, highest - value]
    outcomes = [judge(nominal(gap), expanded(gap), 0.0, float("inf")) for gap in gaps]
    margins = [m for m in (margin(nominal(gap), expanded(gap), 0.0, float("inf")) for gap in gaps) if m is not None]
    worst = next((o for o in (Outcome.OUTSIDE, Outcome.CANNOT_TELL) if o in outcomes), Outcome.WITHIN)
    return Judged(worst, min(margins, default=None))


def _alike(sides: list[Pressure | None]) -> bool:
    if None in sides:
        return False
    gap = sides[1].above_air - sides[0].above_air
    return abs(nominal(gap)) <= expanded(gap)
