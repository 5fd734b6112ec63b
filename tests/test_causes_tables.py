"""The tables of candidate causes: what a broken one is refused for, and that nothing in them hangs loose."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from importlib.resources import files

import pytest

from hoodnote.checks.causes.tables import DEVICES, read, tables
from hoodnote.checks.circuits import FAULTS
from hoodnote.physics.cycle.model import FAULTS as MODELLED
from hoodnote.statements.vocabulary import ACTIONS, CLAIMED

# Found by the way, or told by somebody: no check of its own asks for them.
_INCIDENTAL = {"engine", "glass", "noise", "debris", "stain", "ground", "found_blocked"}


@pytest.fixture
def raw() -> list[dict]:
    folder = files("hoodnote.checks.causes")
    return [tomllib.loads(folder.joinpath(f"{n}.toml").read_text("utf-8")) for n in ("causes", "observations", "patterns", "checks")]


def test_every_row_is_a_distribution_over_the_states():
    for observable in tables().observables.values():
        for device in (*DEVICES, None):
            rows = observable.likelihood(device)
            assert rows.shape == (len(tables().causes), len(observable.states))
            assert rows.min() >= 0 and rows.sum(axis=1) == pytest.approx(1.0)


def test_priors_are_a_distribution_and_an_orifice_tube_has_no_valve_to_stick():
    for device in (*DEVICES, None):
        assert tables().prior(device).sum() == pytest.approx(1.0)
    stuck = tables().index("valve_stuck_open")
    assert tables().prior("orifice tube")[stuck] < tables().prior("expansion valve")[stuck]


def test_faults_of_the_cycle_model_and_of_the_clutch_circuit_are_causes():
    ids = {c.id for c in tables().causes}
    assert set(MODELLED) <= ids and set(FAULTS) <= ids and {"moisture", "leak", "nothing", "clutch_coil", "clutch_ground"} <= ids
    assert set(FAULTS) <= set(tables().observables["lost"].states)


def test_everything_that_can_be_claimed_maps_to_causes_and_needs():
    assert set(tables().claims) == set(CLAIMED)
    for rule in tables().claims.values():
        assert rule.causes and rule.needs


def test_what_meets_a_need_is_observed():
    for need in tables().needs.values():
        assert set(need.met_by) <= {*tables().observables, "ratio"}


def test_every_observation_is_asked_for_by_a_check_or_known_as_incidental():
    asked = {name for check in tables().checks for name in check.gives}
    assert asked | _INCIDENTAL == set(tables().observables) and not asked & _INCIDENTAL


def test_steps_that_say_something_of_a_cause_are_all_read():
    read_ = {key.partition(" ")[0] for said in tables().steps.values() for key in said}
    telling = {a for a in ACTIONS if a.startswith(("clutch_", "fan_", "airflow_", "needle_", "sight_glass_", "found_")) or
               a in ("frost_at", "noise_at", "debris_found", "oil_stain", "leak_found", "no_leak_found", "engine_hot")}
    assert telling <= read_


def test_no_text_tells_anyone_to_replace_a_part():
    texts = [t for c in tables().causes for t in (c.name, c.confirm)] + [c.text for c in tables().checks]
    assert not [t for t in texts if "replace" in t.lower()]


@pytest.mark.parametrize("table, path, value, said", [
    (1, ("observation", "fan", "rows", "default"), [0.5, 0.4], "sum to 1"),
    (1, ("observation", "fan", "rows", "default"), [1.0], "sum to 1"),
    (1, ("observation", "fan", "rows", "warp_core"), [0.5, 0.5], "warp_core"),
    (1, ("observation", "fan", "words"), ["running"], "observation.fan"),
    (1, ("observation", "superheat", "edges"), [4.0, 1.5, 10.0, 17.0], "observation.superheat"),
    (1, ("steps", "fan", "fan_running"), "spinning", "spinning"),
    (1, ("steps", "fan", "fan_dancing"), "running", "fan_dancing"),
    (0, ("claim", "low charge", "causes"), ["gremlin"], "gremlin"),
    (0, ("claim", "low charge", "needs"), ["courage"], "courage"),
    (0, ("cause", "air", "prior"), 0, "prior"),
    (2, ("warp", "orifice tube"), {}, "warp"),
    (3, ("check", "vent", "gives"), ["mood"], "mood"),
    (3, ("check", "vent", "when"), "tuesday", "tuesday"),
])
def test_a_broken_table_is_refused_by_name(raw, table, path, value, said):
    broken = deepcopy(raw)
    at = broken[table]
    for key in path[:-1]:
        at = at.setdefault(key, {})
    at[path[-1]] = value
    with pytest.raises(ValueError, match=said):
        read(*broken)
