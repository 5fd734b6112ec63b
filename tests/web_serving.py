"""A real `hoodnote serve` in a process of its own, that may be killed, and a paired phone's way to talk to it."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

from hoodnote.web.people import People, csrf_token
from hoodnote.web.safety import cookie_name

_ANSWERS_S = 180.0
_WITH_STAND_INS = """
import sys
from hoodnote.capture.speech import engines
from hoodnote.web import photo_readers
from tests import live_engines, web_phone
engines.best_three = live_engines.for_command
photo_readers.read_kept = web_phone.read_nothing
from hoodnote.cli.main import main
sys.exit(main(sys.argv[1:]))
"""


class Server:
    """`start` and `kill` it as often as wanted: the phone stays paired."""

    def __init__(self, data: Path, stand_ins: bool = False):
        """The data folder must be there. What the server says goes into `log`, beside it. `stand_ins`: for listeners and readers."""
        self._data, self.log = data, data.with_suffix(".log")
        self._program = ["-c", _WITH_STAND_INS] if stand_ins else ["-m", "hoodnote"]
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        self._process: subprocess.Popen | None = None
        self.url = f"http://127.0.0.1:{self._port}"
        people = People(data)
        secret = people.pair(people.invite("technician"), "Ada", "test")
        self.headers, self.cookies = {"csrf": csrf_token(secret)}, {cookie_name(lan=False): secret}

    @property
    def pid(self) -> int:
        return self._process.pid

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([sys.executable, *self._program, "serve", "--data", str(self._data), "--port", str(self._port)],
                                             stdin=subprocess.DEVNULL, stdout=log, stderr=log)

    def wait_until_it_answers(self) -> None:
        give_up = time.monotonic() + _ANSWERS_S
        while True:
            try:
                httpx.get(self.url + "/pair", timeout=5)
                return
            except httpx.TransportError:
                if self._process.poll() is not None or time.monotonic() > give_up:
                    raise RuntimeError(f"the server does not answer (status {self._process.poll()}), see {self.log}") from None
                time.sleep(0.05)

    def kill(self) -> None:
        """Nothing when it has ended or was never started."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def end(self) -> int:
        """Asks it to end; returns its status."""
        self._process.send_signal(signal.SIGINT)
        try:
            return self._process.wait(60)
        except subprocess.TimeoutExpired:
            self.kill()
            raise
