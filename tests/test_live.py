"""Listening live: kept first, heard in order in another process, told at once. Listeners are stand-ins (live_engines), the microphone
is real PortAudio where its timing is what matters, else a list of blocks."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from hoodnote.capture.audio import load_clip
from hoodnote.capture.speech.endpoint import Endpointer
from hoodnote.capture.speech.microphone import Device, MicrophoneLost, Sound
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hear import hear_capture
from hoodnote.intake.hearing import Hearing, Partly, Ready, Result, Setup, Woken
from hoodnote.intake.live import Ears, Session, wav
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from tests import live_engines
from tests.sound_device import Paced, sound_card

DEVICE = Device(0, "test", 1, SAMPLE_RATE, "none", True)


def loud(frames: np.ndarray) -> list[float]:
    return (np.abs(frames).max(axis=1) > 0.03).astype(float).tolist()


def word(hundredths: int, seconds: float = 0.5) -> np.ndarray:
    """Sound whose peak says to the stand-in listeners what it is."""
    t = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    return (hundredths / 100 * np.sin(2 * np.pi * 220 * t)).astype(np.float32)


def quiet(seconds: float = 0.7) -> np.ndarray:
    return np.zeros(round(seconds * SAMPLE_RATE), np.float32)


def spoken(*hundredths: int) -> np.ndarray:
    return np.concatenate([quiet(), *(x for h in hundredths for x in (word(h), quiet()))])


@dataclass
class Tape:
    """A microphone that gives what is on it, a block a call, then fails or falls silent."""

    sound: np.ndarray
    then: Exception | None = None
    block: int = 8_000
    device: Device = DEVICE
    overflows: int = 0
    dropped: int = 0
    at: int = 0
    closed: bool = False

    def read(self) -> Sound:
        if self.at >= len(self.sound) and self.then:
            raise self.then
        piece = self.sound[self.at:self.at + self.block]
        self.at += self.block
        return Sound(piece, float(np.abs(piece).max(initial=0)), 0.0)

    def close(self) -> None:
        self.closed = True


@dataclass
class Told:
    """A face that remembers."""

    said: list[tuple[str, object]] = field(default_factory=list)

    def level(self, state, level, waiting): self.said.append(("state", state)) if ("state", state) != self.last("state") else None
    def partly(self, text): self.said.append(("partly", text))
    def taken(self, taken): self.said.append(("taken", taken))
    def not_understood(self, taken): self.said.append(("not understood", taken))
    def checked(self, findings): self.said.append(("checked", findings))
    def standing(self, warnings, just_told): self.said.append(("standing", tuple(w.id for w in warnings)))
    def figures(self, entries): self.said.append(("figures", entries))
    def state(self, lines): self.said.append(("state of the service", lines))
    def questions(self, entries): self.said.append(("questions", entries))
    def remark(self, text): self.said.append(("remark", text))

    def tone(self, name):
        self.said.append(("tone", name))
        return 0.0

    def last(self, kind):
        return next((x for x in reversed(self.said) if x[0] == kind), None)

    def all(self, kind):
        return [x for k, x in self.said if k == kind]


class Here:
    """Hears at once, in this process."""

    def __init__(self, store, job, engines):
        self.store, self.job, self.engines, self.out, self.seen = store, job, engines, [Ready(("one", "two"))], []
        self.early = []

    busy = False

    def ahead(self, clip):
        self.early.append(clip)

    def begin(self, capture):
        samples = load_clip(self.store.media_path(capture.sha256)).samples      # it is on disk before it is heard
        assert capture.id in [c.id for c in self.store.pending(self.job)]
        self.seen.append(capture.id)
        self.out.append(Result(capture.id, hear_capture(self.store, self.job, capture, samples, self.engines, ask_unheard=False)))

    def wake(self, samples):
        self.out.append(Woken(self.engines[0].recognize(samples)[:1] != [] and self.engines[0].recognize(samples)[0].text == "start listening"))

    def poll(self, wait_s=0.0):
        out, self.out = self.out, []
        return out


def listen(store, job, sound, engines=live_engines.quick, **tape):
    """The session when all of the sound has been taken."""
    mic, face = Tape(np.concatenate([sound, quiet()]), **tape), Told()
    session = Session(store, job, mic, pytest.fail, Endpointer(loud), Here(store, job, engines()), face)
    while mic.at < len(mic.sound) and session.step():
        pass
    session.finish()
    assert mic.closed
    return session, face


def values(store, job):
    return [x.entry.statement.value for x in build(store.entries(job)).live if x.usable]


# what a session does

def test_utterances_are_kept_heard_and_told_in_order(store, job):
    session, face = listen(store, job, spoken(10, 15, 50))
    assert values(store, job) == [30, 44, 210]
    assert [t.entries[0].statement.value for t in face.all("taken")] == [30, 44, 210]
    assert face.all("tone") == ["taken"] * 3 and session.tally.utterances == 3 and len(session.tally.latencies) == 3
    assert all(e.origin.original_name.startswith("live ") and store.media_intact(e.origin.sha256) for e in store.entries(job))


def test_difference_is_asked_with_its_own_tone_and_taken_for_nothing(store, job):
    _, face = listen(store, job, spoken(50), engines=live_engines.differing)
    assert face.all("tone") == ["asked"] and values(store, job) == []
    assert face.all("taken")[0].entries[0].standing is Standing.UNCONFIRMED


def test_what_nobody_understood_is_told_and_is_no_question(store, job):
    session, face = listen(store, job, spoken(35))
    assert face.all("not understood") and session.tally.not_understood == 1
    assert store.entries(job) == [] and len(store.captures(job)) == 1 and store.pending(job) == []


@pytest.mark.parametrize("last", [60, 65])
def test_warning_stays_before_the_eyes_until_it_is_understood_or_untrue(store, job, last):
    _, face = listen(store, job, spoken(55, 10, last))
    assert face.all("standing")[-3:] == [("leak_test_gas",), ("leak_test_gas",), ()]
    assert face.all("tone")[-3:] == ["stop", "taken", "taken"]


def test_warning_of_an_earlier_session_is_shown_when_the_next_begins(store, job):
    listen(store, job, spoken(55))
    _, face = listen(store, job, spoken(10))
    assert face.all("standing")[0] == ("leak_test_gas",)


def test_hazard_sounds_stop(store, job):
    _, face = listen(store, job, spoken(55))
    (taken,) = face.all("taken")
    assert taken.warnings and face.all("tone") == ["stop"]


def test_pause_keeps_and_records_nothing_until_start_listening(store, job):
    session, face = listen(store, job, spoken(10, 20, 15, 50, 25, 50))
    assert values(store, job) == [30, 210]
    assert len(store.captures(job)) == 4      # 30, stop listening, start listening, 210
    assert "paused" in face.all("state") and not session.paused


def test_read_back_shows_figures_and_close_job_ends(store, job):
    session, face = listen(store, job, spoken(10, 50, 45, 30, 15))
    assert [[e.statement.value for e in entries] for entries in face.all("figures")] == [[30, 210]]
    assert any(line == "pressure on the low side (entry 1)" for line in face.all("state of the service")[0])
    assert session.finished and 44 not in values(store, job)


def test_lost_microphone_keeps_the_job_and_goes_on_when_it_is_back(store, job):
    tapes = [Tape(np.concatenate([spoken(10), word(15)]), then=MicrophoneLost("test gives no sound any more")), HoodnoteError("none"),
             Tape(np.concatenate([spoken(50), quiet()]))]
    now, face = [0.0], Told()

    def open_next():
        mic = tapes.pop(0)
        if isinstance(mic, Exception):
            raise mic
        return mic

    last = tapes[-1]
    session = Session(store, job, open_next(), open_next, Endpointer(loud), Here(store, job, live_engines.quick()), face, clock=lambda: now[0])
    for _ in range(400):
        session.step()
        now[0] += 0.05
        if last.at >= len(last.sound):
            break
    session.finish()
    assert values(store, job) == [30, 44, 210]        # 44 was being said when the cable came out
    assert session.tally.lost == 1 and "no microphone" in face.all("state") and "listening again, with test" in face.all("remark")
    assert "stop" in face.all("tone")


def test_two_hundred_rapid_utterances_are_all_kept_with_flat_memory(store, job):
    one = np.concatenate([word(35, 0.3), quiet(0.5)])
    session, _ = listen(store, job, np.tile(one, 20))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    session, _ = listen(store, job, np.tile(one, 200), block=1600)
    assert session.tally.utterances == 200 and len(store.captures(job)) == 220 and store.pending(job) == []
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 40_000     # kB; the sound itself is 10 MB


def test_clipped_speech_is_told(store, job):
    _, face = listen(store, job, np.concatenate([quiet(), np.clip(8 * word(20), -1, 1), quiet()]))
    assert any("too loud" in text for text in face.all("remark"))


@pytest.mark.parametrize("seconds, told", [(4, False), (12, True)])
def test_muted_microphone_is_told_once(store, job, seconds, told):
    _, face = listen(store, job, quiet(seconds))
    assert sum("muted" in text for text in face.all("remark")) == told


def test_clip_that_was_kept_is_the_sound_that_came(tmp_path):
    (tmp_path / "a.wav").write_bytes(wav(word(50)))
    assert load_clip(tmp_path / "a.wav").samples == pytest.approx(word(50), abs=1e-4)


def test_what_is_heard_in_a_pause_is_the_clip_that_is_kept_and_a_pause_within_it_is_dropped(store, job):
    sound = np.concatenate([quiet(), word(10), quiet(0.3), word(10), quiet(), word(50), quiet(), word(20), quiet(), word(15), quiet()])
    mic, face = Tape(sound, block=512), Told()
    ears = Here(store, job, live_engines.quick())
    session = Session(store, job, mic, pytest.fail, Endpointer(loud), ears, face)
    while mic.at < len(mic.sound) and session.step():
        pass
    session.finish()
    kept = [store.media_path(c.sha256).read_bytes() for c in store.captures(job)]
    assert len(ears.early) == 4 and ears.early[1:] == kept                 # the last one was said while it was paused
    assert len(ears.early[0]) < len(ears.early[1])
    assert values(store, job) == [30, 210]


def test_stuck_open_microphone_for_an_hour_keeps_every_minute_with_flat_memory(store, job):
    """A roar that the voice activity model takes for speech."""
    class Endless(Tape):
        def read(self):
            self.at += SAMPLE_RATE
            return Sound(self.sound[self.at % len(self.sound):][:SAMPLE_RATE], 0.2, 0.0)

    mic = Endless(np.random.default_rng(8).normal(0, 0.01, 61 * SAMPLE_RATE).astype(np.float32))      # no second minute begins as the first
    session = Session(store, job, mic, pytest.fail, Endpointer(lambda frames: [1.0] * len(frames)), Here(store, job, live_engines.quick()), Told())
    for second in range(3600):
        session.step()
        if second == 600:
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    session.finish()
    lengths = [(store.media_path(c.sha256).stat().st_size - 44) / 2 / SAMPLE_RATE for c in store.captures(job)]
    assert sum(lengths) == pytest.approx(3600, abs=1) and max(lengths) <= 30
    assert session.left == 0 and store.pending(job) == []
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 30_000     # kB; what came after is 200 MB


# the hearing process

def ears(tmp_path, job, engines) -> Hearing:
    return Hearing(Setup(tmp_path / "data", engines), job)


def messages(ears: Ears, kind: type, seconds: float = 30.0):
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up:
        for message in ears.poll(0.2):
            if isinstance(message, kind):
                return message
    raise AssertionError(f"no {kind.__name__}")


def kept(store, job, hundredths):
    return store.add_capture(job, "clip", sha256=store.keep_bytes(wav(spoken(hundredths)), ".wav").sha256)


def test_hearing_process_records_wakes_and_survives_a_listener_that_breaks_it(tmp_path, store, job):
    hearing = ears(tmp_path, job, live_engines.quick)
    try:
        assert messages(hearing, Ready).engines == ("one", "two")
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 30 and not hearing.busy
        hearing.wake(spoken(15))
        assert not messages(hearing, Woken).yes
        hearing.wake(spoken(25))
        assert messages(hearing, Woken).yes
        broken = kept(store, job, 40)
        hearing.begin(broken)
        assert "kept" in messages(hearing, Result).problem
        assert [c.id for c in store.pending(job)] == [broken.id]
        hearing.begin(kept(store, job, 50))
        assert messages(hearing, Result).taken.entries[0].statement.value == 210
    finally:
        hearing.close()
    assert values(store, job) == [30, 210]


def test_hearing_process_does_not_look_for_garbage_in_what_it_has_loaded(tmp_path, store, job):
    """A language makes a full search take a fifth of a second, in the middle of a clip."""
    hearing = ears(tmp_path, job, live_engines.where_kept)
    try:
        assert messages(hearing, Ready)
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 30
    finally:
        hearing.close()


def test_hearing_process_tells_what_is_heard_so_far_and_records_nothing_of_it(tmp_path, store, job):
    hearing = ears(tmp_path, job, live_engines.streaming)
    try:
        assert messages(hearing, Ready).streams
        told = []
        for samples, begins in ((word(10), True), (word(10), False), (word(50), True)):
            hearing.along(samples, begins)
            told.append(messages(hearing, Partly).text)
        hearing.along(word(35), begins=True)           # the engine fails on it
        assert messages(hearing, Partly).text == ""
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 30
        hearing.along(word(10), begins=False)          # the end of what it never heard the beginning of
        assert messages(hearing, Partly).text == ""
    finally:
        hearing.close()
    assert told == ["8000 samples", "16000 samples", "8000 samples"]
    assert values(store, job) == [30] and len(store.captures(job)) == 1


def test_clip_heard_ahead_is_not_heard_again_and_one_that_differs_is(tmp_path, store, job):
    hearing = ears(tmp_path, job, live_engines.afresh)         # low side 21 at the start, 22 for what is heard next, and so on
    try:
        messages(hearing, Ready)
        hearing.ahead(wav(spoken(10)))
        deadline = time.monotonic() + 1.0
        while time.monotonic() < deadline:
            assert hearing.poll(0.1) == [] and not hearing.busy
        assert store.entries(job) == [] and store.captures(job) == []
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 22
        hearing.begin(kept(store, job, 10))                    # the same sound again is another clip
        assert messages(hearing, Result).taken.entries[0].statement.value == 23
        hearing.ahead(wav(spoken(15)))
        time.sleep(0.5)                                        # until it is heard, as the 24
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 25
    finally:
        hearing.close()
    assert values(store, job) == [22, 23, 25]


def test_listeners_that_break_down_over_what_was_heard_ahead_cost_no_other_clip(tmp_path, store, job):
    hearing = ears(tmp_path, job, live_engines.quick)
    try:
        messages(hearing, Ready)
        hearing.ahead(wav(spoken(40)))
        time.sleep(0.5)                                        # it is being heard: speech went on, and the clip is another
        hearing.begin(kept(store, job, 10))
        assert messages(hearing, Result).taken.entries[0].statement.value == 30
        hearing.ahead(wav(spoken(40)))
        broken = kept(store, job, 40)
        hearing.begin(broken)
        assert "kept" in messages(hearing, Result).problem
        hearing.begin(kept(store, job, 50))
        assert messages(hearing, Result).taken.entries[0].statement.value == 210
    finally:
        hearing.close()
    assert values(store, job) == [30, 210] and [c.id for c in store.pending(job)] == [broken.id]


def test_two_hundred_rapid_utterances_are_heard_in_order_and_the_listeners_stay_as_large(tmp_path, store, job):
    """Given faster than they can be heard, so that they queue. Every tenth is a reading."""
    said = ([35] * 9 + [10]) * 10 + ([35] * 9 + [50]) * 10
    hearing, face = ears(tmp_path, job, live_engines.quick), Told()
    mic = Tape(np.concatenate([x for h in said for x in (word(h, 0.3), quiet(0.62))] + [quiet()]), block=3200)
    session, sizes = Session(store, job, mic, pytest.fail, Endpointer(loud), hearing, face), []
    give_up = time.monotonic() + 200
    try:
        while len(session.tally.latencies) < len(said) and time.monotonic() < give_up:
            session.step(0.01)
            if len(session.tally.latencies) >= 50 + 10 * len(sizes):
                sizes.append(_resident_mb(hearing))
        session.finish()
    finally:
        hearing.close()
    captures = store.captures(job)
    told = [t.capture.id for kind, t in face.said if kind in ("taken", "not understood")]
    assert len(captures) == len(said) and told == [c.id for c in captures] and store.pending(job) == []
    assert values(store, job) == [30] * 10 + [210] * 10
    assert max(sizes) - sizes[0] < 30, sizes


def _resident_mb(hearing: Hearing) -> float:
    text = Path(f"/proc/{hearing.process_id}/status").read_text()
    return int(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


@pytest.mark.parametrize("streams", [True, False])
def test_what_is_being_spoken_is_shown_until_its_answer_and_each_frame_once(store, job, streams):
    class Along(Here):
        def __init__(self, *args):
            super().__init__(*args)
            self.out, self.given = [Ready(("one", "two"), streams)], []

        def along(self, samples, begins):
            self.given = [len(samples)] if begins else [*self.given, len(samples)]
            self.out.append(Partly(f"{sum(self.given)} so far"))

    knock = word(10, 0.1)          # too short for an utterance; shown for a moment, answered by nothing
    sound = np.concatenate([quiet(), word(10, 2.0), quiet(), word(50, 1.0), quiet(), quiet(), knock, quiet(), quiet()])
    mic, face = Tape(sound, block=1600), Told()
    session = Session(store, job, mic, pytest.fail, Endpointer(loud), Along(store, job, live_engines.quick()), face)
    while mic.at < len(mic.sound) and session.step():
        pass
    session.finish()
    assert values(store, job) == [30, 210]
    kinds = [k for k, text in face.said if k == "taken" or (k == "partly" and text)]
    if streams:
        longest = [int(text.split()[0]) for text in face.all("partly") if text]
        assert kinds[0] == "partly" and kinds.index("taken") > 3
        assert max(longest) <= 3.2 * SAMPLE_RATE and sorted(longest[:4]) == longest[:4]
        assert face.last("partly") == ("partly", "")
    else:
        assert kinds == ["taken", "taken"]


def test_without_listeners_clips_wait_for_resume(tmp_path, store, job):
    hearing = ears(tmp_path, job, live_engines.none)
    try:
        assert messages(hearing, Ready).engines == ()
        hearing.begin(kept(store, job, 10))
        assert "resume" in messages(hearing, Result).problem
    finally:
        hearing.close()
    assert len(store.pending(job)) == 1


# through PortAudio

class Quick(Paced):
    speed = 2.0


def test_no_frame_is_lost_while_the_listeners_compute(tmp_path, store, job):
    """Twice real time, with two listeners that compute without rest in the other process."""
    import soxr

    sound = soxr.resample(np.concatenate([spoken(10, 15, 50, 10, 15, 50), quiet(30)]), SAMPLE_RATE, 48_000)
    with sound_card(tmp_path, sound) as device:
        hearing, face = ears(tmp_path, job, live_engines.busy), Told()
        try:
            messages(hearing, Ready)
            mic = Quick(device)
            session = Session(store, job, mic, pytest.fail, Endpointer(loud), hearing, face)
            session.ready = True
            give_up = time.monotonic() + 20
            while len(session.tally.latencies) < 6 and time.monotonic() < give_up:
                session.step()
                time.sleep(0.01)
            session.finish()
        finally:
            hearing.close()
    assert values(store, job) == [30, 44, 210] * 2
    assert (session.tally.dropped, session.tally.overflows) == (0, 0) and mic.blocks > 100


# the command

def hoodnote(tmp_path, *args, **env):
    return subprocess.run([sys.executable, "-m", "hoodnote", *args, "--data", str(tmp_path / "data")], capture_output=True, text=True, timeout=60,
                          env={**os.environ, **env})


def test_command_refuses_what_cannot_be_in_one_line(tmp_path, store, job):
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    no_library = {"PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])}
    for args, env, told in ((("listen", "WO-9"), {}, "there is no job WO-9"), (("listen", "WO-1", "--device", "moon"), {}, "no microphone "),
                            (("listen", "WO-1"), no_library, "apt install libportaudio2"), (("devices",), no_library, "apt install libportaudio2")):
        done = hoodnote(tmp_path, *args, **env)
        assert done.returncode == 2 and told in done.stderr, done
        assert len([x for x in done.stderr.splitlines() if x.startswith("hoodnote:")]) == 1 and "Traceback" not in done.stderr
