"""Stated conclusions held against the record. What ought to be on record first: common practice, no source."""

from __future__ import annotations

import pytest

from hoodnote.checks.causes import claims, rank, unsupported
from hoodnote.checks.model import Claim, Support
from hoodnote.checks.view import View
from hoodnote.statements.vocabulary import CLAIMED
from tests.checks_records import fact, m, psi, record, step, supply, unsure

_CAR = (fact("refrigerant", "R-134a"), fact("expansion_device", "orifice tube"), m("ambient", 86, "F"), m("humidity", 50, "%"))
_RUNS = (step("engine_running"), m("engine_speed", 1500, "rpm"), step("recirculation_on"))
_NORMAL = (*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 27), psi("high_side", 195), m("vent", 46, "F"))
_NOT_PUMPING = (*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 85), psi("high_side", 110), m("vent", 78, "F"), step("noise_at", "compressor"))
_WEIGHED = (m("label_charge", 600, "g"), step("engine_off"), m("recovered", 585, "g"))


def _claims(*statements) -> tuple[Claim, ...]:
    view = View(record(*statements))
    return claims(view, rank(view))


def _claim(*statements) -> Claim:
    (only,) = _claims(*statements)
    return only


def test_compressor_not_pumping_without_a_ratio_is_not_supported():
    claim = _claim(*_CAR, fact("conclusion", "compressor not pumping"))
    assert claim.support is Support.NOT_SUPPORTED and claim.by == "conclusion" and claim.entry == 5
    said = " ".join(claim.missing)
    assert "clutch" in said and "compression ratio" in said and "weight" in said


def test_compressor_not_pumping_without_the_charge_by_weight_is_not_supported_yet():
    claim = _claim(*_NOT_PUMPING, fact("conclusion", "compressor not pumping"))
    assert claim.support is Support.NOT_SUPPORTED and claim.supports
    assert claim.missing == ("the charge confirmed by weight: mass recovered against the label",)


def test_compressor_not_pumping_with_clutch_ratio_and_weight_is_supported():
    claim = _claim(*_NOT_PUMPING, *_WEIGHED, fact("conclusion", "compressor not pumping"))
    assert claim.support is Support.SUPPORTED and not claim.missing


def test_normal_figures_contradict_another_shops_compressor_diagnosis():
    claim = _claim(fact("earlier_diagnosis", "compressor not pumping"), *_NORMAL, m("condenser_outlet", 118, "F"), *_WEIGHED)
    assert claim.support is Support.CONTRADICTED and claim.by == "earlier_diagnosis"
    assert claim.contradicts and all(e.weight < 0 and e.basis for e in claim.contradicts)


def test_a_claim_is_told_in_its_own_words_and_its_kind_apart():
    claim = _claim(*_NORMAL, fact("earlier_diagnosis", "low charge"))
    assert claim.text == "low charge" and claim.by == "earlier_diagnosis"


def test_a_switch_tested_on_both_sides_is_not_asked_for_again():
    # 18 psi is near a low-pressure switch's usual cut-out: whether it should be open is not known, where power ends is
    claim = _claim(*_CAR, step("engine_off"), psi("low_side", 18), psi("high_side", 18), step("clutch_not_engaged"), step("key_on"),
                   step("test_light_proved"), supply("low_pressure_switch_in", True), supply("low_pressure_switch_out", False),
                   fact("conclusion", "open switch"))
    assert not claim.missing and claim.support is Support.NOT_SUPPORTED


def test_a_full_charge_contradicts_low_charge():
    assert _claim(*_NORMAL, *_WEIGHED, fact("conclusion", "low charge")).support is Support.CONTRADICTED


def test_a_leak_with_a_short_charge_supports_low_charge():
    claim = _claim(*_CAR, *_RUNS, step("clutch_engaged"), psi("low_side", 15), psi("high_side", 130), step("leak_found", "condenser"),
                   m("label_charge", 600, "g"), step("engine_off"), m("recovered", 200, "g"), fact("conclusion", "low charge"))
    assert claim.support is Support.SUPPORTED


def test_blown_fuse_found_supports_itself():
    assert _claim(*_CAR, step("clutch_not_engaged"), step("found_blown", "fuse"), fact("conclusion", "blown fuse")).support is Support.SUPPORTED


def test_two_statements_give_two_claims_in_order():
    both = _claims(fact("earlier_diagnosis", "overcharge"), *_NORMAL, fact("conclusion", "nothing found"))
    assert [c.by for c in both] == ["earlier_diagnosis", "conclusion"]
    assert both[0].support is not Support.SUPPORTED and both[1].support is not Support.CONTRADICTED


def test_an_unconfirmed_conclusion_is_no_claim():
    assert _claims(*_NORMAL, unsure(fact("conclusion", "low charge"))) == ()


def test_an_unconfirmed_weight_supports_nothing():
    claim = _claim(*_NOT_PUMPING, *_WEIGHED[:2], unsure(_WEIGHED[2]), fact("conclusion", "compressor not pumping"))
    assert claim.support is Support.NOT_SUPPORTED


@pytest.mark.parametrize("value", CLAIMED)
def test_no_conclusion_stands_on_an_empty_record(value):
    assert _claim(fact("conclusion", value)).support is Support.NOT_SUPPORTED
    line = unsupported(fact("conclusion", value), record())
    assert line and "\n" not in line and "replace" not in line


def test_spoken_conclusion_is_told_at_once_in_one_line():
    assert "record first" in unsupported(fact("conclusion", "compressor not pumping"), record(*_CAR))
    assert "speaks against" in unsupported(fact("conclusion", "low charge"), record(*_NORMAL, *_WEIGHED))
    assert unsupported(fact("conclusion", "compressor not pumping"), record(*_NOT_PUMPING, *_WEIGHED)) is None


def test_other_statements_are_no_conclusions():
    for statement in (None, psi("low_side", 30), step("fan_running"), fact("complaint", "low charge")):
        assert unsupported(statement, record(*_NORMAL)) is None
