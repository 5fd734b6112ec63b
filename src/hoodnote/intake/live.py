"""Listening to a job: sound in, utterances kept, heard in turn, told at once; pause, questions and a lost microphone on the way.

One thread does all this and never waits: the sound comes through a queue, the hearing is another process.
"""

from __future__ import annotations

import io
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from hoodnote.capture.speech.endpoint import FRAME_S, Endpointer, Utterance
from hoodnote.capture.speech.microphone import Microphone, MicrophoneLost, Sound
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.checks.dangers import service_state, standing
from hoodnote.errors import HoodnoteError
from hoodnote.intake.hearing import Checked, Message, Partly, Ready, Result, Woken
from hoodnote.intake.record import CLAIM, just_asked
from hoodnote.readings.model import Entry, Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.model import Control, Measured

if TYPE_CHECKING:
    from hoodnote.checks.model import Finding, Warning
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Capture, Job, Store

_LOOK_AGAIN_S = 1.0        # between two attempts to find a lost microphone
_READ_BACK = 4             # figures shown by "read back"
_TOO_LOUD = 0.002          # share of clipped samples from which the speaker is told
_TONE_TAIL_S = 0.25        # a tone reaches the microphone late, and the room holds it
_NOTHING = 1e-5            # full scale 1; half the smallest step of 16 bits
_MUTED_S = 5.0             # of nothing at all: no open microphone is that quiet
_ALONG_FRAMES = round(0.25 / FRAME_S)     # of an utterance that is still spoken, between two looks at what it says
_MOST_ALONG = round(1.0 / FRAME_S)        # at once, so that no finished utterance waits long for a look at the next
_MOST_WAITING_WORDS = 3    # utterances of a pause that may wait; older ones are let go


class Ears(Protocol):
    """What hears the kept clips; `Hearing` in the program."""

    @property
    def busy(self) -> bool: ...
    def begin(self, capture: Capture) -> None: ...
    def wake(self, samples: np.ndarray) -> None: ...
    def along(self, samples: np.ndarray, begins: bool) -> None: ...
    def ahead(self, clip: bytes) -> None: ...
    def poll(self, wait_s: float = 0.0) -> list[Message]: ...


class Face(Protocol):
    """What tells the technician: the terminal, or a test."""

    def level(self, state: str, level: float, waiting: int) -> None: ...
    def partly(self, text: str) -> None: ...
    def taken(self, taken: Taken) -> None: ...
    def not_understood(self, taken: Taken) -> None: ...
    def checked(self, findings: tuple[Finding, ...]) -> None: ...
    def standing(self, warnings: tuple[Warning, ...], just_told: frozenset[str]) -> None: ...
    def figures(self, entries: list[Entry]) -> None: ...
    def state(self, lines: tuple[str, ...]) -> None: ...
    def questions(self, entries: list[Entry]) -> None: ...
    def remark(self, text: str) -> None: ...
    def tone(self, name: str) -> float: ...


@dataclass
class Tally:
    """What a session came to; latencies in seconds from the end of speech to the answer on the screen."""

    utterances: int = 0
    not_understood: int = 0
    failed: int = 0
    overflows: int = 0
    dropped: int = 0
    lost: int = 0
    latencies: list[float] = field(default_factory=list)


