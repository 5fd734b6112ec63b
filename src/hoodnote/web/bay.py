"""The bay screen: what the technician sees from two metres, and what the two big buttons do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hoodnote.errors import HoodnoteError
from hoodnote.web.note_acts import acted
from hoodnote.web.people import needs
from hoodnote.web.render import page, problem
from hoodnote.web.shop import in_job

if TYPE_CHECKING:
    from hoodnote.checks.model import Finding, Warning
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.records import ShownWarning
    from hoodnote.jobs.store import Job, Store
    from hoodnote.readings.model import Entry
    from hoodnote.web.people import Person


def now(store: Store, job: Job) -> dict[str, Any]:
    """All that stands before the technician: hazards nobody answered, open questions (the one that a spoken answer would go to first),
    the last reading that was taken."""
    from hoodnote.checks.dangers import standing
    from hoodnote.intake.record import just_asked
    from hoodnote.readings.timeline import build
    from hoodnote.statements.model import Measured

    timeline, warnings = build(store.entries(job)), store.warnings(job)
    first = just_asked(timeline)
    questions = sorted((x.entry for x in timeline.questions), key=lambda e: (first is None or e.id != first.entry.id, -e.id))
    taken = [x.entry for x in timeline.live if x.usable and isinstance(x.entry.statement, Measured)]
    return {"kind": "now", "hazards": [_warning(w) for w in (standing(timeline, warnings) if warnings else ())],
            "questions": [shown(e) for e in questions], "voice": first.entry.id if first else None, "warned": _newest(warnings),
            "last": shown(max(taken, key=lambda e: e.id)) if taken else None}


def shown(entry: Entry) -> dict[str, Any]:
    """One entry in large type: where it was read, the figure; for a question what there is to choose from."""
    from hoodnote.intake.headline import headline
    from hoodnote.intake.record import choices
    from hoodnote.readings.model import Standing
    from hoodnote.statements.describe import describe
    from hoodnote.statements.model import Measured

    *places, figure = headline(entry)
    return {"id": entry.id, "place": " ".join(places), "figure": figure, "standing": entry.standing.value,
            "reading": isinstance(entry.statement, Measured) and entry.standing is not Standing.UNCONFIRMED,
            "question": entry.question, "choices": [describe(s) for s in choices(entry)] if entry.question else [],
            "heard": [f"{v.reader}: {v.text or 'nothing'}" for v in entry.versions if v.reader != "typed"] if entry.question else []}


def _newest(warnings: Sequence[ShownWarning]) -> int:
    return max((w.id for w in warnings), default=0)


def _warning(warning: Warning) -> dict[str, Any]:
    return {"id": warning.id, "text": warning.text, "source": warning.source}


def _finding(finding: Finding) -> dict[str, Any]:
    return {"title": finding.title, "outcome": finding.outcome.value, "why": finding.why, "expected": finding.expected,
            "measured": finding.measured, "missing": list(finding.missing), "source": finding.source, "basis": list(finding.basis)}


def act(store: Store, job: Job, what: dict[str, Any], person: Person) -> Taken:
    """A button: `{"kind": "understood"}` with the `warned` of the `now` that was before the person, or `{"kind": "answer", "entry": id}` with `keep`, counted from 1, or `drop`. The same
    way as a spoken or typed answer. Raises HoodnoteError when the question is no longer open, or a warning came that was not before them."""
    from hoodnote.intake.questions import answer
    from hoodnote.intake.typed import type_text

    with store.together():                      # two who answer at once: the second is told that it was answered
        if what["kind"] == "understood":
            if what.get("warned") != _newest(store.warnings(job)):
                raise HoodnoteError("another warning has come meanwhile; read it, then press once more")
            taken, done, entry = type_text(store, job, "understood"), "understood", None
        else:
            entry, keep, drop = what.get("entry"), what.get("keep"), what.get("drop") is True
            if not isinstance(entry, int) or not (drop or isinstance(keep, int)):
                raise HoodnoteError("that was no answer; load the page again and press once more")
            taken = answer(store, job, entry, keep=None if drop else keep, drop=drop)
            done = "dropped" if drop else "confirmed"
        acted(store, job, person, done, taken, entry)
    return taken


class BayFace:
    """What `intake.live.Session` tells, as messages for the page. `changed`: the page should see the whole again; `recorded`: others too."""

    def __init__(self, job: Job, tell: Callable[[dict[str, Any]], None]):
        self._job, self._tell = job, tell
        self._state: tuple[str, int] = ("", 0)
        self.changed = self.recorded = False

    def level(self, state: str, level: float, waiting: int) -> None:
        """The page has its own meter; this is how the session stands."""
        if (state, waiting) != self._state or self.changed:
            self._state = (state, waiting)
            self._tell({"kind": "state", "state": state, "waiting": waiting})

    def partly(self, text: str) -> None:
        self._tell({"kind": "partly", "text": text})

    def taken(self, taken: Taken) -> None:
        from hoodnote.intake.record import CLAIM

        self.changed = self.recorded = True
        self._tell({"kind": "taken", "entries": [shown(e) for e in taken.entries],
                    "warnings": [_warning(w) for w in taken.warnings if w.id != CLAIM],
                    "claims": [w.text for w in taken.warnings if w.id == CLAIM]})

    def not_understood(self, taken: Taken) -> None:
        self.recorded = True
        self._tell({"kind": "unheard", "heard": [f"{a.reader}: {a.text}" for a in taken.accounts if a.text]})

    def checked(self, findings: tuple[Finding, ...]) -> None:
        self._tell({"kind": "checked", "findings": [_finding(f) for f in findings]})

    def standing(self, warnings: tuple[Warning, ...], just_told: frozenset[str]) -> None:
        """They come with the whole."""
        self.changed = True

    def figures(self, entries: list[Entry]) -> None:
        self._tell({"kind": "figures", "entries": [shown(e) for e in entries]})

    def state(self, lines: tuple[str, ...]) -> None:
        self._tell({"kind": "lines", "lines": list(lines)})

    def questions(self, entries: list[Entry]) -> None:
        self.changed = True
        if not entries:
            self.remark("nothing is open")

    def remark(self, text: str) -> None:
        self._tell({"kind": "remark", "text": text})

    def tone(self, name: str) -> float:
        """The page makes it and marks its own sound itself."""
        self._tell({"kind": "tone", "name": name})
        return 0.0


@needs("technician")
async def bay(request: Request) -> Response:
    try:
        job = await in_job(request, lambda store, job: job)
    except HoodnoteError as error:
        return problem(request, 404, str(error))
    return page(request, "bay.html", job=job)


routes = [Route("/job/{id:int}/bay", bay)]
