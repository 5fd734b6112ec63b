"""The acoustic model of pocketsphinx, read from its folder: which senones a phone in its context is made of, and how its states follow
each other; and the part of it that a few sentences need, written as pocketsphinx reads it.

A senone is the state of a phone in context; every frame of sound gets a score for each. Most of the time of a decoding goes into those
scores, and few sentences need few of them.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path

import numpy as np

from hoodnote.errors import HoodnoteError

INTERNAL, BEGIN, END, SINGLE = range(4)     # where in its word a phone stands
STATES = 3
_LOG_PER_UNIT = 1024 * math.log(1.0001)     # senone scores are shifted right by 10 bits, base 1.0001


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
        self._folder = folder
        self._read_definition((folder / "mdef").read_bytes())
        self._read_transitions((folder / "transition_matrices").read_bytes())
        self._known: dict[tuple[int, str, str, str], tuple[np.ndarray, int]] = {}

    def _read_definition(self, data: bytes) -> None:
        if data[:4] != b"BMDF":
            raise HoodnoteError("the acoustic model's definition is not in the binary form; install pocketsphinx again")
        at = 12 + int.from_bytes(data[8:12], "little")
        n_ci, n_phone, n_state, _n_ci_sen, n_sen, _n_tmat, n_sseq, _n_ctx, n_tree, sil = np.frombuffer(data, "<i4", 10, at)
        self._count_at = at + 16
        at += 40
        if n_state != STATES:
            raise HoodnoteError("the acoustic model has phones of another number of states than three")
        first, names = at, []
        for _ in range(n_ci):
            stop = data.index(b"\0", at)
            names.append(data[at:stop].decode())
            at = stop + 1
        at = first + (at - first + 3) // 4 * 4 + 8 * n_tree
        phones = np.frombuffer(data, np.dtype([("sequence", "<i4"), ("matrix", "<i4"), ("info", "u1", 4)]), n_phone, at)
        at += 12 * n_phone + 4
        self._sequences_at = at
        self._sequences = np.frombuffer(data, "<u2", n_sseq * STATES, at).reshape(-1, STATES)
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
        rows = np.arange(STATES)
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
            for place in (position, *(p for p in (INTERNAL, BEGIN, END, SINGLE) if p != position)):
                wanted = ((place * 256 + number[base]) * 256 + number[left]) * 256 + number[right]
                i = int(np.searchsorted(self._keys, wanted))
                if i < len(self._keys) and self._keys[i] == wanted:
                    phone = self._phones[self._n_ci + self._order[i]]
                    return self._sequences[phone["sequence"]], int(phone["matrix"])
        phone = self._phones[number[base]]
        return self._sequences[phone["sequence"]], int(phone["matrix"])

    def part(self, senones: Iterable[int], folder: Path) -> PhoneModel:
        """The model with these senones and those of phones without context, numbered anew; "mdef" and "sendump" of it are written into the folder.

        In those files a phone that needs another senone has that of the phone alone; here its states say -1.
        """
        used = np.union1d(self._of_phones_alone(), np.fromiter(senones, np.int64))
        number = np.full(self.senones, -1, np.int32)
        number[used] = np.arange(len(used))
        written = np.where(number >= 0, number, number[self._stand_ins])
        data = bytearray((self._folder / "mdef").read_bytes())
        data[self._count_at:self._count_at + 4] = np.int32(len(used)).tobytes()
        data[self._sequences_at:self._sequences_at + self._sequences.nbytes] = written.astype("<u2")[self._sequences].tobytes()
        (folder / "mdef").write_bytes(data)
        head, weights = self._weights
        (folder / "sendump").write_bytes(head[:-4] + np.int32(len(used)).tobytes() + weights[:, used].tobytes())
        part = copy.copy(self)
        part._sequences, part.senones, part._known = number[self._sequences], len(used), {}
        return part

    @cached_property
    def _stand_ins(self) -> np.ndarray:
        """(senones,) that of the same state of the phone without context."""
        base = np.concatenate([np.arange(self._n_ci), self._phones["info"][self._n_ci:, 1]])
        of_phones = self._sequences[self._phones["sequence"]]
        stand_ins = np.zeros(self.senones, np.int64)
        stand_ins[of_phones] = of_phones[base]
        return stand_ins

    def _of_phones_alone(self) -> np.ndarray:
        """Senones of the phones without context."""
        return np.unique(self._sequences[self._phones["sequence"][:self._n_ci]])

    @cached_property
    def _weights(self) -> tuple[bytes, np.ndarray]:
        """(what stands before them in the file, to the number of columns, (densities of all streams, senones))."""
        data, at = (self._folder / "sendump").read_bytes(), 0
        while length := int.from_bytes(data[at:at + 4], "little"):      # texts, each after its length
            at += 4 + length
        head, body = data[:at + 12], data[at + 12:]
        if len(head) < 12 or int.from_bytes(head[-4:], "little") != self.senones or len(body) % self.senones:
            raise HoodnoteError("the acoustic model's weights are not in the form of 8 bits; install pocketsphinx again")
        return head, np.frombuffer(body, np.uint8).reshape(-1, self.senones)

    def phone_loop(self, scores: np.ndarray) -> np.ndarray:
        """(frames,) natural log of the best context-free phone state in each frame: what no words at all could reach."""
        return scores[:, self._of_phones_alone()].max(axis=1)
