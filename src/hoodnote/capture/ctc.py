"""Networks that tell for each frame which sign it is, or none: how likely a whole sequence of signs is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

BLANK = 0           # the unit for "no new sign"
_RESCALED = 8       # frames, after which the numbers are made large again


def sequence_logs(logs: np.ndarray, sequences: Sequence[Sequence[int]]) -> np.ndarray:
    """Natural log of each unit sequence given what was heard or seen, over all its alignments.

    logs: (frames, units) natural logs of each unit, the blank first. -inf where there are too few frames, and where all alignments
    together are less likely than 1e-300 of what their beginnings were.
    Source: A. Graves et al., "Connectionist temporal classification", ICML 2006, forward variables, rescaled as there.
    """
    lengths = np.array([len(s) for s in sequences])
    units = np.full((len(sequences), lengths.max()), BLANK)
    for row, sequence in zip(units, sequences):
        row[:len(sequence)] = sequence
    straight = np.zeros(units.shape)                   # 1: from a unit to the next without a blank between; a repeat needs one
    straight[:, 1:] = units[:, 1:] != units[:, :-1]
    at = np.zeros(units.shape)                         # in a unit; `between`: in the blank before each, and after the last
    between = np.zeros((len(sequences), units.shape[1] + 1))
    shares = np.exp(logs.astype(np.float64))
    at[:, 0], between[:, 0] = shares[0, units[:, 0]], shares[0, BLANK]
    scale = np.zeros(len(sequences))
    for t, share in enumerate(shares[1:], 1):
        arrived = at + between[:, :-1]
        arrived[:, 1:] += at[:, :-1] * straight[:, 1:]
        between[:, 1:] += at
        between *= share[BLANK]
        at = arrived * share[units]
        if t % _RESCALED == 0:
            top = np.maximum(at.max(axis=1), between.max(axis=1))
            top[top == 0] = 1.0
            at, between = at / top[:, None], between / top[:, None]
            scale += np.log(top)
    rows = np.arange(len(sequences))
    with np.errstate(divide="ignore"):
        return scale + np.log(between[rows, lengths] + at[rows, lengths - 1])
