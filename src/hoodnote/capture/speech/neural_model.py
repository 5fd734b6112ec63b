"""The small English speech model: an encoder over raw samples and a decoder that writes subword tokens.

The weights travel in an installed package. Only its files are used: they are found without importing the package
and run by onnxruntime, the decoder's in the networks of `neural_graph`.
"""

from __future__ import annotations

import copy
import importlib.util
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.neural_graph import HEAD_WIDTH, HEADS, KEPT, Decoder, Stored, across_network, logs_network, step_network
from hoodnote.capture.weights import network
from hoodnote.errors import HoodnoteError

PACKAGE = "moonshine_voice"
DISTRIBUTION = "moonshine-voice==0.1.0"
FILES = ("encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin")
BEGIN, END = 1, 2                # token ids that open and close a transcript
THREADS = 1            # a second one takes half as much processor time again and saves none on the clock: bench_hearing --threads
_SPACE = "\u2581"                # how the vocabulary writes a space
_FIRST_TEXT_TOKEN = 259          # below: three control tokens and the 256 bare bytes
_AT_ONCE = 96                    # places of texts that are read at once; each takes 131 kB of logs
_NO_TOKEN = 1 << 30              # above every token
_MARKER = "<<ST_"                # reserved tokens without text


def model_folder() -> Path:
    """Where the weights lie. Raises HoodnoteError when the package or one of its files is missing."""
    spec = importlib.util.find_spec(PACKAGE)
    for root in (spec.submodule_search_locations or ()) if spec else ():
        folder = Path(root) / "assets" / "tiny-en"
        if all((folder / name).is_file() for name in FILES):
            return folder
    raise HoodnoteError(f"the speech model is missing or incomplete; install it again: pip install --force-reinstall {DISTRIBUTION}")


def read_vocabulary(data: bytes) -> list[bytes]:
    """The tokens in order of their ids, from their file: each a length, then that many bytes.

    A length below 128 takes one byte; a larger one two, the low seven bits first.
    """
    tokens, at = [], 0
    try:
        while at < len(data):
            length = data[at]
            at += 1
            if length >= 128:
                length += 128 * data[at] - 128
                at += 1
            if at + length > len(data):
                raise IndexError
            tokens.append(data[at:at + length])
            at += length
    except IndexError:
        raise HoodnoteError(f"the speech model's vocabulary is damaged; install it again: pip install --force-reinstall {DISTRIBUTION}") from None
    return tokens


def token_texts(vocabulary: list[bytes]) -> dict[int, str]:
    """Token id -> the text it writes, for the tokens that write whole characters."""
    texts = {}
    for token, raw in enumerate(vocabulary):
        if token < _FIRST_TEXT_TOKEN:
            continue
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            continue
        if text and not text.startswith(_MARKER):
            texts[token] = text.replace(_SPACE, " ")
    return texts


@dataclass
class Memory:
    """What the decoder keeps between steps: one row per beam; the encoder's part is shared by all of them."""

    across: dict[str, np.ndarray]      # keys and values over the sound, (1, heads, frames, head width)
    past: dict[str, np.ndarray]        # keys and values over the tokens so far, (beams, heads, tokens, head width)

    def take(self, rows: list[int]) -> Memory:
        if rows == list(range(len(self.past[KEPT[0]]))):
            return self
        return Memory(self.across, {name: array[rows] for name, array in self.past.items()})

    @property
    def tokens(self) -> int:
        return self.past[KEPT[0]].shape[2]


