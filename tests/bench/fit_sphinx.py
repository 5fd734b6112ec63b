"""Fits how pocketsphinx's cues make a confidence, on development voices only: python -m tests.bench.fit_sphinx

Logistic regression of "the best hypothesis means what was said" on `Cues.features()`, over clean and noisy
development utterances, everyday speech that is none of the language, and bay noise alone.
"""

from __future__ import annotations

import argparse

import numpy as np
from tqdm import tqdm

from hoodnote.capture.speech.sphinx import SphinxRecognizer
from tests.bench.noise import add_noise, shop_noise
from tests.bench.utterances import utterances
from tests.bench.voices import DEVELOPMENT, say

EVERYDAY = ("my dog ate the newspaper this morning", "did you see the game last night", "hand me that wrench please",
            "what time are we going to lunch", "the customer wants to know when it will be ready", "watch out for the cable over there",
            "I think it is going to rain tomorrow", "turn the radio down I am trying to work", "call the parts store about the order",
            "this bolt is completely stuck", "we should clean the floor before we close", "who parked the truck in front of the door")


def sounds(count: int, seed: int):
    """(samples, statements or None) of development utterances, in clean and in noise, and of what is none."""
    for i, made in enumerate(utterances(count, seed)):
        speech = say(DEVELOPMENT[i % len(DEVELOPMENT)], made.spoken)
        snr = (None, None, 20.0, 10.0, 5.0)[(i // len(DEVELOPMENT)) % 5]
        yield (speech if snr is None else add_noise(speech, shop_noise(len(speech) / 16_000, i), snr)), made.statements
    for i, text in enumerate(EVERYDAY):
        yield say(DEVELOPMENT[i % len(DEVELOPMENT)], text), None
    for i in range(len(EVERYDAY)):
        yield shop_noise(2.0 + i % 3, 1000 + i) * 0.05, None


def logistic(features: np.ndarray, right: np.ndarray, ridge: float = 0.5) -> np.ndarray:
    """Weights by Newton's method, with a small ridge on all but the constant."""
    weights, penalty = np.zeros(features.shape[1]), ridge * np.eye(features.shape[1])
    penalty[0, 0] = 1e-6
    for _ in range(50):
        p = 1 / (1 + np.exp(-features @ weights))
        gradient = features.T @ (p - right) + penalty @ weights
        weights -= np.linalg.solve((features.T * (p * (1 - p))) @ features + penalty, gradient)
    return weights


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--count", type=int, default=150)
    arguments.add_argument("--seed", type=int, default=71)
    options = arguments.parse_args()
    engine, rows, right, heard_none = SphinxRecognizer(), [], [], 0
    for samples, statements in tqdm(list(sounds(options.count, options.seed)), unit="clip"):
        found = engine.examine(samples, 2)
        if not found:
            heard_none += 1
            continue
        hypothesis, cues = found[0]
        rows.append(cues.features())
        right.append(statements is not None and engine._meaning([w.word for w in hypothesis.words]) == statements)
    x, y = np.array(rows), np.array(right, float)
    weights = logistic(x, y)
    p = 1 / (1 + np.exp(-x @ weights))
    print(f"nothing heard in {heard_none}; of {len(y)} others {y.mean():.2f} right; weights {tuple(np.round(weights, 3).tolist())}")
    print(f"log loss {-np.mean(y * np.log(p) + (1 - y) * np.log(1 - p)):.3f} (constant: {-np.mean(y * np.log(y.mean()) + (1 - y) * np.log(1 - y.mean())):.3f})")
    for low in (0.0, 0.2, 0.4, 0.6, 0.8, 0.9):
        among = p >= low
        print(f"confidence >= {low}: {among.sum()} clips, {y[among].mean():.2f} right, keeps {y[among].sum() / y.sum():.2f} of the right ones")


if __name__ == "__main__":
    main()
