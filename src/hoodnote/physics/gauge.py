"""How far a pressure or vacuum gauge may be off.

Analogue grades: ASME B40.100 (from memory), permissible error in percent of span for the first quarter, the middle half
and the last quarter of the scale.
"""

from __future__ import annotations

from dataclasses import dataclass

from hoodnote.units import AbsolutePressure, GaugePressure, to_si

GRADES: dict[str, tuple[float, float, float]] = {
    "4A": (0.1, 0.1, 0.1), "3A": (0.25, 0.25, 0.25), "2A": (0.5, 0.5, 0.5), "1A": (1.0, 1.0, 1.0),
    "A": (2.0, 1.0, 2.0), "B": (3.0, 2.0, 3.0), "C": (4.0, 3.0, 4.0), "D": (5.0, 5.0, 5.0),
}
# An electronic vacuum gauge is commonly good to about a tenth of its reading (common practice, no source).
ELECTRONIC_VACUUM_FRACTION = 0.10
# What a compound gauge can resolve in vacuum: one inch of mercury (common practice, no source).
COMPOUND_VACUUM_LIMIT_KPA = to_si(1.0, "inHg")


@dataclass(frozen=True)
class Gauge:
    """A dial from `start` to `end`; a reading beyond `end` (the retard part of a compound dial) carries no grade."""

    name: str
    start: GaugePressure
    end: GaugePressure
    grade: str = "B"

    def __post_init__(self):
        if self.grade not in GRADES:
            raise ValueError(f"unknown gauge grade {self.grade}; use one of {', '.join(GRADES)}")
        if self.end.kpa <= self.start.kpa:
            raise ValueError("a gauge's scale ends above its start")

    @property
    def span_kpa(self) -> float:
        return self.end.kpa - self.start.kpa

    def graded(self, reading: GaugePressure) -> bool:
        """Half a percent of span of slack, for a needle on the last mark."""
        slack = 0.005 * self.span_kpa
        return self.start.kpa - slack <= reading.kpa <= self.end.kpa + slack

    def limit_of_error_kpa(self, reading: GaugePressure) -> float | None:
        """Plus or minus, in kPa; None where the reading lies off the graded scale."""
        if not self.graded(reading):
            return None
        first, middle, last = GRADES[self.grade]
        at = (reading.kpa - self.start.kpa) / self.span_kpa
        percent = first if at < 0.25 else last if at > 0.75 else middle
        return percent / 100 * self.span_kpa


@dataclass(frozen=True)
class ManifoldGauges:
    low: Gauge
    high: Gauge

    def of(self, place: str) -> Gauge:
        """The gauge that reads a place: "low_side" or "high_side"."""
        return {"low_side": self.low, "high_side": self.high}[place]


# The manifold gauges assumed when the shop states no others (common practice, no source).
USUAL_MANIFOLD = ManifoldGauges(
    low=Gauge("low-side compound gauge", GaugePressure(-to_si(30.0, "inHg")), GaugePressure.of(120, "psi")),
    high=Gauge("high-side gauge", GaugePressure(0.0), GaugePressure.of(500, "psi")),
)


def vacuum_depth_absolute(inches_of_mercury: float, ambient: AbsolutePressure) -> AbsolutePressure:
    """Absolute pressure of a vacuum read in inches of mercury below the ambient pressure."""
    return AbsolutePressure(ambient.kpa - to_si(inches_of_mercury, "inHg"))
