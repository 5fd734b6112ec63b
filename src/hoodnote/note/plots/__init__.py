"""The plots of a note: small SVG drawings, each with what it shows in words."""

from __future__ import annotations

from hoodnote.checks.equipment import Equipment
from hoodnote.note.ground import Ground
from hoodnote.note.model import Plot


def plots(ground: Ground, equipment: Equipment) -> tuple[Plot, ...]:
    """Those for which the record has usable readings."""
    from hoodnote.note.plots.cycle import cycle_plot
    from hoodnote.note.plots.hold import hold_plot
    from hoodnote.note.plots.saturation import saturation_plot

    return tuple(p for draw in (saturation_plot, cycle_plot, hold_plot) if (p := draw(ground, equipment)))
