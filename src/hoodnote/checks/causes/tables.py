"""The tables behind the candidate causes, read from TOML and held against each other when they are loaded."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from hoodnote.errors import HoodnoteError
from hoodnote.statements.vocabulary import ACTIONS, PARTS

if TYPE_CHECKING:
    from numpy import ndarray

ORIFICE_TUBE = "orifice tube"
DEVICES = (ORIFICE_TUBE, "expansion valve")
EQUAL = "equal"                       # pressures equal while running
STOPPED = "stopped"                   # row of every cause under which the compressor stands still
VACUUM = "vacuum"
SIDE_WORDS = {VACUUM: "in a vacuum", "low": "below", "lower": "lower half", "upper": "upper half", "high": "above", "far": "far above"}
MOMENTS = ("closed", "running", "open", "stopped")
SOURCE = "common practice, no source; rows of running figures from the model of the cycle"


@dataclass(frozen=True)
class CauseText:
    id: str
    name: str
    confirm: str
    prior: float
    prior_orifice_tube: float
    stopped: bool                     # the compressor does not turn


@dataclass(frozen=True)
class Axis:
    """The states of one side's pressure against its expected band. A vacuum, where it is a state, comes before the edges."""

    states: tuple[str, ...]
    edges: tuple[float, ...]


@dataclass(frozen=True)
class Observable:
    """One thing that can be observed: its states in order, their words, and P(state | cause) for each expansion device."""

    id: str
    name: str
    group: str
    states: tuple[str, ...]
    words: tuple[str, ...]
    edges: tuple[float, ...]                       # part the states of a figure; empty where it is seen, not measured
    axes: tuple[Axis, ...]                         # low and high side, for the two pressures together
    rows: dict[str, ndarray]                       # expansion device -> causes x states

    def likelihood(self, device: str | None) -> ndarray:
        """P(state | cause), causes x states; the mean of both expansion devices where it was not stated."""
        return self.rows[device] if device else sum(self.rows.values()) / len(self.rows)


@dataclass(frozen=True)
class Check:
    id: str
    text: str
    gives: tuple[str, ...]
    needs: tuple[str, ...]
    when: str
    minutes: float
    caution: str


@dataclass(frozen=True)
class ClaimRule:
    causes: tuple[str, ...]
    needs: tuple[str, ...]


@dataclass(frozen=True)
class Need:
    text: str
    met_by: tuple[str, ...]


@dataclass(frozen=True)
class Tables:
    causes: tuple[CauseText, ...]
    observables: dict[str, Observable]
    checks: tuple[Check, ...]
    claims: dict[str, ClaimRule]
    needs: dict[str, Need]
    steps: dict[str, dict[str, str]]               # observable -> "action" or "action item" -> state

    def prior(self, device: str | None) -> ndarray:
        """Sums to 1, in the order of the causes."""
        from numpy import array

        parts = array([c.prior_orifice_tube if device == ORIFICE_TUBE else c.prior for c in self.causes])
        return parts / parts.sum()

    def index(self, cause: str) -> int:
        return [c.id for c in self.causes].index(cause)


@cache
def tables() -> Tables:
    """Raises HoodnoteError where a shipped table does not hold together."""
    folder = files("hoodnote.checks.causes")
    try:
        causes, seen, patterns, checks = (tomllib.loads(folder.joinpath(f"{name}.toml").read_text("utf-8"))
                                          for name in ("causes", "observations", "patterns", "checks"))
        return read(causes, seen, patterns, checks)
    except (OSError, KeyError, ValueError, TypeError) as error:
        raise HoodnoteError(f"the tables of candidate causes cannot be used ({error}); install hoodnote again") from None


def read(causes: dict[str, Any], seen: dict[str, Any], patterns: dict[str, Any], checks: dict[str, Any]) -> Tables:
    """Raises ValueError naming the table and key that is wrong."""
    texts = tuple(CauseText(k, v["name"], v["confirm"], float(v["prior"]), float(v.get("prior_orifice_tube", v["prior"])),
                            v.get("stopped", False)) for k, v in causes["cause"].items())
    if any(min(t.prior, t.prior_orifice_tube) <= 0 for t in texts):
        raise ValueError("every cause has a prior above 0")
    observables = {k: _observable(k, v, patterns.get(k, {}), texts) for k, v in seen["observation"].items()}
    _known("patterns", patterns, observables)
    asked = tuple(Check(k, v["text"], tuple(v["gives"]), tuple(v.get("needs", ())), v["when"], float(v["minutes"]), v.get("caution", ""))
                  for k, v in checks["check"].items())
    for c in asked:
        _known(f"check.{c.id}.gives", c.gives, observables)
        _known(f"check.{c.id}.when", [c.when], MOMENTS)
    needs = {k: Need(v["text"], tuple(v["met_by"])) for k, v in causes["need"].items()}
    claims = {k: ClaimRule(tuple(v["causes"]), tuple(v["needs"])) for k, v in causes["claim"].items()}
    for name, rule in claims.items():
        _known(f"claim.{name}.causes", rule.causes, [t.id for t in texts])
        _known(f"claim.{name}.needs", rule.needs, needs)
    _known("steps", seen["steps"], observables)
    for name, said in seen["steps"].items():
        _known(f"steps.{name}", said.values(), observables[name].states)
        _known(f"steps.{name}", [key.partition(" ")[0] for key in said], ACTIONS)
        _known(f"steps.{name}", [key.partition(" ")[2] for key in said if " " in key], PARTS)
    return Tables(texts, observables, asked, claims, needs, seen["steps"])


def _observable(name: str, data: dict[str, Any], pattern: dict[str, Any], causes: tuple[CauseText, ...]) -> Observable:
    if "low" in data:
        pairs = [(a, b) for a in data["low"] for b in data["high"]]
        states = (*(f"{a}/{b}" for a, b in pairs), EQUAL)
        words = (*(f"low side {SIDE_WORDS[a]}, high side {SIDE_WORDS[b]}" for a, b in pairs), "equal while running")
        axes = (Axis(tuple(data["low"]), tuple(data["low_edges"])), Axis(tuple(data["high"]), tuple(data["high_edges"])))
    else:
        states, words, axes = tuple(data["states"]), tuple(data["words"]), ()
    edges = tuple(data.get("edges", ()))
    if len(states) != len(words) or (edges and len(edges) != len(states) - 1) or list(edges) != sorted(edges):
        raise ValueError(f"observation.{name}: states, words and edges do not fit each other")
    by_device = {device: data["rows"] if "rows" in data else pattern[device] for device in DEVICES}
    return Observable(name, data["name"], data["group"], states, words, edges, axes,
                      {d: _matrix(name, rows, causes, len(states)) for d, rows in by_device.items()})




def _matrix(name: str, rows: dict[str, list[float]], causes: tuple[CauseText, ...], width: int) -> ndarray:
    from numpy import array

    _known(f"rows of {name}", rows, [*(c.id for c in causes), "default", STOPPED])
    for key, row in rows.items():
        if len(row) != width or min(row) < 0 or abs(sum(row) - 1) > 0.005:
            raise ValueError(f"row {key} of {name} has {width} probabilities that sum to 1")
    chosen = [rows.get(c.id) or (rows.get(STOPPED) if c.stopped else None) or rows["default"] for c in causes]
    matrix = array(chosen, dtype=float)
    return matrix / matrix.sum(axis=1, keepdims=True)


def _known(where: str, keys: Any, allowed: Any) -> None:
    unknown = [k for k in keys if k not in allowed]
    if unknown:
        raise ValueError(f"{where} names {', '.join(unknown)}, which is not known")
