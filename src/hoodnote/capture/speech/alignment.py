"""How well each of many word sequences fits one sound: exact Viterbi scores over the phone states of a CMU Sphinx acoustic model.

pocketsphinx finds the best path of a search and gives no score for any other. It can write down what every phone state
(senone) scores in every frame; with those, all candidates of a clip are scored here at once, each against the
same sound and therefore comparable.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hoodnote.errors import HoodnoteError

_LOG_PER_UNIT = 1024 * math.log(1.0001)     # senone scores are shifted right by 10 bits, base 1.0001
_INTERNAL, _BEGIN, _END, _SINGLE = range(4)
_PAUSE = -5.0                               # natural log for a silence between words
_STATES = 3
_IMPOSSIBLE = -1e30


def read_senone_scores(path: Path) -> np.ndarray:
    """(frames, senones) natural logs, 0 for the best senone of a frame. Raises HoodnoteError when not all were written."""
    data = path.read_bytes()
    head, end, body = data.partition(b"endhdr\n")
    try:
        count = next(int(line.split()[1]) for line in head.decode().splitlines() if line.startswith("n_sen"))
    except (StopIteration, ValueError, UnicodeDecodeError):
        raise HoodnoteError(f"{path.name} holds no senone scores") from None
    rows = np.frombuffer(body[4:len(body) - (len(body) - 4) % (2 * (count + 1))], "<i2").reshape(-1, count + 1)
    if not end or (len(rows) and (rows[:, 0] != count).any()):
        raise HoodnoteError(f"{path.name} does not hold the scores of all senones")
    return rows[:, 1:].astype(np.float32) * np.float32(-_LOG_PER_UNIT)


class PhoneModel:
    """Which senones a phone in its context is made of, and how its states follow each other; read from a model's folder."""

    def __init__(self, folder: Path):
        self._read_definition((folder / "mdef").read_bytes())
        self._read_transitions((folder / "transition_matrices").read_bytes())
        self._known: dict[tuple[int, str, str, str], tuple[np.ndarray, int]] = {}

    def _read_definition(self, data: bytes) -> None:
        if data[:4] != b"BMDF":
            raise HoodnoteError("the acoustic model's definition is not in the binary form; install pocketsphinx again")
        at = 12 + int.from_bytes(data[8:12], "little")
        n_ci, n_phone, n_state, _n_ci_sen, n_sen, _n_tmat, n_sseq, _n_ctx, n_tree, sil = np.frombuffer(data, "<i4", 10, at)
        at += 40
        if n_state != _STATES:
            raise HoodnoteError("the acoustic model has phones of another number of states than three")
        first, names = at, []
        for _ in range(n_ci):
            stop = data.index(b"\0", at)
            names.append(data[at:stop].decode())
            at = stop + 1
        at = first + (at - first + 3) // 4 * 4 + 8 * n_tree
        phones = np.frombuffer(data, np.dtype([("sequence", "<i4"), ("matrix", "<i4"), ("info", "u1", 4)]), n_phone, at)
        at += 12 * n_phone + 4
        self._sequences = np.frombuffer(data, "<u2", n_sseq * _STATES, at).reshape(-1, _STATES)
        self.phones = {name: i for i, name in enumerate(names)}
        self.senones, self.silence = int(n_sen), names[sil]
        self._phones, self._n_ci = phones, int(n_ci)
        info = phones["info"][n_ci:].astype(np.int64)
        keys = ((info[:, 0] * 256 + info[:, 1]) * 256 + info[:, 2]) * 256 + info[:, 3]
        self._order = np.argsort(keys, kind="stable")
        self._keys = keys[self._order]

    def _read_transitions(self, data: bytes) -> None:
        body = data[data.index(b"endhdr\n") + 11:]     # past the header's end and the mark of the byte order
        count, sources, targets, size = np.frombuffer(body, "<i4", 4)
        raw = np.frombuffer(body, "<f4", size, 16).reshape(count, sources, targets)
        shares = raw / raw.sum(axis=2, keepdims=True)
        with np.errstate(divide="ignore"):
            logs = np.log(np.maximum(shares, 1e-4))
        rows = np.arange(_STATES)
        self.stay, self.go = logs[:, rows, rows], logs[:, rows, rows + 1]      # (matrices, states)

    def states(self, position: int, base: str, left: str, right: str) -> tuple[np.ndarray, int]:
        """(senones of the three states, number of the transition matrix) of a phone in context, or of the phone alone where
        the model was never trained on that context."""
        key = (position, base, left, right)
        if key not in self._known:
            self._known[key] = self._find(*key)
        return self._known[key]

    def _find(self, position: int, base: str, left: str, right: str) -> tuple[np.ndarray, int]:
        number = self.phones
        if base != self.silence:
            for place in (position, *(p for p in (_INTERNAL, _BEGIN, _END, _SINGLE) if p != position)):
                wanted = ((place * 256 + number[base]) * 256 + number[left]) * 256 + number[right]
                i = int(np.searchsorted(self._keys, wanted))
                if i < len(self._keys) and self._keys[i] == wanted:
                    phone = self._phones[self._n_ci + self._order[i]]
                    return self._sequences[phone["sequence"]], int(phone["matrix"])
        phone = self._phones[number[base]]
        return self._sequences[phone["sequence"]], int(phone["matrix"])

    def phone_loop(self, scores: np.ndarray) -> np.ndarray:
        """(frames,) natural log of the best context-free phone state in each frame: what no words at all could reach."""
        alone = np.unique(self._sequences[self._phones["sequence"][:self._n_ci]])
        return scores[:, alone].max(axis=1)


