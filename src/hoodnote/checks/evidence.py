"""What the record ought to show for the work it reports, and does not. These findings never pass or fail: they name the gap."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import Inputs
from hoodnote.checks.model import Finding
from hoodnote.checks.view import View
from hoodnote.readings.model import Live, Stage


def check(view: View) -> Iterator[Finding]:
    compressor = view.did("replaced", item="compressor")
    if compressor:
        yield from _compressor(view, compressor)
    opened = view.did("opening_system") or view.did("replaced", item="condenser") or compressor
    charged = next(iter(view.readings("charged")), None) or view.did("charging_finished")
    if opened and charged and not (view.readings("vacuum") or view.readings("pump_time") or view.did("pump_on")):
        yield _gap(view, "vacuum_before_charge", "Vacuum before charging", "a vacuum with its depth or time", (opened, charged),
                   "a vacuum: pump time, depth in microns or a hold test",
                   "The system was opened and charged, and the evidence on record does not show a vacuum in between.")
    leak = view.did("leak_found")
    mended = view.did("repaired", "replaced")
    tested = view.did("no_leak_found", "hold_finished", "hold_started")
    if leak and mended and (tested is None or view.order(tested) < view.order(mended)):
        yield _gap(view, "leak_retest", "Leak test after repair", "a leak test or hold test after the repair", (leak, mended),
                   "a leak test after the repair",
                   "A leak was found and a part repaired, and the evidence on record does not show that the system is tight now.")
    if charged and not view.readings("charged") and not view.touched("charged"):
        yield _gap(view, "charge_by_weight", "Charge by weight", "the mass charged", (charged,), "the mass charged",
                   "Charging was finished, and the evidence on record does not show by what mass: weight is the method, pressures only check it.")
    if charged and not any(view.readings(p, stage=Stage.AFTER) for p in ("low_side", "high_side", "vent")):
        yield _gap(view, "after_readings", "Readings after the work", "pressures and vent temperature after charging", (charged,),
                   "readings after the work", "The system was charged, and the evidence on record does not show how it works afterwards.")


def _compressor(view: View, replaced: Live) -> Iterator[Finding]:
    before = [s for s in view.situations("running") if s.stage is Stage.BEFORE]
    ratio = any(view.readings("low_side", situation=s) and view.readings("high_side", situation=s) for s in before)
    seen = any(view.did(action, item=item) for action in ("noise_at", "debris_found", "leak_found", "found_open", "found_blocked", "found_loose")
               for item in ("compressor", "clutch", "clutch_coil", "shaft_seal"))
    if ratio or seen:
        return
    yield _gap(view, "compressor_evidence", "Evidence for the compressor", "running pressures with the clutch engaged, or noise, debris or a leak",
               (replaced,), "low and high side with the engine running and the clutch engaged before the work",
               "The compressor was replaced, and the evidence on record does not show that it failed to build a pressure ratio, made noise or shed "
               "debris.")


def _gap(view: View, check_id: str, title: str, expected: str, basis: tuple[Live, ...], lacking: str, why: str) -> Finding:
    inputs = Inputs(view)
    inputs.basis += [x.entry.id for x in basis]
    inputs.lacks(lacking)
    return inputs.cannot_tell(check_id, title, expected=expected, source=w.COMMON_PRACTICE, why=why)
