"""The small English speech model: an encoder over raw samples and a decoder that writes subword tokens.

The weights travel in an installed package. Only its files are used: they are found without importing the package
and run by onnxruntime, the decoder's in the networks of `neural_graph`.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from hoodnote.capture.speech.neural_graph import HEAD_WIDTH, HEADS, KEPT, Decoder, across_network, step_network
from hoodnote.capture.weights import network
from hoodnote.errors import HoodnoteError

PACKAGE = "moonshine_voice"
DISTRIBUTION = "moonshine-voice==0.1.0"
FILES = ("encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin")
BEGIN, END = 1, 2                # token ids that open and close a transcript
THREADS = 1            # a second one takes half as much processor time again and saves none on the clock: bench_hearing --threads
_SPACE = "\u2581"                # how the vocabulary writes a space
_FIRST_TEXT_TOKEN = 259          # below: three control tokens and the 256 bare bytes
_AT_ONCE = 4096                  # tokens of all rows that stay in the processor's cache
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


def log_totals(logits: np.ndarray) -> np.ndarray:
    """(rows, tokens) -> (rows,): taken off the logits of its row it leaves natural logs of probabilities."""
    top, total = logits.max(axis=1, keepdims=True), np.zeros(len(logits), np.float32)
    for start in range(0, logits.shape[1], _AT_ONCE):
        shares = logits[:, start:start + _AT_ONCE] - top
        total += np.exp(shares, out=shares).sum(axis=1)
    return top[:, 0] + np.log(total)


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
    """The networks and the vocabulary, loaded once."""

    def __init__(self, folder: Path | None = None, threads: int = THREADS):
        folder = folder or model_folder()
        try:
            decoder = Decoder(folder / FILES[1])
            self._encoder, self._across, self._step = (network(model, threads) for model in
                                                       (str(folder / FILES[0]), across_network(decoder), step_network(decoder)))
        except Exception as error:   # onnxruntime raises its own classes, which share no public base
            raise HoodnoteError(f"the speech model does not load ({type(error).__name__}); "
                                f"install it again: pip install --force-reinstall {DISTRIBUTION}") from error
        self._begun: tuple[np.ndarray, tuple[np.ndarray, Memory]] | None = None
        self.vocabulary = read_vocabulary((folder / FILES[2]).read_bytes())
        self.texts = token_texts(self.vocabulary)

    def encode(self, samples: np.ndarray) -> np.ndarray:
        """samples (n,) float32 at 16 kHz -> (1, frames, width), about 41 frames a second."""
        feeds = {"input_values": samples[None].astype(np.float32), "attention_mask": np.ones((1, len(samples)), np.int64)}
        return self._encoder.run(None, feeds)[0]

    def begin(self, sound: np.ndarray) -> tuple[np.ndarray, Memory]:
        """The logits of the first token, (1, vocabulary), and the memory to go on from. Those of the last sound are kept: it is searched,
        then scored twice."""
        if self._begun is None or self._begun[0] is not sound:
            self._begun = sound, self._begin(sound)
        return self._begun[1]

    def _begin(self, sound: np.ndarray) -> tuple[np.ndarray, Memory]:
        across = dict(zip(KEPT, self._across.run(KEPT, {"sound": sound}), strict=True))
        nothing = np.zeros((1, HEADS, 0, HEAD_WIDTH), np.float32)
        return self.step([BEGIN], Memory(across, dict.fromkeys(KEPT, nothing)))

    def step(self, tokens: list[int], memory: Memory) -> tuple[np.ndarray, Memory]:
        """One token further in every beam: logits (beams, vocabulary) and the new memory."""
        logits, past = self._run(np.array(tokens, np.int64)[:, None], memory)
        return logits[:, -1], Memory(memory.across, past)

    def force(self, begun: tuple[np.ndarray, Memory], tokens: Sequence[int]) -> float:
        """Natural log of writing these tokens and then closing the transcript; `begun` as `begin` gave it.

        One text at a time: the weights are stored in 8 bits and rounded by what is computed together, so that in a batch the
        score of a text would depend on its neighbours. A batch would be no faster, and would take far more memory.
        """
        first, memory = begun
        logits, _ = self._run(np.array([list(tokens)], np.int64), memory)
        logits = np.concatenate([first, logits[0]])
        return float((logits[np.arange(len(logits)), [*tokens, END]] - log_totals(logits)).sum())

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

    def _run(self, tokens: np.ndarray, memory: Memory) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """tokens (beams, tokens) -> logits (beams, tokens, vocabulary) and what is kept of all tokens so far."""
        places = np.arange(memory.tokens, memory.tokens + tokens.shape[1])
        later = np.arange(memory.tokens + tokens.shape[1]) > places[:, None]
        feeds = {"tokens": tokens, "places": np.broadcast_to(places, tokens.shape), "mask": np.where(later, -np.inf, 0.0).astype(np.float32)[None, None]}
        for when, kept in (("past", memory.past), ("across", memory.across)):
            feeds.update({f"{when} {name}": array for name, array in kept.items()})
        logits, *past = self._step.run(("logits", *KEPT), feeds)
        return logits, dict(zip(KEPT, past, strict=True))

    def decode(self, tokens: list[int]) -> str:
        """The text of a token sequence; bare bytes are joined to characters."""
        raw = b"".join(self.vocabulary[t] for t in tokens if t > END and not self.vocabulary[t].startswith(_MARKER.encode()))
        return raw.decode("utf-8", "replace").replace(_SPACE, " ").strip()
