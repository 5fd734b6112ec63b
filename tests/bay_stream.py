"""The browser's side of what is agreed at the head of `hoodnote.web.ear`, without a line: what to send, and what the server's words mean."""

from __future__ import annotations

import json
import struct
import uuid
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hoodnote.web.socket_source import CHUNK, WINDOW
from tests.web_serving import Server


@dataclass
class BayStream:
    """One stream. `free`: chunks below it may be forgotten; `wanted`: the next one that the server asks for."""

    server: Server
    job_id: int = 1
    name: str = field(default_factory=lambda: str(uuid.uuid4()))
    free: int = 0
    wanted: int = 0
    ended: bool = False

    def line(self) -> dict[str, Any]:
        """What either `connect` of websockets takes."""
        cookies = "; ".join(f"{k}={v}" for k, v in self.server.cookies.items())
        return {"uri": f"ws{self.server.url.removeprefix('http')}/job/{self.job_id}/ear", "proxy": None,
                "additional_headers": {"cookie": cookies, "origin": self.server.url}}

    def hello(self) -> str:
        return json.dumps({"csrf": self.server.headers["csrf"], "stream": self.name, "first": self.free, "paused": False})

    def chunk(self, number: int, samples: np.ndarray) -> bytes:
        """samples: CHUNK of them, int16."""
        assert len(samples) == CHUNK
        return struct.pack("<III", number, 0, 0) + samples.astype("<i2", copy=False).tobytes()

    def end(self, count: int) -> str:
        return json.dumps({"kind": "end", "count": count})

    def may_send(self, number: int) -> bool:
        return number < self.wanted + WINDOW

    def told(self, text: str | bytes) -> dict[str, Any]:
        """A word of the server, and what follows from it for the stream."""
        message = json.loads(text)
        match message["kind"]:
            case "from":
                self.wanted = message["next"]
            case "kept":
                self.wanted, self.free = message["next"], max(self.free, message["kept"])
            case "ended":
                self.ended = True
        return message
