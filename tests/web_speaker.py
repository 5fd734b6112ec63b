"""A bay screen without a browser, for a server that is killed again and again: it says words into one stream, as `hoodnote.web.ear` asks for
it, and sends again what was not given free. Every 32 ms of its sound have a mean of exactly nothing, so no offset is taken from them, and a kept clip
holds the very samples that were sent."""

from __future__ import annotations

import random
import threading
import time
from dataclasses import dataclass

import numpy as np
import soundfile
from websockets.exceptions import ConnectionClosed, InvalidHandshake
from websockets.sync.client import ClientConnection, connect

from hoodnote.capture.speech.endpoint import FRAME, Endpointer, voice_detector
from hoodnote.capture.speech.recognizer import SAMPLE_RATE
from hoodnote.resources import folder
from hoodnote.web.socket_source import CHUNK
from tests.bay_stream import BayStream
from tests.web_serving import Server

_PEAK = 0.10                     # what it says to `live_engines`: "low side thirty p s i"
_PACE_S = 0.04                   # between chunks: three times as fast as a microphone
_QUIET_S = (0.3, 1.0)            # after the second of it that follows every word
_SOUNDS = 6
_AGAIN_LATER = 4013


@dataclass(frozen=True)
class Word:
    """Where in the stream somebody speaks, in samples."""

    first: int
    last: int


class Speaker:
    """`go` and `stop` as often as wanted; `words` is what was said so far, `free` the sample before which the server said all may be forgotten."""

    def __init__(self, server: Server, pick: random.Random, job_id: int = 1):
        self._stream, self._pick = BayStream(server, job_id), pick
        self._spoken = _spoken()
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None
        self.sound = np.zeros(0, np.int16)
        self.words: list[Word] = []
        self.sent = 0                             # samples
        self.connected = False
        self.problems: list[str] = []

    @property
    def stream(self) -> str:
        return self._stream.name

    @property
    def ended(self) -> bool:
        return self._stream.ended

    @property
    def free(self) -> int:
        return self._stream.free * CHUNK

    def go(self, to_the_end: bool = False) -> None:
        """`to_the_end`: no new word begins, and the stream ends when all of it is on disk."""
        self._stopped.clear()
        self._thread = threading.Thread(target=self._keep_on, args=(to_the_end,))
        self._thread.start()

    def stop(self) -> None:
        self._stopped.set()
        if self._thread is not None:
            self._thread.join()

    @property
    def speaking(self) -> bool:
        """Has the server the beginning of a word and not its end?"""
        return self.connected and any(w.first < self.sent < w.last for w in self.words[-3:])

    def _keep_on(self, to_the_end: bool) -> None:
        while not self._stopped.is_set() and not self.ended:
            try:
                with connect(**self._stream.line(), open_timeout=30, close_timeout=1) as socket:
                    self._speak(socket, to_the_end)
            except ConnectionClosed as closed:
                if closed.rcvd is not None and closed.rcvd.code not in (_AGAIN_LATER, 1001, 1012):
                    self.problems.append(f"the line was closed with {closed.rcvd.code} {closed.rcvd.reason}")
            except (OSError, EOFError, InvalidHandshake, TimeoutError):
                pass
            finally:
                self.connected = False
            self._stopped.wait(0.05)

    def _speak(self, socket: ClientConnection, to_the_end: bool) -> None:
        socket.send(self._stream.hello())
        told = self._stream.told(socket.recv(timeout=30))
        if told["kind"] != "from":
            self.problems.append(f"a hello was answered with {told}")
            return
        if not self.free <= told["next"] * CHUNK + CHUNK <= len(self.sound) + CHUNK:
            self.problems.append(f"chunk {told['next']} is wanted, with {self.free // CHUNK} to {len(self.sound) // CHUNK} to be had")
        number = told["next"]
        self.sent = number * CHUNK
        self.connected, said_end = True, False
        while not self._stopped.is_set():
            if number * CHUNK >= len(self.sound) and not to_the_end:
                self._say_more()
            if number * CHUNK < len(self.sound) and self._stream.may_send(number):
                self._send(socket, number)
                number += 1
                self.sent = number * CHUNK
                if number and self._pick.random() < 0.05:
                    self._send(socket, max(self._stream.wanted, number - 1 - self._pick.randrange(4)))
            elif to_the_end and not said_end and number * CHUNK >= len(self.sound):
                socket.send(self._stream.end(number))
                said_end = True
            time.sleep(_PACE_S)
            for text in _waiting(socket):
                message = self._stream.told(text)
                if message["kind"] == "problem":
                    self.problems.append(f"the server said: {message['text']}")
            if self.ended:
                return

    def _send(self, socket: ClientConnection, number: int) -> None:
        socket.send(self._stream.chunk(number, self.sound[number * CHUNK:(number + 1) * CHUNK]))

    def _say_more(self) -> None:
        sound, first, last = self._pick.choice(self._spoken)
        quiet = round(self._pick.uniform(*_QUIET_S) * SAMPLE_RATE) // FRAME * FRAME
        at = len(self.sound) + quiet
        self.words.append(Word(at + first, at + last))
        more = np.concatenate([np.zeros(quiet, np.int16), sound])
        self.sound = np.concatenate([self.sound, more, np.zeros(-(len(self.sound) + len(more)) % CHUNK, np.int16)])


def _waiting(socket: ClientConnection) -> list[str | bytes]:
    found = []
    try:
        while True:
            found.append(socket.recv(timeout=0))
    except TimeoutError:
        return found
    except ConnectionClosed:
        if not found:
            raise
        return found


def _spoken() -> list[tuple[np.ndarray, int, int]]:
    """Sounds that hold one utterance each, and where in them somebody speaks."""
    found = []
    shortest = sorted((folder("sample_media") / "clips").glob("*.wav"), key=lambda path: (path.stat().st_size, path.name))[:_SOUNDS]
    for path in shortest:
        samples = soundfile.read(path, dtype="float32")[0]
        samples = np.concatenate([samples, np.zeros(SAMPLE_RATE + -len(samples) % FRAME, np.float32)])
        samples = samples[:len(samples) // FRAME * FRAME]
        pcm = _level(np.round(samples / np.abs(samples).max() * _PEAK * 32768).astype(np.int16))
        heard = Endpointer(voice_detector()).push(pcm / np.float32(32768))
        if len(heard) == 1:
            loud = np.flatnonzero(np.abs(pcm) > 0.3 * 32768 * _PEAK)
            found.append((pcm, int(loud[0]), int(loud[-1]) + 1))
    return found


def _level(pcm: np.ndarray) -> np.ndarray:
    frames = pcm.reshape(-1, FRAME).astype(int)
    over = frames.sum(axis=1)
    frames -= (over // FRAME)[:, None]
    for frame, left in zip(frames, over % FRAME, strict=True):
        frame[:left] -= 1
    return frames.reshape(-1).astype(np.int16)
