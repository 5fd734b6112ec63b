"""The decoder's lean networks against the network of its package, run as it comes: they must give the same."""

from __future__ import annotations

import numpy as np
import onnxruntime
import pytest

from hoodnote.capture.speech import neural_model
from hoodnote.capture.speech.neural_model import BEGIN, END, FILES, Memory, SpeechModel, model_folder
from tests.bench.voices import say

_SAMPLES_A_FRAME = 384       # by which the package's decoder thins its mask
# of logs down to -70: what is rounded to 8 bits on the way may fall to the other side. Most are equal to the last bit; the package's own differ by up
# to 1 with what is computed beside them
_WITHIN, _FORCED_WITHIN = 0.2, 0.06
_BESIDE_WITHIN = 1.0         # of a whole text: the package's own differ by as much


class Original:
    """The package's decoder with its own memory."""

    def __init__(self, sound: np.ndarray):
        self._network = onnxruntime.InferenceSession(str(model_folder() / FILES[1]), providers=["CPUExecutionProvider"])
        self._names = [output.name for output in self._network.get_outputs()]
        self._sound = sound
        self._past = {name.replace("present", "past_key_values"): np.zeros((1, 8, 0, 36), np.float32) for name in self._names[1:]}
        self.logs = self._run([[BEGIN]], first=True)[:, -1]

    def take(self, rows: list[int]) -> None:
        self._past = {name: array if ".encoder." in name else array[rows] for name, array in self._past.items()}

    def step(self, tokens: list[int]) -> np.ndarray:
        return self._run([[t] for t in tokens])[:, -1]

    def force(self, tokens: list[int]) -> np.ndarray:
        return self._run([tokens])[0]

    def _run(self, tokens: list[list[int]], first: bool = False) -> np.ndarray:
        feeds = {"input_ids": np.array(tokens, np.int64), "encoder_hidden_states": self._sound, "use_cache_branch": np.array([not first]),
                 "encoder_attention_mask": np.ones((1, self._sound.shape[1] * _SAMPLES_A_FRAME), np.int64), **self._past}
        made = dict(zip(self._names, self._network.run(None, feeds), strict=True))
        self._past.update({name: made[new] for name in self._past for new in [name.replace("past_key_values", "present")]
                           if first or ".decoder." in name})
        return made["logits"] - np.logaddexp.reduce(made["logits"], axis=-1, keepdims=True)


@pytest.fixture(scope="module")
def model() -> SpeechModel:
    return SpeechModel()


@pytest.fixture(scope="module", params=["low side thirty two p s i", "replaced compressor"])
def sound(model, request) -> np.ndarray:
    return model.encode(say("flite:awb", request.param))


def test_tokens_written_one_by_one(model, sound):
    original, (logs, memory) = Original(sound), model.begin(sound)
    for _ in range(8):
        assert np.abs(logs - original.logs).max() < _WITHIN
        token = int(logs[0].argmax())
        if token == END:
            break
        logs, memory = model.step([token], memory)
        original.logs = original.step([token])


def test_beams_that_part(model, sound):
    original, (_, memory) = Original(sound), model.begin(sound)
    rows, memory = [0, 0, 0], memory.take([0, 0, 0])
    original.take(rows)
    for tokens, rows in (([3274, 500, 12000], [2, 0, 0]), ([700, 701, 702], [0, 1, 2]), ([9, 10, 11], [0, 1, 2])):
        logs, memory = model.step(tokens, memory)
        assert np.abs(logs - original.step(tokens)).max() < _WITHIN
        memory, _ = memory.take(rows), original.take(rows)


def test_a_text_that_is_forced(model, sound):
    original, begun = Original(sound), model.begin(sound)
    tokens = model.tokens(" Low side 32 psi")
    logs = np.concatenate([original.logs, original.force(tokens)])
    expected = float(logs[np.arange(len(logs)), [*tokens, END]].sum())
    assert model.force(begun, [tokens]) == pytest.approx([expected], abs=_FORCED_WITHIN)


def test_texts_that_share_a_beginning_are_read_once_and_score_as_read_alone(model, sound):
    begun = model.begin(sound)
    texts = [model.tokens(text) for text in (" Low side 32 psi", " Low side 32", " Low side 33 psi", " low side thirty two", " Replaced compressor")]
    together = model.force(begun, texts)
    assert together == pytest.approx([model.force(begun, [text])[0] for text in texts], abs=_BESIDE_WITHIN)
    assert model.force(begun, []) == []


def test_no_tree_of_texts_is_larger_than_fits_the_memory():
    texts = [[1000 * i + j for j in range(30)] for i in range(40)]
    trees = list(neural_model._trees(texts))
    assert all(len(tree.tokens) <= neural_model._AT_ONCE for tree in trees)
    assert [[tree.tokens[place] for place in path] for tree in trees for path in tree.paths] == texts
    long = [list(range(3 * neural_model._AT_ONCE))]
    assert [len(tree.tokens) for tree in neural_model._trees(long * 2)] == [3 * neural_model._AT_ONCE] * 2      # one text is never cut


def test_among_few_tokens_the_same_is_expected_as_if_there_were_no_others(model, sound):
    text = model.tokens(" Low side 32 psi")
    ids = sorted({*range(END + 1), *text, *range(400, 30_000, 7)})
    few = model.among([*text, *range(400, 30_000, 7)])
    assert {few.texts[number]: ids[number] for number in few.texts} == {model.texts[i]: i for i in ids if i in model.texts}
    (logs, memory), (few_logs, few_memory) = model.begin(sound), few.begin(sound)
    for token in text:
        expected = logs[:, ids] - np.logaddexp.reduce(logs[:, ids], axis=1, keepdims=True)
        assert few_logs == pytest.approx(expected, abs=1e-4)
        logs, memory = model.step([token], memory)
        few_logs, few_memory = few.step([ids.index(token)], few_memory)


def test_what_is_kept_of_a_sound_is_shared_by_all_beams(model, sound):
    _, memory = model.begin(sound)
    taken = memory.take([0, 0])
    assert isinstance(taken, Memory) and taken.across is memory.across
    assert taken.tokens == 1 and all(len(array) == 2 for array in taken.past.values())
