"""The network between a browser and a server on this machine, that may be cut and mended."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress


class Wire:
    """What connects to `port` is connected to the server, until `cut`: then every connection ends and no other is taken, until `mend`."""

    def __init__(self, server_port: int):
        self._server_port = server_port
        self._lock = threading.Lock()
        self._ends: set[socket.socket] = set()
        self.port = 0
        self.mend()

    def mend(self) -> None:
        self._heard = socket.create_server(("127.0.0.1", self.port))
        self.port = self._heard.getsockname()[1]
        threading.Thread(target=self._take, args=(self._heard,), daemon=True).start()

    def cut(self) -> None:
        with suppress(OSError):
            self._heard.shutdown(socket.SHUT_RDWR)          # wakes who waits in accept
        self._heard.close()
        with self._lock:
            ends, self._ends = self._ends, set()
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _take(self, heard: socket.socket) -> None:
        with suppress(OSError):
            while True:
                near, _ = heard.accept()
                far = socket.create_connection(("127.0.0.1", self._server_port))
                with self._lock:
                    self._ends |= {near, far}
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=_pass_on, args=(one, other), daemon=True).start()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while data := one.recv(1 << 16):
            other.sendall(data)
    with suppress(OSError):
        other.shutdown(socket.SHUT_RDWR)
