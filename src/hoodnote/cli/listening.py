"""`hoodnote listen`, `devices`: the microphone and the screen that answers, in large type, without a key."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.cli.session import Commands, models_dir, open_store
from hoodnote.cli.show import entry_line, finding_lines, one_line, question_lines, taken_lines, warning_line

if TYPE_CHECKING:
    from hoodnote.capture.speech.microphone import Microphone
    from hoodnote.capture.speech.recognizer import Recognizer
    from hoodnote.capture.speech.tones import Speaker
    from hoodnote.checks.model import Finding, Warning
    from hoodnote.intake.live import Session
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Job
    from hoodnote.readings.model import Entry

_TICK_S = 0.02
_METER_EVERY_S = 0.1
_METER_WIDTH = 30
_QUIETEST_DB = -60.0
_PLACE_HEIGHT = 15        # pixels: the place smaller than its figure
_STYLES = {"taken": "1;32", "asked": "1;33", "danger": "1;97;41", "quiet": "2"}


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    listen = commands.add_parser("listen", parents=[common], help="take what you say on a job, live from the microphone")
    listen.add_argument("work_order", metavar="WORK_ORDER")
    listen.add_argument("--device", metavar="NAME", help="microphone: its number or a part of its name, see: hoodnote devices")
    listen.add_argument("--plain", action="store_true", help="one line for each answer, no large type")
    listen.add_argument("--quiet", action="store_true", help="no tones")
    listen.add_argument("--model", type=Path, metavar="DIR", help="directory of a speech model (default: the ones found, see: hoodnote engines)")
    listen.set_defaults(run=_listen)

    devices = commands.add_parser("devices", parents=[common], help="the microphones there are")
    devices.set_defaults(run=_devices)


def _devices(args: argparse.Namespace) -> None:
    from hoodnote.capture.speech.microphone import choose, devices

    found = devices()
    chosen = choose(found, None)
    for device in found:
        mark = "*" if device == chosen else " "
        print(f"{mark} {device.index:3}  {one_line(device.name)}  ({device.host}, {device.channels} "
              f"channel{'s' if device.channels > 1 else ''}, {device.rate} Hz)")
    print("* is taken unless --device names another, by its number or a part of its name")


def _listen(args: argparse.Namespace) -> None:
    with open_store(args) as store:
        job = store.job(args.work_order)
        from hoodnote.capture.speech.endpoint import Endpointer, voice_detector
        from hoodnote.cli.lexicon import lexicon_path
        from hoodnote.intake.hearing import Hearing, Setup
        from hoodnote.intake.live import Session
        from hoodnote.jobs.place import data_dir

        face = Screen(job, plain=args.plain or not sys.stdout.isatty(), quiet=args.quiet)
        ears = Hearing(Setup(data_dir(args.data), partial(_engines, args.model, models_dir(args)), lexicon_path(args.lexicon, args.data)), job)
        try:                                                 # the listeners load for seconds; the rest is got ready beside them
            microphone = _microphone(args.device, again=False)
            session = Session(store, job, microphone, partial(_microphone, args.device, again=True), Endpointer(voice_detector()), ears, face)
            face.line(f"job {job.work_order}: speak when it says listening; \"stop listening\" pauses, \"close job\" or Ctrl-C ends")
            try:
                _run(session)
            except KeyboardInterrupt:
                face.line("ending ...")
            session.finish()
        finally:
            ears.close()
            face.close()
        face.line(_summary(session, job))


def _run(session: Session) -> None:
    while session.step(_TICK_S):
        pass


def _summary(session: Session, job: Job) -> str:
    tally = session.tally
    parts = [f"{tally.utterances} utterances kept"]
    for count, text in ((tally.not_understood, "not understood"), (tally.failed, "that could not be heard"),
                        (session.left, f"left for 'hoodnote resume {job.work_order}'"), (tally.overflows, "times the sound card lost sound"),
                        (tally.dropped, "blocks of sound lost here"), (tally.lost, "times without a microphone")):
        if count:
            parts.append(f"{count} {text}")
    if tally.latencies:
        parts.append(f"answers came {sorted(tally.latencies)[len(tally.latencies) // 2]:.1f} s after the last word, in the middle")
    return f"job {job.work_order}: " + ", ".join(parts)


def _engines(model: Path | None, models: Path) -> Sequence[Recognizer]:
    from hoodnote.capture.speech.engines import best_three

    return best_three(model, models)


def _microphone(wanted: str | None, again: bool) -> Microphone:
    """`again`: devices have come or gone, so their list has to be made anew."""
    from hoodnote.capture.speech.microphone import Microphone, choose, devices, refresh

    if again:
        refresh()
    return Microphone(choose(devices(), wanted))


class Screen:
    """Answers stay and scroll; the last line shows state and level. `plain`: lines only, for a pipe or a narrow terminal."""

    def __init__(self, job: Job, plain: bool, quiet: bool):
        self._job, self._plain = job, plain
        self._colour = not plain and not os.environ.get("NO_COLOR")
        self._blocks = (sys.stdout.encoding or "").lower().startswith("utf")
        self._quiet = quiet
        self._speaker: Speaker | None = None
        self._standing: tuple[Warning, ...] = ()
        self._next_meter, self._state, self._peak, self._partial = 0.0, "", 0.0, ""

    # what Session tells

    def level(self, state: str, level: float, waiting: int) -> None:
        self._peak = max(level, self._peak)
        if self._plain:
            if state not in (self._state, "hearing you"):
                print(f"[{state}]", flush=True)
                self._state = state
            return
        now = time.monotonic()
        if now < self._next_meter and state == self._state:
            return
        self._next_meter, self._state = now + _METER_EVERY_S, state
        bar, db = meter(self._peak, self._blocks)
        self._peak = 0.0
        text = f"{state.upper():14} {bar} {db:4.0f} dB" + (f"   {waiting} waiting" if waiting else "")
        text, room = text[:self._columns], self._columns - len(text) - 3
        partial = f"   {self._partial[-room:]}" if self._partial and room > 0 else ""      # the end of it is what is new
        dim, plain = (f"\x1b[{_STYLES['quiet']}m", "\x1b[0m") if self._colour and partial else ("", "")
        print(f"\r\x1b[K{text}{dim}{partial}{plain}", end="", flush=True)

    def partly(self, text: str) -> None:
        """What is heard so far stands dim behind the meter, until the answer comes. Not for a pipe."""
        self._partial, self._next_meter = one_line(text), 0.0

    def taken(self, taken: Taken) -> None:
        from hoodnote.intake.record import CLAIM

        self._clear()
        if self._plain:
            print(*taken_lines(taken, self._job), sep="\n", flush=True)
            return
        for warning in taken.warnings:
            claim = warning.id == CLAIM
            if not claim:
                self._big("STOP", "danger")
            self.line(warning_line(warning), "asked" if claim else "danger")
        if any(w.id != CLAIM for w in taken.warnings):
            self.line("    say what you did about it, or \"understood\"", "danger")
        for entry in taken.entries:
            style = "asked" if entry.question else "taken"
            self._headline(entry, style)
            for text in question_lines(entry, self._job) if entry.question else [entry_line(entry)]:
                self.line(text, style)
            if entry.question:
                self.line("    say the figure, \"first one\", \"second one\", \"yes\", \"no\", \"scratch that\" or \"later\"", style)
        print(flush=True)

    def not_understood(self, taken: Taken) -> None:
        self._clear()
        if not self._plain:
            self._big("say again", "asked")
        heard = " / ".join(f"{a.reader}: {one_line(a.text)}" for a in taken.accounts if a.text)
        self.line(f"not understood, the clip is kept{f' ({heard})' if heard else ''}", "asked")

    def checked(self, findings: tuple[Finding, ...]) -> None:
        self._clear()
        for finding in findings:
            for text in finding_lines(finding):
                self.line(text, {"outside": "asked", "within": "taken"}.get(finding.outcome.value, "quiet"))

    def standing(self, warnings: tuple[Warning, ...], just_told: frozenset[str]) -> None:
        """Told again below every answer while they are true; in a pipe when they change."""
        before, self._standing = self._standing, warnings
        if not warnings and before:
            self.line("no warning stands any more", "taken")
        if self._plain and warnings == before:
            return
        for warning in warnings:
            if warning.id not in just_told:
                self.line(f"STILL TRUE, {warning_line(warning)}", "danger")

    def figures(self, entries: list[Entry]) -> None:
        self._clear()
        if not entries:
            self.line("no figure has been taken yet")
        for entry in entries:
            if not self._plain:
                self._headline(entry, "taken")
            self.line(entry_line(entry), "taken")

    def state(self, lines: tuple[str, ...]) -> None:
        for text in lines:
            self.line(one_line(text), "quiet")

    def questions(self, entries: list[Entry]) -> None:
        self._clear()
        if not entries:
            self.line("nothing is open")
        for entry in entries:
            for text in question_lines(entry, self._job):
                self.line(text, "asked")

    def remark(self, text: str) -> None:
        self._clear()
        self.line(one_line(text), "asked")

    def tone(self, name: str) -> float:
        if self._quiet:
            return 0.0
        if self._speaker is None:
            from hoodnote.capture.speech.tones import Speaker

            self._speaker = Speaker()
        return self._speaker.play(name)

    # the terminal

    def line(self, text: str, style: str | None = None) -> None:
        self._clear()
        print(f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if style and self._colour else text, flush=True)

    def close(self) -> None:
        self._clear()
        if self._speaker is not None:
            self._speaker.close()

    def _headline(self, entry: Entry, style: str) -> None:
        from hoodnote.intake.headline import headline

        *places, figure = headline(entry)
        for place in places:
            self._big(place, style, tallest=_PLACE_HEIGHT)
        self._big(figure, style)

    def _big(self, text: str, style: str, tallest: int = 22) -> None:
        from hoodnote.cli.banner import banner

        for row in banner(text, self._columns, self._blocks, tallest):
            self.line(row, style)
        print()

    def _clear(self) -> None:
        """Takes the meter's line away."""
        if not self._plain:
            print("\r\x1b[K", end="")

    @property
    def _columns(self) -> int:
        return shutil.get_terminal_size().columns - 1


def meter(level: float, blocks: bool = True) -> tuple[str, float]:
    """A bar from -60 dB to full scale, and the dB."""
    from math import log10

    db = max(_QUIETEST_DB, 20 * log10(max(level, 1e-9)))
    full = round(_METER_WIDTH * (1 - db / _QUIETEST_DB))
    return ("█" if blocks else "#") * full + ("░" if blocks else "-") * (_METER_WIDTH - full), db
