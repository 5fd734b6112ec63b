"""Kills the server again and again at random moments while a phone sends photos and a bay screen sends speech to it, and looks at the record
after every kill.

`python -m tests.bench.bench_kill --kills 200 [--seed N]` runs a real `hoodnote serve`, only what hears and reads are stand-ins. The phone sends in pieces, out of order, several at once,
some of them again after they were acknowledged, and sends again what was not. After each kill (SIGKILL, so nothing of the server runs
any more): the database is whole, every acknowledged delivery is there once with its file byte for byte, no kept file is cut, and no photo
came to more than it shows. The bay's chunks come twice or anew after every kill: what was given free is in the record, each word in one clip,
sample for sample as it was sent. At the end everything is sent, read or heard, and there once.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import threading
import time
import wave
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np

from hoodnote.jobs.store import DATABASE, Store
from tests.web_phone import picture
from tests.web_serving import Server
from tests.web_speaker import Speaker

_PIECE = 8192
_BETWEEN_S = 0.02        # a phone at the edge of the Wi-Fi
_SENDERS = 3
_LIFE_S = 2.5            # the longest that a server lives after it answers; one in five is killed while it starts
_MOMENT_S = 4.0          # that it is waited for the moment of the kill
_ALL_READ_S = 600.0
_TELL_EVERY = 10         # kills


@dataclass
class Tally:
    kills: int = 0
    starting: int = 0            # killed before the server answered
    uploading: int = 0           # killed with a photo on its way
    speaking: int = 0            # killed in the middle of a word
    waiting: int = 0             # killed with photos or clips kept and not yet read or heard
    sends: int = 0
    acknowledged: int = 0
    repeats: int = 0             # sent again after they had been acknowledged
    words: int = 0               # said, each in one clip in the end
    half: int = 0                # half arrived files that kills left, swept later
    problems: list[str] = field(default_factory=list)


class Phone:
    """Sends from several threads until stopped; knows what was acknowledged and what for."""

    def __init__(self, server: Server, pick: random.Random, tally: Tally):
        self._server, self.pick, self.tally = server, pick, tally
        self._lock = threading.Lock()
        self._stopped = threading.Event()
        self.photos: dict[str, bytes] = {}
        self.answers: dict[str, int] = {}        # capture ids by delivery
        self.in_flight = 0
        self._threads: list[threading.Thread] = []

    def go(self, new_until: int) -> None:
        self._stopped.clear()
        self._threads = [threading.Thread(target=self._send_on, args=(new_until,)) for _ in range(_SENDERS)]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        self._stopped.set()
        for thread in self._threads:
            thread.join()

    @property
    def left(self) -> int:
        with self._lock:
            return len(self.photos) - len(self.answers)

    def _next(self, new_until: int) -> str | None:
        with self._lock:
            waiting = [d for d in self.photos if d not in self.answers]
            if self.answers and self.pick.random() < 0.05:
                self.tally.repeats += 1
                return self.pick.choice(list(self.answers))
            if len(self.photos) < new_until and (not waiting or self.pick.random() < 0.5):
                number = len(self.photos)
                made = f"delivery-{number:06d}"
                # what follows the end of a JPEG belongs to the file and not to the picture
                self.photos[made] = picture(number) + self.pick.randbytes(self.pick.randrange(200_000))
                return made
            return self.pick.choice(waiting) if waiting else None

    def _send_on(self, new_until: int) -> None:
        with httpx.Client(base_url=self._server.url, headers=self._server.headers, cookies=self._server.cookies, timeout=30) as client:
            while not self._stopped.is_set():
                delivery = self._next(new_until)
                if delivery is None:
                    self._stopped.wait(0.05)
                    continue
                self._send(client, delivery)

    def _send(self, client: httpx.Client, delivery: str) -> None:
        with self._lock:
            self.in_flight += 1
            self.tally.sends += 1
        try:
            answer = client.post(f"/job/1/photos?delivery={delivery}&name={delivery}.jpg&kind=display", content=self._pieces(self.photos[delivery]))
        except httpx.HTTPError:
            self._stopped.wait(0.05)
            return
        finally:
            with self._lock:
                self.in_flight -= 1
        with self._lock:
            if answer.status_code != 201:
                if answer.status_code not in (429, 507):
                    self.tally.problems.append(f"{delivery} was answered with {answer.status_code}: {answer.text[:200]}")
                return
            first = self.answers.setdefault(delivery, answer.json()["capture"])
            if first != answer.json()["capture"]:
                self.tally.problems.append(f"{delivery} was capture {first}, then {answer.json()['capture']}")

    def _pieces(self, content: bytes) -> Iterator[bytes]:
        for start in range(0, len(content), _PIECE):
            yield content[start:start + _PIECE]
            time.sleep(_BETWEEN_S)


def look(data: Path, phone: Phone, speaker: Speaker, seen_files: set[Path]) -> tuple[list[str], int]:
    """What is wrong with the record as it lies there, and how many captures wait to be read. Files looked at before are not read again."""
    problems = []
    media = data / "media"
    for path in {p for p in media.glob("??/*") if p.is_file()} - seen_files:
        seen_files.add(path)
        if hashlib.sha256(path.read_bytes()).hexdigest() != path.stem:
            problems.append(f"{path.name} is not what its name says")
    if not (data / DATABASE).exists():
        return problems, 0
    database = sqlite3.connect(data / DATABASE, timeout=60)
    try:
        for pragma in ("integrity_check", "foreign_key_check"):
            told = database.execute(f"PRAGMA {pragma}").fetchall()
            if told not in ([], [("ok",)]):
                problems.append(f"{pragma}: {told[:3]}")
        rows = database.execute("SELECT d.delivery, c.id, c.sha256, c.medium, d.told FROM deliveries d JOIN captures c ON c.id = d.capture_id").fetchall()
        kept = {delivery: (capture, sha256) for delivery, capture, sha256, medium, _ in rows if medium == "photo"}
        problems += _look_at_clips(media, speaker, [(sha256, json.loads(told)) for _, _, sha256, medium, told in rows if medium == "clip"])
        for delivery, capture in dict(phone.answers).items():
            expected = (capture, hashlib.sha256(phone.photos[delivery]).hexdigest())
            if kept.get(delivery) != expected:
                problems.append(f"acknowledged {delivery} is {kept.get(delivery)}, not {expected}")
        problems += [f"file of {delivery} is missing" for delivery, (_, sha) in kept.items() if not (media / sha[:2] / f"{sha}.jpg").exists()]
        for table, rule in (("captures", "id NOT IN (SELECT capture_id FROM deliveries)"), ("deliveries", "capture_id IN (SELECT id FROM captures WHERE medium = 'photo') AND capture_id NOT IN (SELECT capture_id FROM acts)")):
            if (many := database.execute(f"SELECT count(*) FROM {table} WHERE {rule}").fetchone()[0]):
                problems.append(f"{many} of {table} stand alone")
        twice = database.execute("SELECT capture_id, count(*) FROM outcomes GROUP BY capture_id HAVING count(*) > 1").fetchall()
        problems += [f"capture {capture} was handled {many} times" for capture, many in twice]
        # a plain picture shows one thing: that there is nothing to be read; and a word says one to the stand-ins
        uneven = database.execute("SELECT c.id, count(e.id), c.id IN (SELECT capture_id FROM outcomes) AS handled FROM captures c "
                                  "LEFT JOIN entries e ON e.capture_id = c.id GROUP BY c.id HAVING count(e.id) <> handled").fetchall()
        problems += [f"capture {capture} has {many} entries, handled: {bool(handled)}" for capture, many, handled in uneven]
        pending = database.execute("SELECT count(*) FROM captures WHERE id NOT IN (SELECT capture_id FROM outcomes)").fetchone()[0]
    finally:
        database.close()
    return problems, pending


def _look_at_clips(media: Path, speaker: Speaker, clips: list[tuple[str, dict]]) -> list[str]:
    """Each word that was given free is in one clip, and each clip is its stretch of the stream."""
    problems = []
    stretches = sorted((told["from"], told["to"], sha256) for sha256, told in clips if told["stream"] == speaker.stream)
    for (_, ended, _), (begun, _, _) in itertools.pairwise(stretches):
        if begun < ended:
            problems.append(f"the sound from {begun} to {ended} was taken twice")
    for first, last, sha256 in stretches:
        with wave.open(str(media / sha256[:2] / f"{sha256}.wav")) as clip:
            samples = np.frombuffer(clip.readframes(clip.getnframes()), "<i2")
        if not np.array_equal(samples, speaker.sound[first:last]):
            problems.append(f"the clip from {first} to {last} is not what was sent")
    for word in speaker.words:
        holding = [(first, last) for first, last, _ in stretches if first < word.last and word.first < last]
        whole = len(holding) == 1 and holding[0][0] <= word.first and word.last <= holding[0][1]
        if not whole and (holding or word.last <= speaker.free):
            problems.append(f"the word from {word.first} to {word.last}, free to {speaker.free}, is in {holding}")
    return problems


def run(data: Path, kills: int, seed: int, photos_a_life: int = 3, show: bool = False) -> Tally:
    pick, tally = random.Random(seed), Tally()
    with Store.open(data) as store:
        store.create_job("WO-1")
    server = Server(data, stand_ins=True)
    phone, speaker = Phone(server, pick, tally), Speaker(server, random.Random(seed))
    try:
        _kill_on(server, phone, speaker, data, kills, photos_a_life, show)
    finally:
        phone.stop()
        speaker.stop()
        server.kill()
    return tally


def _kill_on(server: Server, phone: Phone, speaker: Speaker, data: Path, kills: int, photos_a_life: int, show: bool) -> None:
    pick, tally, seen_files, begun = phone.pick, phone.tally, set(), time.monotonic()
    for number in range(kills):
        server.start()
        if number and pick.random() < 0.2:
            time.sleep(pick.uniform(0, 1.5))
            tally.starting += 1
            server.kill()
        else:
            server.wait_until_it_answers()
            phone.go(len(phone.photos) + photos_a_life)
            speaker.go()
            time.sleep(pick.uniform(0, _LIFE_S))
            give_up = time.monotonic() + _MOMENT_S
            # of three kills one comes in the middle of an upload, one in the middle of a word, one at any time
            while not (True, phone.in_flight, speaker.speaking)[number % 3] and time.monotonic() < give_up:
                time.sleep(0.001)
            tally.uploading += phone.in_flight > 0
            tally.speaking += speaker.speaking
            server.kill()
            phone.stop()
            speaker.stop()
        tally.kills += 1
        problems, pending = look(data, phone, speaker, seen_files)
        tally.waiting += pending > 0
        tally.problems += [f"after kill {number + 1}: {p}" for p in [*problems, *speaker.problems]]
        speaker.problems.clear()
        if show and (problems or tally.kills % _TELL_EVERY == 0):      # a run that is cut off has told so much
            print(f"{time.monotonic() - begun:.0f} s: {tally.kills} kills, {tally.speaking} in a word, {tally.uploading} in an upload; {len(phone.answers)} photos and "
                  f"{sum(w.last <= speaker.free for w in speaker.words)} words acknowledged, {len(tally.problems)} problems", *problems, sep="\n  ", flush=True)
        if len(tally.problems) > 20:
            return
    left = list((data / "media").glob("incoming-*"))
    tally.half = len(left)
    for path in [*(p for folder in left if folder.is_dir() for p in folder.iterdir()), *left]:
        os.utime(path, (0, 0))                # as old as they would be when somebody comes back
    _to_the_end(server, phone, speaker, data, seen_files, tally)


def _to_the_end(server: Server, phone: Phone, speaker: Speaker, data: Path, seen_files: set[Path], tally: Tally) -> None:
    server.start()
    server.wait_until_it_answers()
    phone.go(0)
    speaker.go(to_the_end=True)
    give_up = time.monotonic() + _ALL_READ_S
    while time.monotonic() < give_up and len(tally.problems) < 20:
        if not phone.left and speaker.ended and look(data, phone, speaker, seen_files)[1] == 0:
            break
        time.sleep(0.5)
    phone.stop()
    speaker.stop()
    tally.acknowledged, tally.words = len(phone.answers), len(speaker.words)
    status = server.end()
    problems, pending = look(data, phone, speaker, set())
    problems += speaker.problems
    if phone.left or pending or not speaker.ended:
        problems.append(f"{phone.left} photos never acknowledged, {pending} never read or heard; the stream of speech ended: {speaker.ended}")
    if status != 0:
        problems.append(f"the server ended with {status} when asked to")
    if list((data / "media").glob("incoming-*")):
        problems.append("half arrived files were not swept")
    tally.problems += [f"at the end: {p}" for p in problems]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10_000))
    args = parser.parse_args()
    data = Path(tempfile.mkdtemp(prefix="kill-"))
    try:
        tally = run(data, args.kills, args.seed, show=True)
    finally:
        shutil.rmtree(data, ignore_errors=True)      # a process of the last server may still be at its end
    print(f"seed {args.seed}: {tally.kills} kills, {tally.starting} while it started, {tally.uploading} with a photo on its way, {tally.speaking} in the middle "
          f"of a word, {tally.waiting} with something unread or unheard; {tally.sends} sends of photos, {tally.repeats} of what was acknowledged; "
          f"{tally.acknowledged} photos and {tally.words} words there once; "
          f"{tally.half} half arrived files swept; {len(tally.problems)} problems")
    print(*tally.problems, sep="\n")
    return bool(tally.problems)


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    sys.exit(main())
