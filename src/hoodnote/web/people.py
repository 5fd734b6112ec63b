"""Who is at a page: devices paired by a one-time code, their sessions, and what each role may do.

A code is made by who is paired already, or printed by `hoodnote serve`; it is good once and for minutes. A session is a random number in a
cookie; the data folder keeps only its SHA-256, so a copy of that file opens nothing. Sessions outlive a restart, codes do not.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
import time
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass, replace
from functools import wraps
from pathlib import Path
from typing import Any

from starlette.requests import HTTPConnection, Request
from starlette.responses import RedirectResponse, Response
from starlette.websockets import WebSocket

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import from_os
from hoodnote.whole import write_whole

ROLES = ("technician", "advisor")
CODE_S = 600.0                    # how long a code is good
SESSION_S = 7 * 86_400.0          # a device is paired anew once a week
IDLE_S = 12 * 3_600.0             # and after a night unused
FILE = "paired.json"

_ALPHABET = "ABCDEFGHJKMNPQRSTVWXYZ23456789"     # without what is mistaken for another sign
_CODE_LENGTH = 8                                 # 39 bits
_WRONG_EACH, _WRONG_ALL = 5, 20                  # wrong codes from one address, and from all, within `_WRONG_S`
_WRONG_S = 300.0
_SEEN_EVERY_S = 300.0                            # how often it is written down that a session is in use
_NAME_LENGTH = 40
_MOST_SESSIONS, _MOST_CODES = 200, 20


@dataclass(frozen=True)
class Person:
    """As what is recorded names them. `at_machine`: paired with the code that the server printed; may do what either role may."""

    name: str
    role: str
    at_machine: bool = False

    def may(self, *roles: str) -> bool:
        return self.at_machine or self.role in roles


@dataclass(frozen=True)
class Session:
    key: str                      # SHA-256 of what the cookie holds
    person: Person
    made: float                   # seconds since 1970
    seen: float


@dataclass(frozen=True)
class _Code:
    person: Person                # its name may be empty: who uses it says theirs
    until: float                  # monotonic seconds


class People:
    """Thread-safe. `clock` gives seconds since 1970, `ticks` monotonic seconds."""

    def __init__(self, data_dir: Path, clock: Callable[[], float] = time.time, ticks: Callable[[], float] = time.monotonic):
        self._path, self._clock, self._ticks = data_dir / FILE, clock, ticks
        self._lock = threading.Lock()
        self._codes: dict[str, _Code] = {}
        self._wrong: list[tuple[float, str]] = []
        self._sessions = {s.key: s for s in _read(self._path)}

    def invite(self, role: str, name: str = "", at_machine: bool = False) -> str:
        """A new code for a device of that role, good once."""
        if role not in ROLES:
            raise HoodnoteError(f"a role is {' or '.join(ROLES)}; choose one of them")
        code = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE_LENGTH))
        with self._lock:
            now = self._ticks()
            good = [(k, v) for k, v in self._codes.items() if v.until > now]
            self._codes = dict(good[-(_MOST_CODES - 1):])
            self._codes[code] = _Code(Person(name, role, at_machine), now + CODE_S)
        return code

    def pair(self, code: str, name: str, address: str) -> str:
        """Uses up a code; returns what the cookie is to hold. Raises HoodnoteError saying what to do."""
        name = _name(name)
        code = "".join(c for c in code.upper() if c.isalnum())
        with self._lock:
            now = self._ticks()
            self._wrong = [(t, a) for t, a in self._wrong if now - t < _WRONG_S]
            if len(self._wrong) >= _WRONG_ALL or sum(a == address for _, a in self._wrong) >= _WRONG_EACH:
                raise HoodnoteError("too many wrong codes came; wait five minutes, then pair again with a new code")
            found = self._codes.pop(code, None)
            if found is None or found.until <= now:
                self._wrong.append((now, address))
                raise HoodnoteError("this code is not, or no longer, good; ask at the machine for a new one")
            secret = secrets.token_urlsafe(32)
            made = self._clock()
            session = Session(_key(secret), replace(found.person, name=name), made, made)
            try:
                self._keep({**self._alive(made), session.key: session})
            except HoodnoteError:
                self._codes[code] = found
                raise
        return secret

    def session(self, secret: str) -> Session | None:
        """The session of a cookie while it is good."""
        if not secret:
            return None
        with self._lock:
            session, now = self._sessions.get(_key(secret)), self._clock()
            if session is None or not _good(session, now):
                return None
            if now - session.seen > _SEEN_EVERY_S:
                session = replace(session, seen=now)
                self._sessions[session.key] = session
                try:
                    self._keep(self._sessions)
                except HoodnoteError:      # a full disk must not lock people out
                    pass
            return session

    def sessions(self) -> list[Session]:
        with self._lock:
            return list(self._alive(self._clock()).values())

    def end(self, key: str) -> None:
        """Ends a session at once. Raises HoodnoteError when that cannot be written down; it is ended until the next start all the same."""
        with self._lock:
            self._sessions.pop(key, None)
            self._keep(self._sessions)

    def _alive(self, now: float) -> dict[str, Session]:
        good = [(k, s) for k, s in self._sessions.items() if _good(s, now)]
        return dict(good[-(_MOST_SESSIONS - 1):])

    def _keep(self, sessions: dict[str, Session]) -> None:
        write_private(self._path, json.dumps([asdict(s) for s in sessions.values()]).encode())
        self._sessions = dict(sessions)


def csrf_token(secret: str) -> str:
    """What forms and scripts of a session send along; the cookie cannot be told from it."""
    return hashlib.sha256(b"form " + secret.encode()).hexdigest()


def needs(*roles: str) -> Callable[[Callable[..., Awaitable[Any]]], Callable[..., Awaitable[Any]]]:
    """For handlers of requests and of WebSockets: only people of these roles, and who is at the machine.
    A WebSocket of anybody else is refused before it is accepted."""
    def decorate(handler: Callable[..., Awaitable[Any]]) -> Callable[..., Awaitable[Any]]:
        @wraps(handler)
        async def guarded(connection: Request | WebSocket) -> Any:
            if connection.state.person.may(*roles):
                return await handler(connection)
            return await _refuse(connection, f"this is for a {' or '.join(roles)}; pair this device again with a code for that role")
        return guarded
    return decorate


async def _refuse(connection: HTTPConnection, text: str) -> Response | None:
    from hoodnote.web.render import problem

    if isinstance(connection, WebSocket):
        await connection.close(4403, text)
        return None
    return problem(Request(connection.scope), 403, text)


def to_pairing(request: Request) -> Response:
    """Where a person goes who is not paired; a script is told instead."""
    from urllib.parse import quote

    from hoodnote.web.render import problem

    if request.method in ("GET", "HEAD") and "text/html" in request.headers.get("accept", ""):
        wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse("/pair" + (f"?next={quote(wanted, safe='')}" if wanted != "/" else ""), 303)
    return problem(request, 401, "this device is not paired; open /pair and give the code that the machine shows")


def inside(target: str) -> str:
    """The target when it is a path of these pages, else the first page: nobody is led elsewhere."""
    plain = target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable() and "\\" not in target
    return target if plain else "/"


def write_private(path: Path, data: bytes) -> None:
    """Whole or not at all, readable by its owner alone. Raises HoodnoteError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(path, data)
    except OSError as error:
        raise from_os(error, path) from error


def _read(path: Path) -> list[Session]:
    try:
        return [Session(s["key"], Person(**s["person"]), float(s["made"]), float(s["seen"])) for s in json.loads(path.read_bytes())]
    except FileNotFoundError:
        return []
    except (ValueError, TypeError, KeyError) as error:
        raise HoodnoteError(f"{path} is damaged; remove it, then pair the devices again") from error
    except OSError as error:
        raise from_os(error, path) from error


def _good(session: Session, now: float) -> bool:
    """A clock that was set back by more than a minute ends it as well: its age is not known any more."""
    return -60 < now - session.seen < IDLE_S and -60 < now - session.made < SESSION_S


def _key(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _name(text: str) -> str:
    name = " ".join(text.split())
    if not name or len(name) > _NAME_LENGTH or not name.isprintable():
        raise HoodnoteError(f"give your name, 1 to {_NAME_LENGTH} printable characters, as it shall stand in the note")
    return name
