"""How well each of many word sequences fits one sound: exact Viterbi scores over the phone states of a CMU Sphinx acoustic model.

pocketsphinx finds the best path of a search and gives no score for any other. It can write down what every phone state
(senone) scores in every frame; with those, all candidates of a clip are scored here at once, each against the
same sound and therefore comparable.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
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


def candidate_scores(model: PhoneModel, scores: np.ndarray, candidates: Sequence[Sequence[str]],
                     pronunciations: Mapping[str, Sequence[str]]) -> np.ndarray:
    """Natural log of the best alignment of each candidate with the whole sound; silence may lie before, between and after words."""
    graph = _Graph(model, pronunciations)
    ends = [graph.add(words) for words in candidates]
    senones, matrix = np.array(graph.senones).T.copy(), np.array(graph.matrices)            # (3, nodes), (nodes,)
    stay, go = model.stay[matrix].T.astype(np.float32), model.go[matrix].T.astype(np.float32)
    arcs = sorted((b, a, w) for (a, b), w in graph.arcs.items())
    target = np.array([a[0] for a in arcs], np.int64)
    source = np.array([a[1] for a in arcs], np.int64)
    weight = np.array([a[2] for a in arcs], np.float32)
    entered, first = np.unique(target, return_index=True) if len(arcs) else (target, target)
    starts = sorted(graph.starts)

    state = np.full((_STATES, len(matrix)), _IMPOSSIBLE, np.float32)
    state[0, starts] = scores[0, senones[0, starts]]
    for frame in scores[1:]:
        moved, onward = state + stay, state + go
        np.maximum(moved[1:], onward[:2], out=moved[1:])
        if len(arcs):
            moved[0, entered] = np.maximum(moved[0, entered], np.maximum.reduceat(onward[2, source] + weight, first))
        state = moved + frame.take(senones)
    leaving = state[2] + go[2]
    return np.array([float(leaving[of_one].max()) for of_one in ends])


class _Graph:
    """Nodes are the phones of all candidates in their contexts, with arcs between them; what several begin with is there once."""

    def __init__(self, model: PhoneModel, pronunciations: Mapping[str, Sequence[str]]):
        self._model, self._pronunciations = model, pronunciations
        self.senones: list[np.ndarray] = []
        self.matrices: list[int] = []
        self.arcs: dict[tuple[int, int], float] = {}           # from a node's end to another's beginning: natural log
        self.starts: set[int] = set()
        self._nodes: dict[tuple, int] = {}
        self._begun: dict[tuple[int, str], int] = {}           # (what was said before, word) -> number of what is said then

    def add(self, words: Sequence[str]) -> list[int]:
        """The nodes that the candidate may end in."""
        said = [[way.split() for way in self._pronunciations[word]] for word in words]
        sil = self._model.silence
        begun = 0
        silence = self._node((begun,), _SINGLE, sil, sil, sil)
        self.starts.add(silence)
        ends = [silence]
        open_ends: dict[tuple[str, str], list[int]] = {}     # (last phone, what it expects to follow) -> nodes
        for index, (word, ways) in enumerate(zip(words, said)):
            begun = self._begun.setdefault((begun, word), len(self._begun) + 1)
            lefts = sorted({way[-1] for way in said[index - 1]}) if index else []
            rights = sorted({way[0] for way in said[index + 1]}) if index + 1 < len(said) else []
            after: dict[tuple[str, str], list[int]] = {}
            for number, way in enumerate(ways):
                for left in (*lefts, sil):
                    for right in (*rights, sil):
                        line = self._word(begun, number, way, left, right)
                        before = [silence] if left == sil else open_ends.get((left, way[0]), ())
                        self.arcs.update(dict.fromkeys(((end, line[0]) for end in before), 0.0))
                        self.arcs.update(dict.fromkeys(zip(line, line[1:]), 0.0))
                        if not index and left == sil:
                            self.starts.add(line[0])
                        after.setdefault((way[-1], right), []).append(line[-1])
            silence = self._node((begun,), _SINGLE, sil, sil, sil)
            quiet = [n for (_, right), found in after.items() if right == sil for n in found]
            self.arcs.update(dict.fromkeys(((n, silence) for n in quiet), _PAUSE))
            ends, open_ends = [silence, *quiet], after
        return ends

    def _word(self, begun: int, number: int, way: Sequence[str], left: str, right: str) -> list[int]:
        """The nodes of one way to say the last word of what is said; only its first and its last phone know their neighbours."""
        line, last = [], len(way) - 1
        for k, base in enumerate(way):
            place = _SINGLE if not last else _BEGIN if k == 0 else _END if k == last else _INTERNAL
            key = (begun, number, k, left if k == 0 else None, right if k == last else None)
            line.append(self._node(key, place, base, left if k == 0 else way[k - 1], right if k == last else way[k + 1]))
        return line

    def _node(self, key: tuple, position: int, base: str, left: str, right: str) -> int:
        if key not in self._nodes:
            self._nodes[key] = len(self.matrices)
            senones, matrix = self._model.states(position, base, left, right)
            self.senones.append(senones)
            self.matrices.append(matrix)
        return self._nodes[key]