class SpeechModel:
    """The networks and the vocabulary, loaded once. Tokens go by their numbers in the vocabulary, or among those that it may write."""

    def __init__(self, folder: Path | None = None, threads: int = THREADS):
        folder = folder or model_folder()
        try:
            decoder = Decoder(folder / FILES[1])
            self._last: Stored = decoder.stored("logits")
            self._encoder, self._across, self._step, self._logs = (network(model, threads) for model in
                                                                   (str(folder / FILES[0]), across_network(decoder), step_network(decoder), logs_network(self._last)))
        except Exception as error:   # onnxruntime raises its own classes, which share no public base
            raise HoodnoteError(f"the speech model does not load ({type(error).__name__}); "
                                f"install it again: pip install --force-reinstall {DISTRIBUTION}") from error
        self._begun: tuple[np.ndarray, tuple[np.ndarray, Memory]] | None = None
        self._threads = threads
        self.vocabulary = read_vocabulary((folder / FILES[2]).read_bytes())
        self._ids = np.arange(len(self.vocabulary))
        self.texts = token_texts(self.vocabulary)

    def among(self, tokens: Iterable[int]) -> SpeechModel:
        """The same model, sharing what it has loaded, that writes no tokens but these and has its own numbers for them: BEGIN and END as here, the others
        in the same order. The logarithms are as if there were no others."""
        few = copy.copy(self)
        few._ids = np.array(sorted({*range(END + 1), *tokens}))
        few._logs = network(logs_network(self._last._replace(weights=self._last.weights[:, few._ids])), self._threads)
        few._begun = None
        few.vocabulary = [self.vocabulary[i] for i in few._ids]
        few.texts = {number: self.texts[i] for number, i in enumerate(few._ids.tolist()) if i in self.texts}
        few.__dict__.pop("_numbers", None)
        return few

    def encode(self, samples: np.ndarray) -> np.ndarray:
        """samples (n,) float32 at 16 kHz -> (1, frames, width), about 41 frames a second."""
        feeds = {"input_values": samples[None].astype(np.float32), "attention_mask": np.ones((1, len(samples)), np.int64)}
        return self._encoder.run(None, feeds)[0]

    def begin(self, sound: np.ndarray) -> tuple[np.ndarray, Memory]:
        """Natural logs of the first token, (1, vocabulary), and the memory to go on from. Those of the last sound are kept: it is searched,
        then scored twice."""
        if self._begun is None or self._begun[0] is not sound:
            self._begun = sound, self._begin(sound)
        return self._begun[1]

    def _begin(self, sound: np.ndarray) -> tuple[np.ndarray, Memory]:
        across = dict(zip(KEPT, self._across.run(KEPT, {"sound": sound}), strict=True))
        nothing = np.zeros((1, HEADS, 0, HEAD_WIDTH), np.float32)
        return self.step([BEGIN], Memory(across, dict.fromkeys(KEPT, nothing)))

    def step(self, tokens: list[int], memory: Memory) -> tuple[np.ndarray, Memory]:
        """One token further in every beam: natural logs of the next, (beams, vocabulary), and the new memory."""
        places = np.full((len(tokens), 1), memory.tokens)
        logs, past = self._run(np.array(tokens, np.int64)[:, None], places, np.zeros((1, memory.tokens + 1), np.float32), memory)
        return logs[:, -1], Memory(memory.across, dict(zip(KEPT, past, strict=True)))

    def force(self, begun: tuple[np.ndarray, Memory], texts: Sequence[Sequence[int]]) -> list[float]:
        """For each text the natural log of writing its tokens and then closing the transcript; `begun` as `begin` gave it.

        What several begin with is read once. The weights are stored in 8 bits and rounded by what is computed together: with other texts
        beside it the log of one changes by 0.2, which is as far as it is from the unrounded one when it is read alone.
        """
        first, memory = begun
        out: list[float] = []
        for tree in _trees(texts):
            shut = np.pad(tree.shut(), ((0, 0), (memory.tokens, 0)))
            places = np.array([tree.depths]) + memory.tokens
            logs, _ = self._run(np.array([tree.tokens], np.int64), places, np.where(shut, -np.inf, 0.0).astype(np.float32), memory)
            logs = np.concatenate([first, logs[0]])
            out.extend(float(logs[[0, *(place + 1 for place in path)], [*(tree.tokens[place] for place in path), END]].sum()) for path in tree.paths)
        return out

    def tokens(self, text: str) -> list[int] | None:
        """The text as the model itself would cut it: pairs are joined in the order of the vocabulary, which is the order
        in which they were learnt. None when a character is unknown."""
        parts = list(text)
        if not all(part in self._numbers for part in parts):
            return None
        pairs = [self._numbers.get(a + b, _NO_TOKEN) for a, b in zip(parts, parts[1:])]
        while pairs and (first := min(pairs)) < _NO_TOKEN:
            i = pairs.index(first)
            parts[i:i + 2] = [parts[i] + parts[i + 1]]
            pairs[max(i - 1, 0):i + 2] = [self._numbers.get(a + b, _NO_TOKEN) for a, b in zip(parts[max(i - 1, 0):i + 1], parts[max(i - 1, 0) + 1:i + 2])]
        return [self._numbers[part] for part in parts]

    @cached_property
    def _numbers(self) -> dict[str, int]:
        return {text: token for token, text in self.texts.items()}

    def _run(self, tokens: np.ndarray, places: np.ndarray, mask: np.ndarray, memory: Memory) -> tuple[np.ndarray, list[np.ndarray]]:
        """Logs and KEPT, see `logs_network` and `step_network`, for tokens (beams, tokens) at their places, with what each must not look at."""
        feeds = {"tokens": self._ids[tokens], "places": places.astype(np.int64), "mask": mask[None, None]}
        for when, kept in (("past", memory.past), ("across", memory.across)):
            feeds.update({f"{when} {name}": array for name, array in kept.items()})
        known, *past = self._step.run(("known", *KEPT), feeds)
        return self._logs.run(("logs",), {"known": known})[0], past

    def decode(self, tokens: list[int]) -> str:
        """The text of a token sequence; bare bytes are joined to characters."""
        raw = b"".join(self.vocabulary[t] for t in tokens if t > END and not self.vocabulary[t].startswith(_MARKER.encode()))
        return raw.decode("utf-8", "replace").replace(_SPACE, " ").strip()


@dataclass
class _Tree:
    """Texts that share their beginnings. Of each place its token and how deep it lies; of each text its places."""

    tokens: list[int] = field(default_factory=list)
    depths: list[int] = field(default_factory=list)
    paths: list[list[int]] = field(default_factory=list)
    _known: dict[tuple[int, int], int] = field(default_factory=dict)

    def add(self, text: Sequence[int]) -> None:
        place, path = -1, []
        for depth, token in enumerate(text):
            key = (place, token)         # the place before it, -1 for none
            if key not in self._known:
                self._known[key] = len(self.tokens)
                self.tokens.append(token)
                self.depths.append(depth)
            place = self._known[key]
            path.append(place)
        self.paths.append(path)

    def shut(self) -> np.ndarray:
        """(places, places): what a place must not look at, which is all but itself and those before it in its text."""
        shut = np.ones((len(self.tokens),) * 2, bool)
        for path in self.paths:
            for i, place in enumerate(path):
                shut[place, path[:i + 1]] = False
        return shut


def _trees(texts: Sequence[Sequence[int]]) -> Iterator[_Tree]:
    """The texts in their order, in trees of bounded size."""
    tree = _Tree()
    for text in texts:
        if tree.tokens and len(tree.tokens) + len(text) > _AT_ONCE:
            yield tree
            tree = _Tree()
        tree.add(text)
    if tree.paths:
        yield tree
