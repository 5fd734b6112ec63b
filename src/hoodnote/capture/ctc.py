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
    longest = max(len(s) for s in sequences)
    units = np.full((len(sequences), 2 * longest + 1), BLANK)
    for row, sequence in zip(units, sequences):
        row[1:2 * len(sequence):2] = sequence
    skip = np.zeros(units.shape, bool)                                     # from the unit two before, past the blank between
    skip[:, 3::2] = units[:, 3::2] != units[:, 1:-2:2]
    at = np.full(units.shape, -np.inf)
    at[:, 0], at[:, 1] = logs[0, BLANK], logs[0, units[:, 1]]
    shifted = np.full((2, *units.shape), -np.inf)
    with np.errstate(invalid="ignore"):
        for frame in logs[1:]:
            shifted[0, :, 1:] = at[:, :-1]
            shifted[1, :, 2:] = np.where(skip[:, 2:], at[:, :-2], -np.inf)
            at = np.logaddexp(np.logaddexp(at, shifted[0]), shifted[1]) + frame[units]
    rows, ends = np.arange(len(sequences)), np.array([2 * len(s) for s in sequences])
    return np.logaddexp(at[rows, ends], at[rows, ends - 1])