@dataclass
class _Chain:
    """Phones of one candidate in one line of nodes with arcs between them."""

    senones: list[np.ndarray]
    matrices: list[int]
    arcs: list[tuple[int, int, float]]     # from a node's end to another's beginning, with a natural log
    starts: list[int]
    ends: list[int]


def candidate_scores(model: PhoneModel, scores: np.ndarray, candidates: Sequence[Sequence[str]],
                     pronunciations: Mapping[str, Sequence[str]]) -> np.ndarray:
    """Natural log of the best alignment of each candidate with the whole sound; silence may lie before, between and after words."""
    chains = [_chain(model, words, pronunciations) for words in candidates]
    offsets = np.cumsum([0, *(len(chain.matrices) for chain in chains)])
    nodes = int(offsets[-1])
    senones = np.concatenate([np.array(chain.senones) for chain in chains])                 # (nodes, 3)
    matrix = np.concatenate([np.array(chain.matrices) for chain in chains])
    stay, go = model.stay[matrix].astype(np.float32), model.go[matrix].astype(np.float32)
    arcs = sorted((b + o, a + o, w) for chain, o in zip(chains, offsets) for a, b, w in chain.arcs)
    target = np.array([a[0] for a in arcs], np.int64)
    source = np.array([a[1] for a in arcs], np.int64)
    weight = np.array([a[2] for a in arcs], np.float32)
    entered, first = np.unique(target, return_index=True) if len(arcs) else (target, target)
    starts = np.array([s + o for chain, o in zip(chains, offsets) for s in chain.starts])

    state = np.full((nodes, _STATES), _IMPOSSIBLE, np.float32)
    state[starts, 0] = scores[0, senones[starts, 0]]
    for frame in scores[1:]:
        leaving = state[:, 2] + go[:, 2]
        moved = state + stay
        np.maximum(moved[:, 1:], state[:, :2] + go[:, :2], out=moved[:, 1:])
        if len(arcs):
            moved[entered, 0] = np.maximum(moved[entered, 0], np.maximum.reduceat(leaving[source] + weight, first))
        state = moved + frame[senones]
    leaving = state[:, 2] + go[:, 2]
    return np.array([max(float(leaving[e + o]) for e in chain.ends) for chain, o in zip(chains, offsets)])


def _chain(model: PhoneModel, words: Sequence[str], pronunciations: Mapping[str, Sequence[str]]) -> _Chain:
    said = [[way.split() for way in pronunciations[word]] for word in words]
    sil = model.silence
    chain = _Chain([], [], [], [], [])

    def node(position: int, base: str, left: str, right: str) -> int:
        senones, matrix = model.states(position, base, left, right)
        chain.senones.append(senones)
        chain.matrices.append(matrix)
        return len(chain.matrices) - 1

    silence = node(_SINGLE, sil, sil, sil)
    chain.starts.append(silence)
    open_ends: dict[tuple[str, str], list[int]] = {}     # (last phone, what it expects to follow) -> nodes
    for index, ways in enumerate(said):
        lefts = sorted({way[-1] for way in said[index - 1]}) if index else []
        rights = sorted({way[0] for way in said[index + 1]}) if index + 1 < len(said) else []
        after: dict[tuple[str, str], list[int]] = {}
        begun: dict[tuple, int] = {}
        for way in ways:
            for left in (*lefts, sil):
                for right in (*rights, sil):
                    line = []
                    for k, base in enumerate(way):
                        place = (_SINGLE if len(way) == 1 else _BEGIN if k == 0 else _END if k == len(way) - 1 else _INTERNAL)
                        key = (tuple(way), k, left if k == 0 or len(way) == 1 else None, right if k == len(way) - 1 else None)
                        if key not in begun:
                            begun[key] = node(place, base, left if k == 0 else way[k - 1], right if k == len(way) - 1 else way[k + 1])
                            if k == 0:
                                if left == sil:
                                    chain.arcs.append((silence, begun[key], 0.0))
                                    if index == 0:
                                        chain.starts.append(begun[key])
                                if left != sil:
                                    chain.arcs += [(end, begun[key], 0.0) for end in open_ends.get((left, base), ())]
                            if k == len(way) - 1:
                                after.setdefault((base, right), []).append(begun[key])
                        line.append(begun[key])
                    chain.arcs += [(a, b, 0.0) for a, b in zip(line, line[1:])]
        silence = node(_SINGLE, sil, sil, sil)
        quiet = [n for (_, right), found in after.items() if right == sil for n in found]
        chain.arcs += [(n, silence, _PAUSE) for n in quiet]
        if index == len(said) - 1:
            chain.ends = [silence, *quiet]
        open_ends = after
    chain.arcs = sorted(set(chain.arcs))
    return chain
