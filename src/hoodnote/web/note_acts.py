"""What people do to a note from the pages. Each is recorded with who did it, in one transaction with what it changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hoodnote.errors import HoodnoteError
from hoodnote.intake import corrections, questions, typed
from hoodnote.intake.corrections import NoLongerStands
from hoodnote.intake.record import Taken, choices
from hoodnote.note import layout, words
from hoodnote.note.signing import SIGNED
from hoodnote.readings.model import Entry, Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import FreeNote, Plan

if TYPE_CHECKING:
    from hoodnote.jobs.records import Act, Job
    from hoodnote.jobs.store import Store
    from hoodnote.note.model import Note
    from hoodnote.web.people import Person


@dataclass(frozen=True)
class Heard:
    """Where an entry came from, for ears and eyes."""

    clip: str | None                     # SHA-256
    photo: str | None
    part: str                            # of the clip, as a media fragment "t=0.80,2.40"
    place: str                           # in words


@dataclass(frozen=True)
class Asked:
    entry: Entry
    text: str
    versions: tuple[str, ...]            # what can be kept, counted from 1
    heard: Heard


def open_questions(store: Store, job: Job) -> dict[str, Any]:
    return {"job": job, "asked": [_asked(x.entry) for x in build(store.entries(job)).questions]}


def _asked(entry: Entry) -> Asked:
    return Asked(entry, words.question_text(entry), tuple(map(describe, choices(entry))), heard(entry))


def heard(entry: Entry) -> Heard:
    origin = entry.origin
    spoken = origin.region is not None and len(origin.region) == 2
    seen = origin.crop_sha256 is not None or (origin.region is not None and len(origin.region) == 4) or origin.medium == "photo"
    part = f"t={origin.region[0]:.2f},{origin.region[1]:.2f}" if spoken and origin.region else ""
    return Heard(origin.sha256 if spoken or origin.medium == "clip" else None, origin.sha256 if seen else None, part, layout.place_in_record(words.whence(origin)))


def entry_context(store: Store, job: Job, number: int, note: Note) -> dict[str, Any]:
    """What the page of an entry shows. Raises HoodnoteError when the job has no such entry."""
    timeline = build(store.entries(job))
    found = next((e for e in timeline.entries if e.id == number), None)
    if found is None:
        raise HoodnoteError(f"job {job.work_order} has no entry {number}")
    now: tuple[Entry, ...] = (found,)
    try:
        corrections.standing(store, job, number)
    except NoLongerStands as gone:
        now = gone.now
    stands = now == (found,)
    source = next((s for s in note.sources if s.entry == number), None)
    return {
        "job": job, "entry": found, "what": describe(found.statement), "heard": heard(found), "source": source,
        "state": layout.source_state(source) if source else "unverified transcript",
        "asked": _asked(found) if stands and found.standing is Standing.UNCONFIRMED else None,
        "stands": stands and found.standing is not Standing.UNCONFIRMED,
        "correctable": not isinstance(found.statement, (FreeNote, Plan)),
        "now": () if stands else [(e, describe(e.statement), _by(store.acts(job), e)) for e in now],
        "dropped_by": "" if stands or now else _by(store.acts(job), found),
        "overlay": _overlay(store, found),
    }


def _by(acts: list[Act], entry: Entry) -> str:
    return "; ".join(f"{a.what} by {a.person}" for a in acts if a.entry_id == entry.id and a.what != SIGNED)


def _overlay(store: Store, entry: Entry) -> str | None:
    """The photo with what was read drawn on it, where the reader kept one."""
    if entry.origin.capture_id is None:
        return None
    return next((a.detail["picture"] for a in store.accounts(entry.origin.capture_id) if a.detail and a.detail.get("picture")), None)


def act(store: Store, job: Job, number: int, form: dict[str, str], person: Person) -> tuple[str, ...]:
    """`form` has exactly one of: confirm, keep (a number), text, drop. Returns the warnings that it brought.

    Raises NoLongerStands when somebody was faster, NeedsAsking, or HoodnoteError; then nothing is recorded.
    """
    with store.together():
        entry = corrections.standing(store, job, number)
        asked = entry.standing is Standing.UNCONFIRMED
        if "confirm" in form:
            if asked:
                raise HoodnoteError("this is a question; choose what is right")
            store.add_act(job, person.name, person.role, "confirmed", entry_id=number)
            return ()
        if "drop" in form:
            taken, what = questions.answer(store, job, number, drop=True) if asked else corrections.drop(store, job, number), "dropped"
        elif "keep" in form:
            if not form["keep"].isascii() or not form["keep"].isdigit():
                raise HoodnoteError("choose one of the versions by its button")
            taken, what = questions.answer(store, job, number, keep=int(form["keep"])), "confirmed"
        elif asked:
            taken, what = questions.answer(store, job, number, text=form.get("text", "").strip()), "corrected"
        else:
            taken, what = corrections.correct(store, job, number, form.get("text", "").strip(), form.get("sure") == form.get("text")), "corrected"
        acted(store, job, person, what, taken, number)
        return _told(taken)


def acted(store: Store, job: Job, person: Person, what: str, taken: Taken, before: int | None = None) -> None:
    """Who did it, beside each entry that was made; what is "dropped" leaves none, so beside the one that was there before."""
    for entry_id in [before] if what == "dropped" else [e.id for e in taken.entries]:
        store.add_act(job, person.name, person.role, what, entry_id=entry_id, capture_id=taken.capture.id)


def add_line(store: Store, job: Job, text: str, delivery: str, person: Person) -> tuple[str, ...]:
    """A typed line, once however often it is sent."""
    with store.together():
        if store.delivered(delivery) is not None:
            return ()
        taken = typed.type_text(store, job, text, delivery)
        acted(store, job, person, "typed", taken)
        return _told(taken)


def sign(store: Store, job: Job, last: str, left_open: bool, person: Person) -> None:
    """`last`: id of the newest entry that the person had before them."""
    with store.together():
        timeline = build(store.entries(job))
        if not timeline.entries:
            raise HoodnoteError("there is nothing in this note yet to sign off")
        newest = timeline.entries[-1].id
        if last != str(newest):
            raise HoodnoteError("the note has changed since you read it; go back, read what is new, then sign it off")
        if timeline.questions and not left_open:
            raise HoodnoteError("some questions are still open; answer them, or tick that the note is signed off with them left open")
        store.add_act(job, person.name, person.role, SIGNED, entry_id=newest)


def _told(taken: Taken) -> tuple[str, ...]:
    return tuple(w.text for w in taken.warnings)
