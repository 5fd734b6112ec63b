"""Networks that tell for each frame which sign it is, or none: how likely a whole sequence of signs is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

BLANK = 0           # the unit for "no new sign"


def sequence_logs(logs: np.ndarray, sequences: Sequence[Sequence[int]]) -> np.ndarray:
    """Natural log of each unit sequence given what was heard or seen, over all its alignments.

    logs: (frames, units) natural logs of each unit, the blank first. -inf where there are too few frames.
    Source: A. Graves et al., "Connectionist temporal classification", ICML 2006, forward variables.
    """
    lengths = np.array([len(s) for s in sequences])
    units = np.full((len(sequences), lengths.max()), BLANK)
    for row, sequence in zip(units, sequences):
        row[:len(sequence)] = sequence
    straight = np.full(units.shape, -np.inf)           # from a unit to the next without a blank between, which a repeat needs
    straight[:, 1:][units[:, 1:] != units[:, :-1]] = 0.0
    at = np.full(units.shape, -np.inf)                 # in a unit; `between`: in the blank before each, and after the last
    between = np.full((len(sequences), units.shape[1] + 1), -np.inf)
    at[:, 0], between[:, 0] = logs[0, units[:, 0]], logs[0, BLANK]
    passed = np.full(units.shape, -np.inf)
    for frame in logs[1:]:
        passed[:, 1:] = at[:, :-1]
        stayed = np.logaddexp(at, between[:, :-1])
        between[:, 1:] = np.logaddexp(between[:, 1:], at)
        between += frame[BLANK]
        at = np.logaddexp(stayed, passed + straight) + frame[units]
    rows = np.arange(len(sequences))
    return np.logaddexp(between[rows, lengths], at[rows, lengths - 1])