class Session:
    """Call `step` again and again; False when the job was closed by voice. `open_again` finds the microphone after it was lost.

    What was said before a pause is heard while the pause lasts. That is known to the listeners alone: nothing of it is told or recorded
    unless the pause was the end, the clip is kept, and it is the same to the byte. `named`: the `delivery` and `told` of `Store.add_capture`
    for an utterance whose sound was sent from elsewhere.
    """

    def __init__(self, store: Store, job: Job, microphone: Microphone, open_again: Callable[[], Microphone], endpointer: Endpointer, ears: Ears, face: Face,
                 clock: Callable[[], float] = time.monotonic, named: Callable[[Utterance], dict[str, Any]] = lambda utterance: {}, paused: bool = False):
        self._store, self._job, self._open, self._face, self._clock = store, job, open_again, face, clock
        self._endpointer, self._ears, self._named = endpointer, ears, named
        self._microphone: Microphone | None = microphone
        self._waiting: deque[tuple[Capture, float]] = deque()          # kept, not yet heard; when its speech ended
        self._words: deque[Utterance] = deque(maxlen=_MOST_WAITING_WORDS)
        self._spoken: dict[int, float] = {}
        self._at_wake: Utterance | None = None
        self._look_again = 0.0
        self._nothing_s = 0.0                 # of digital silence so far
        self._along = 0                       # frames of the utterance being spoken that were heard along
        self._along_asked = False
        self._ahead = -1.0                    # end of the speech that was given to the listeners ahead of the end of its pause
        self.paused, self.ready, self.streams, self.finished = paused, False, False, False
        self.tally = Tally()

    def step(self, wait_s: float = 0.0) -> bool:
        """`wait_s`: at most so long is waited for a word from the listeners."""
        sound = self._listen()
        self._watch_for_silence(sound)
        for utterance in self._endpointer.push(sound.samples) if len(sound.samples) else ():
            self._utterance(utterance)
        for message in self._ears.poll(wait_s):
            self._message(message)
        self._feed()
        over = self._endpointer.if_over()
        self._hear_ahead(over)
        self._hear_along(over is not None)
        self._face.level(self._state(), sound.level, len(self._waiting))
        return not (self.finished and not self._waiting and not self._ears.busy)

    def take_up(self, captures: Iterable[Capture]) -> None:
        """Clips that an earlier session kept and did not come to hear."""
        self._waiting.extend((capture, self._clock()) for capture in captures)

    def finish(self, wait_s: float = 10.0) -> None:
        """What was being said is kept, what is kept is heard as long as that takes no more than `wait_s`."""
        if self._microphone is not None:
            self._count(self._microphone)
            self._microphone.close()
            self._microphone = None
        if (last := self._endpointer.flush()) is not None:
            self._utterance(last)
        give_up = self._clock() + wait_s
        while (self._waiting or self._ears.busy) and self._clock() < give_up:
            self._feed()
            for message in self._ears.poll(0.05):
                self._message(message)

    @property
    def left(self) -> int:
        """Clips kept and not yet heard."""
        return len(self._waiting) + self._ears.busy

    # sound

    def _listen(self) -> Sound:
        nothing = Sound(np.zeros(0, np.float32), 0.0, 0.0)
        if self._microphone is None:
            if self._clock() >= self._look_again:
                self._look_again = self._clock() + _LOOK_AGAIN_S
                try:
                    self._microphone = self._open()
                    self._face.remark(f"listening again, with {self._microphone.device.name}")
                except HoodnoteError:
                    pass
            return nothing
        try:
            return self._microphone.read()
        except MicrophoneLost as lost:
            self._count(self._microphone)
            self._microphone.close()
            self._microphone, self._look_again = None, self._clock() + _LOOK_AGAIN_S
            self.tally.lost += 1
            if (last := self._endpointer.flush()) is not None:
                self._utterance(last)
            self._face.remark(f"{lost}; the job is kept, waiting for it")
            self._tone("stop")
            return nothing

    def _watch_for_silence(self, sound: Sound) -> None:
        if not len(sound.samples):
            return
        before = self._nothing_s
        self._nothing_s = 0.0 if np.abs(sound.samples).max() > _NOTHING else before + len(sound.samples) / SAMPLE_RATE
        if before < _MUTED_S <= self._nothing_s:
            self._face.remark("the microphone gives nothing at all; is it switched off or muted?")

    def _count(self, microphone: Microphone) -> None:
        self.tally.overflows += microphone.overflows
        self.tally.dropped += microphone.dropped

    def _utterance(self, utterance: Utterance) -> None:
        self._along = 0
        if self.finished:
            return
        if self.paused:
            self._words.append(utterance)
            return
        self._keep(utterance)

    def _keep(self, utterance: Utterance) -> None:
        """On disk and in the record before anything else is done with it."""
        ended = self._clock() - max(0.0, self._endpointer.heard_s - utterance.speech_end_s)
        kept = self._store.keep_bytes(wav(utterance.samples), ".wav")
        capture = self._store.add_capture(self._job, "clip", sha256=kept.sha256, original_name=f"live {datetime.now():%H:%M:%S}.wav",
                                          **self._named(utterance))
        self.tally.utterances += 1
        self._waiting.append((capture, ended))
        if utterance.clipped > _TOO_LOUD:
            self._face.remark("too loud: the microphone clips; hold it further away or turn it down")
        if utterance.cut:
            self._face.remark("that was longer than 30 seconds and was cut at a quiet place; both parts are kept")

    # hearing

    def _feed(self) -> None:
        if self._ears.busy or not self.ready:
            return
        if self._waiting:
            capture, ended = self._waiting.popleft()
            self._spoken = {capture.id: ended}
            self._ears.begin(capture)
        elif self._words:
            self._at_wake = self._words.popleft()
            self._ears.wake(self._at_wake.samples)

    def _hear_ahead(self, over: Utterance | None) -> None:
        if over is None or self.paused or self.finished or not self.ready or self._waiting or self._ears.busy:
            return
        if over.speech_end_s != self._ahead:
            self._ahead = over.speech_end_s
            self._ears.ahead(wav(over.samples))

    def _hear_along(self, pausing: bool) -> None:
        """What is being spoken is shown as it is heard, as long as that keeps no clip waiting."""
        frames = self._endpointer.current
        if len(frames) < self._along:
            self._along = 0
            if not self._waiting and not self._ears.busy:      # it was a knock: no answer will take the text away
                self._face.partly("")
        may = self.streams and not (pausing or self._along_asked or self.paused or self._ears.busy)
        if may and len(frames) >= self._along + _ALONG_FRAMES:
            more = frames[self._along:self._along + _MOST_ALONG]
            self._ears.along(np.concatenate(more), begins=self._along == 0)
            self._along, self._along_asked = self._along + len(more), True

    def _message(self, message: Message) -> None:
        if isinstance(message, Result):
            self._face.partly("")
        match message:
            case Ready(engines, streams):
                self.ready, self.streams, self._along_asked = True, streams, False
                if len(engines) < 2:
                    self._face.remark("only one listener is there, so every figure will be asked; see: hoodnote engines" if engines else
                                      "no listener is there; what you say is kept for 'hoodnote resume'; see: hoodnote engines")
                self._remind()
            case Partly(text):
                self._along_asked = False
                if self._along:
                    self._face.partly(text)
            case Woken(yes):
                if yes and self.paused and self._at_wake is not None:
                    self.paused = False
                    self._words.clear()
                    self._keep(self._at_wake)
            case Checked(_, findings):
                if findings:
                    self._face.checked(findings)
                    self._remind()
            case Result(capture_id, None, problem):
                self.tally.failed += 1
                self._face.remark(problem or "this clip could not be heard")
                self._tone("asked")
            case Result(capture_id, taken, _):
                self._tell(taken)
                self.tally.latencies.append(self._clock() - self._spoken.pop(capture_id, self._clock()))
                self._follow(taken)
                self._remind(taken)

    def _remind(self, taken: Taken | None = None) -> None:
        """Warnings stay before everybody's eyes until something makes them untrue or somebody says "understood"."""
        shown = self._store.warnings(self._job)
        still = standing(build(self._store.entries(self._job)), shown) if shown else ()
        self._face.standing(still, frozenset(w.id for w in taken.warnings) if taken else frozenset())

    def _tell(self, taken: Taken) -> None:
        if taken.entries or taken.warnings:
            self._face.taken(taken)
        else:
            self.tally.not_understood += 1
            self._face.not_understood(taken)

    def _follow(self, taken: Taken) -> None:
        """The tone, and what control words ask for."""
        if not taken.entries and not taken.warnings:
            self._tone("asked")
            return
        asked = any(e.standing is Standing.UNCONFIRMED for e in taken.entries)
        danger = any(w.id != CLAIM for w in taken.warnings)
        self._tone("stop" if danger else "asked" if asked or taken.warnings else "taken")
        self._ask_on(taken.entries)
        for entry in taken.entries:
            if isinstance(entry.statement, Control) and entry.standing is not Standing.UNCONFIRMED:
                self.obey(entry.statement.action)

    def _ask_on(self, entries: tuple[Entry, ...]) -> None:
        """An answer settled one of several questions, or none of them: show the one that an answer would go to now."""
        if any(e.standing is not Standing.UNCONFIRMED and (e.supersedes is not None or e.statement == Control("yes")) for e in entries):
            asked = just_asked(build(self._store.entries(self._job)))
            if asked is not None:
                self._face.questions([asked.entry])

    def obey(self, action: str) -> None:
        """What a control word asks for, or the button that stands for it."""
        timeline = build(self._store.entries(self._job))
        match action:
            case "pause":
                self.paused = True
                self._endpointer.flush()
            case "resume":
                self.paused = False
            case "read_back":
                self._face.figures([x.entry for x in timeline.live if isinstance(x.entry.statement, Measured) and x.usable][-_READ_BACK:])
                self._face.state(service_state(timeline).lines())
            case "open_questions" | "next":
                self._face.questions([x.entry for x in timeline.questions])
            case "close_job":
                self.finished = True

    def _tone(self, name: str) -> None:
        seconds = self._face.tone(name)
        if seconds:
            self._endpointer.mute(seconds + _TONE_TAIL_S)

    def _state(self) -> str:
        if self._microphone is None:
            return "no microphone"
        if self.paused:
            return "paused"
        if self._endpointer.speaking:
            return "hearing you"
        return "listening" if self.ready else "getting ready"


def wav(samples: np.ndarray) -> bytes:
    """16 bits, mono, 16 kHz."""
    import soundfile

    out = io.BytesIO()
    soundfile.write(out, samples, SAMPLE_RATE, subtype="PCM_16", format="WAV")
    return out.getvalue()
