"""Clients for a load on the pages, made cheap so that they take little of the processor that they measure: bays that talk, pages that look."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field

import httpx
import numpy as np
from websockets.asyncio.client import ClientConnection, connect

from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.statements.model import Control
from hoodnote.web.socket_source import CHUNK
from tests.bay_stream import BayStream
from tests.bench.noise import add_noise, shop_noise, speech_level
from tests.bench.utterances import utterances
from tests.bench.voices import DEVELOPMENT, say
from tests.web_serving import Server

_LEVEL = 0.08
_NOISE_S = 20.0
_LOUD = 0.02                     # of the peak: where a synthetic voice begins and ends
_READY_S, _ENDED_S = 180.0, 120.0


@dataclass(frozen=True)
class Said:
    """One utterance in a bay's stream: samples from its first to behind its last loud one."""

    text: str
    first: int
    last: int


@dataclass
class Sound:
    pcm: np.ndarray                  # (chunks, CHUNK) int16
    said: list[Said]


def sounds(bays: int, seconds: float, every_s: float, snr_db: float) -> list[Sound]:
    """Each bay's own voice, utterances about `every_s` apart over a shop's noise; bays begin at different moments."""
    pick = np.random.default_rng(6)
    each = int(seconds / every_s) + 2
    texts = [u for u in utterances(2 * bays * each, 61) if not any(isinstance(s, Control) for s in u.statements)]
    noise = shop_noise(_NOISE_S, 5)
    out = []
    for bay in range(bays):
        voice = DEVELOPMENT[bay % len(DEVELOPMENT)]
        sound, said, at = np.zeros(int(seconds * SAMPLE_RATE), np.float32), [], every_s * bay / bays + 1.0
        for utterance in texts[bay * each:(bay + 1) * each]:
            samples = say(voice, utterance.spoken)
            first = int(at * SAMPLE_RATE)
            if first + len(samples) + 2 * SAMPLE_RATE > len(sound):
                break
            loud = np.flatnonzero(np.abs(samples) > _LOUD * np.abs(samples).max())
            sound[first:first + len(samples)] = samples * np.float32(_LEVEL / speech_level(samples))
            said.append(Said(utterance.text, first + int(loud[0]), first + int(loud[-1]) + 1))
            at = max(at + every_s * pick.uniform(0.75, 1.25), at + len(samples) / SAMPLE_RATE + 2.0)
        background = np.roll(np.tile(noise, int(seconds / _NOISE_S) + 1), 7919 * bay)[:len(sound)]
        mixed = add_noise(sound, background, snr_db) if said else 0.01 * background
        pcm = np.round(np.clip(mixed, -1, 1) * 32767).astype("<i2")
        out.append(Sound(np.pad(pcm, (0, -len(pcm) % CHUNK)).reshape(-1, CHUNK), said))
    return out


@dataclass
class Bay:
    """One browser of a technician, without its page. `begun`: the monotonic second at which sample 0 was spoken."""

    server: Server
    job_id: int
    sound: Sound
    begun: float = 0.0
    answers: list[float] = field(default_factory=list)
    waiting: int = 0
    late: int = 0                     # chunks that the window kept back
    problems: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.ready = asyncio.Event()
        self.stream = BayStream(self.server, self.job_id)
        self._over = asyncio.Event()

    async def run(self, go: asyncio.Event) -> None:
        async with connect(**self.stream.line(), open_timeout=60, compression=None) as socket:
            await socket.send(self.stream.hello())
            told = asyncio.create_task(self._hear(socket))
            try:
                await asyncio.wait_for(self.ready.wait(), _READY_S)
                await go.wait()
                await self._speak(socket)
                await asyncio.wait_for(self._over.wait(), _ENDED_S)
            except TimeoutError:
                self.problems.append("no word from the server for too long")
            finally:
                told.cancel()

    async def _speak(self, socket: ClientConnection) -> None:
        self.begun = time.monotonic()
        for number, chunk in enumerate(self.sound.pcm):
            await asyncio.sleep(max(0.0, self.begun + (number + 1) * CHUNK / SAMPLE_RATE - time.monotonic()))
            while not self.stream.may_send(number) and not self._over.is_set():
                self.late += 1
                await asyncio.sleep(0.05)
            await socket.send(self.stream.chunk(number, chunk))
        await socket.send(self.stream.end(len(self.sound.pcm)))

    async def _hear(self, socket: ClientConnection) -> None:
        async for text in socket:
            message, now = self.stream.told(text), time.monotonic()
            match message["kind"]:
                case "taken" | "unheard":
                    self.answers.append(now)
                case "state":
                    self.waiting = message["waiting"]
                    if message["state"] == "listening":
                        self.ready.set()
                case "remark" | "problem":
                    self.problems.append(message["text"])
                case "ended":
                    self._over.set()
        self._over.set()


@dataclass
class Page:
    """An advisor's browser with the note of a job before it: its event stream is open, its changing part is fetched when it is told."""

    client: httpx.AsyncClient
    job_id: int
    took: dict[str, list[float]]     # seconds by kind of request; shared by all pages
    refused: list[str]
    reloads: int = 0

    async def load(self) -> None:
        await self._get("page", f"/job/{self.job_id}")
        for path in ("/static/hoodnote.css", "/static/advisor.css", "/note.css", "/static/advisor.js", "/static/hoodnote.svg"):
            await self._get("file", path)

    async def look(self) -> None:
        """Until it is cancelled."""
        mark = None
        async with self.client.stream("GET", f"/job/{self.job_id}/events", timeout=httpx.Timeout(30, read=60)) as stream:
            if stream.status_code != 200:
                self.refused.append(f"events: {stream.status_code}")
                return
            async for line in stream.aiter_lines():
                if line.startswith("data: ") and line != mark:
                    if mark is not None:
                        self.reloads += 1
                        await self._get("part", f"/job/{self.job_id}?part")
                    mark = line

    async def _get(self, kind: str, path: str) -> None:
        begun = time.monotonic()
        answer = await self.client.get(path)
        self.took.setdefault(kind, []).append(time.monotonic() - begun)
        if answer.status_code != 200:
            self.refused.append(f"{path}: {answer.status_code}")
