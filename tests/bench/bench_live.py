"""From the last word to the answer on the screen: real PortAudio, real listeners, held to the clock; dropped frames and memory.

    python -m tests.bench.bench_live [--count 12] [--rate 48000]

Needs Linux with libportaudio2. Development voices: nothing is scored here.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import soxr

from hoodnote.capture.speech.endpoint import Endpointer, voice_detector
from hoodnote.cli.listening import Screen, _engines
from hoodnote.intake.hearing import Hearing, Setup
from hoodnote.intake.live import Session
from hoodnote.jobs.store import Store
from hoodnote.statements.model import Control
from tests.bench.noise import RATE, add_noise, shop_noise, speech_level
from tests.bench.utterances import utterances
from tests.bench.voices import DEVELOPMENT, say
from tests.sound_device import Paced, sound_card


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--rate", type=int, default=48_000)
    parser.add_argument("--gap", type=float, default=2.5, help="seconds between utterances")
    parser.add_argument("--snr", type=float, default=25.0)
    parser.add_argument("--longer", type=float, default=3.0, help="seconds to wait for answers after the last word")
    args = parser.parse_args()
    spoken = [u for u in utterances(3 * args.count, 77) if not isinstance(u.statements[0], Control)][:args.count]
    pieces = [np.zeros(3 * RATE, np.float32)]
    for i, u in enumerate(spoken):
        pieces += [say(DEVELOPMENT[i % len(DEVELOPMENT)], u.spoken), np.zeros(int(args.gap * RATE), np.float32)]
    sound = np.concatenate(pieces)
    sound = add_noise(sound * np.float32(0.08 / speech_level(sound)), shop_noise(len(sound) / RATE, 5), args.snr)
    seconds = len(sound) / RATE
    sound = np.concatenate([sound, np.zeros(60 * RATE, np.float32)])
    samples = soxr.resample(sound, RATE, args.rate)
    with tempfile.TemporaryDirectory() as folder, sound_card(Path(folder), samples, args.rate) as device, Store.open(Path(folder) / "data") as store:
        job = store.create_job("WO-LIVE")
        begun = time.monotonic()
        ears = Hearing(Setup(Path(folder) / "data", partial(_engines, None, Path(folder))), job)
        microphone = Paced(device)
        session = Session(store, job, microphone, lambda: microphone, Endpointer(voice_detector()), ears, Screen(job, plain=True, quiet=True))
        ahead, send, first, ready = [], ears.ahead, None, None
        ears.ahead = lambda clip: (ahead.append(hashlib.sha256(clip).hexdigest()), send(clip))
        before = _processor_s(ears.process_id)
        while time.monotonic() - begun < seconds + args.longer:
            session.step(0.02)
            if session.ready and ready is None:
                ready, loaded = time.monotonic() - begun, _processor_s(ears.process_id)
            if session.tally.latencies and first is None:
                first = time.monotonic() - begun
        spent, cpu = _processor_s(ears.process_id), time.process_time()
        listeners, own = _own_mb(ears.process_id), _own_mb(os.getpid())
        session.finish()
        ears.close()
        clips = [c.sha256 for c in store.captures(job)]
    t = session.tally
    print(*(f"   said: {u.text}" for u in spoken), sep="\n")
    print(f"{args.count} spoken, {t.utterances} kept, {t.not_understood} not understood; listeners ready after {ready or float('nan'):.1f} s; "
          f"first answer after {first or float('nan'):.1f} s; "
          f"last word to answer: median {np.median(t.latencies):.2f} s, 95 % {np.quantile(t.latencies, 0.95):.2f} s")
    print(f"{len(ahead)} pauses were heard ahead, {len(set(ahead) & set(clips))} of {len(clips)} clips were answered from it; processor time of the listeners "
          f"{loaded - before:.1f} s to load, then {(spent - loaded) / max(1, len(clips)):.2f} s a clip; load of the machine {os.getloadavg()[0]:.1f}")
    print(f"device {microphone.rate} Hz x {microphone.channels}; blocks {microphone.blocks}, dropped {t.dropped}, overflows {t.overflows}; "
          f"memory of their own {own:.0f} MB here, {listeners:.0f} MB listeners; {cpu / seconds:.2f} of a core here")


def _processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _own_mb(pid: int) -> float:
    """Resident and shared with no other process."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_")) / 1024


if __name__ == "__main__":
    main()
