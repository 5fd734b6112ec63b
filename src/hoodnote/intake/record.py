"""From settled statements to entries of a job: corrections and control words act here, doubts become questions, hazards are raised."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from hoodnote import checks
from hoodnote.checks.dangers import became_true
from hoodnote.checks.equipment import Equipment, shop_equipment
from hoodnote.checks.model import Warning
from hoodnote.checks.wording import habit
from hoodnote.readings.agreement import Account, Settled
from hoodnote.readings.model import Entry, Live, Origin, Standing, Timeline
from hoodnote.readings.timeline import build, last_about
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Answer, Control, Correction, Fact, Measured, Statement, subject, uncorrected
from hoodnote.statements.vocabulary import CLAIM_FACTS

if TYPE_CHECKING:
    from hoodnote.jobs.store import Capture, Job, Store

# a figure alone that ends this soon after the clip before it may be the rest of what was said there: "low side thirty ... five"
_SAME_BREATH = timedelta(seconds=3)
CLAIM = "not_borne_out"                  # id of what is told of a conclusion that the record does not bear


@dataclass(frozen=True)
class Taken:
    """What one capture came to."""

    capture: Capture
    entries: tuple[Entry, ...]
    warnings: tuple[Warning, ...]
    accounts: tuple[Account, ...] = ()
    remarks: tuple[str, ...] = ()          # what the reader could not do, for the person who is there to mend it
    picture_sha256: str | None = None      # the photo with what was read drawn on it, kept with the other media


def handled_already(capture: Capture) -> Taken:
    """For who finds, inside the transaction that would record a capture, that another process has done so."""
    return Taken(capture, (), (), remarks=(f"{capture.original_name or 'this'} was taken and recorded already",))


def record(store: Store, job: Job, capture: Capture, settled: Iterable[Settled], readers: tuple[str, ...],
           crops: dict[int, str] | None = None, taken_at: str | None = None) -> tuple[tuple[Entry, ...], tuple[Warning, ...]]:
    """Append the settled statements in order. `crops` maps a position among them to the SHA-256 of the piece of photo it was read from,
    `taken_at` is when the photo was taken (ISO 8601), by the camera's clock."""
    entries: list[Entry] = []
    warnings: list[Warning] = []
    equipment, told = shop_equipment(store.folder), store.told(capture)
    for index, item in enumerate(settled):
        timeline = build(store.entries(job))
        seen = _as_seen(timeline, told.get("said_at"))
        origin = Origin(capture.medium, capture.id, capture.sha256, capture.original_name, item.region, readers,
                        (crops or {}).get(index), taken_at, told.get("warned"))
        if isinstance(item.statement, Answer):
            made = _figure_alone(item, item.statement, origin, timeline, seen, _before(store, job, capture))
        else:
            entry = _entry(item, origin, timeline, seen, job.units, equipment)
            doubted = entry.standing is Standing.UNCONFIRMED and item.standing is not Standing.UNCONFIRMED
            made = [*(_at_odds(item.statement, timeline, equipment) if doubted else ()), entry]
        added = [store.add_entry(job, e, capture) for e in made]
        entries += added
        warnings += [w for w in warn(store, job, added, (item.statement, *(v.statement for v in item.versions)), timeline, equipment) if w not in warnings]
    return tuple(entries), tuple(warnings)


def warn(store: Store, job: Job, added: list[Entry], said: Iterable[Statement | None], before: Timeline,
         equipment: Equipment) -> list[Warning]:
    """Tell and keep what the statements `said` make dangerous, and the entries `added` for them, now that the record was `before`.

    Hazards of every version: a doubt about the words is no reason to keep a warning back. What was told of a question is not told again
    by its answer. A conclusion that the record does not bear is told, and not kept: the note holds it against the record as it is then.
    """
    if not added:
        return []
    replaced = {e.supersedes for e in added} - {None}
    with habit(job.units):
        found = {w.text: w for s in dict.fromkeys(said) if s is not None for w in checks.hazards(s, before, equipment)}
        changed = became_true(before, build(store.entries(job)), equipment.gauges) if replaced else []
    if replaced:
        ids = {w.id for w in found.values()}
        found |= {w.text: w for w in changed if w.id not in ids}
        answered = replaced & {x.entry.id for x in before.questions}
        told = {w.warning.text for w in store.warnings(job) if w.entry_id in answered}
        found = {text: w for text, w in found.items() if text not in told}
    for warning in found.values():
        store.add_warning(job, warning, added[-1].id)
    return [*found.values(), *_not_borne(added, before, equipment)]


def _not_borne(added: list[Entry], before: Timeline, equipment: Equipment) -> list[Warning]:
    """Conclusions and earlier diagnoses among what was taken, that nothing on record bears."""
    from hoodnote.checks import causes

    stated = [e for e in added if isinstance(e.statement, Fact) and e.statement.key in CLAIM_FACTS and e.standing is not Standing.UNCONFIRMED]
    told = [(e, causes.unsupported(e.statement, before, equipment)) for e in stated]
    return [Warning(CLAIM, text, (e.id,)) for e, text in told if text is not None]


def _entry(item: Settled, origin: Origin, timeline: Timeline, seen: Timeline, units: str, equipment: Equipment) -> Entry:
    sure = item.standing is not Standing.UNCONFIRMED
    entry = Entry(item.statement, item.standing, origin, item.confidence, item.versions, question=item.question)
    if not sure:
        return entry
    if isinstance(item.statement, Control):
        return _control(entry, item.statement, timeline, seen)
    if isinstance(item.statement, Correction):
        inner = item.statement.statement
        earlier = last_about(timeline, subject(inner))
        entry = replace(entry, statement=inner, supersedes=earlier.entry.id if earlier else None)
    return _doubted(entry, timeline, units, equipment)


def _doubted(entry: Entry, timeline: Timeline, units: str, equipment: Equipment) -> Entry:
    """The entry, or the same as a question when its figure cannot be. Plausibility asks; it never changes what was said."""
    reason = checks.implausible(entry.statement, timeline, units, equipment)
    if reason is None:
        return entry
    # a doubtful figure must not push out the one that stands
    return replace(entry, standing=Standing.UNCONFIRMED, supersedes=None, question=f"{describe(entry.statement)}? {reason}")


def _at_odds(statement: Statement, timeline: Timeline, equipment: Equipment) -> list[Entry]:
    """Of two heard figures that cannot both be, either may be the wrong one: the earlier is asked again as well.

    What a person typed or confirmed is left alone.
    """
    for live in reversed(timeline.live):
        earlier = live.entry
        if earlier.standing is not Standing.AGREED or not isinstance(earlier.statement, Measured):
            continue
        without = replace(timeline, live=tuple(x for x in timeline.live if x is not live))
        if checks.implausible(statement, without, equipment=equipment) is None:
            question = f"{describe(earlier.statement)}? It cannot stand together with {describe(statement)}"
            return [_asked_again(earlier, question)]
    return []


def _asked_again(entry: Entry, question: str) -> Entry:
    """A new entry that makes a question of one that stood."""
    return replace(entry, standing=Standing.UNCONFIRMED, supersedes=entry.id, question=question, id=None, recorded_at=None)


def _control(entry: Entry, control: Control, timeline: Timeline, seen: Timeline) -> Entry:
    if control.action == "withdraw":
        earlier = [*(x.entry.id for x in timeline.live), *(e.id for e in (*timeline.free_notes, *timeline.plans))]
        return replace(entry, supersedes=max(earlier)) if earlier else entry
    asked = just_asked(seen)
    if asked is None:
        return entry
    if control.action == "no":
        return replace(entry, supersedes=asked.entry.id)
    if control.action == "yes" and len(choices(asked.entry)) > 1:
        return entry                     # "yes" to "fifteen, or fifty?" tells nothing
    choice = {"yes": 0, "first_choice": 0, "second_choice": 1}.get(control.action)
    chosen = version_of(asked.entry, choice) if choice is not None else None
    if chosen is None:
        return entry
    return replace(entry, statement=chosen, standing=Standing.CONFIRMED, supersedes=asked.entry.id)


def _before(store: Store, job: Job, capture: Capture) -> Capture | None:
    """The clip that ended in the same breath as this one began."""
    earlier = max((c for c in store.captures(job) if c.id < capture.id), key=lambda c: c.id, default=None)
    return earlier if earlier and capture.captured_at - earlier.captured_at < _SAME_BREATH else None


def _figure_alone(item: Settled, answer: Answer, origin: Origin, timeline: Timeline, seen: Timeline, before: Capture | None) -> list[Entry]:
    """A figure answers the question just asked when one version has it. Else it is never a reading, and it makes
    a figure doubtful that was taken in the same breath before it."""
    last, asked = timeline_last_recorded(_understood(timeline)), just_asked(_understood(seen))
    in_turn = last is not None and (before is None or before.id == last.entry.origin.capture_id)
    if asked and in_turn and item.standing is not Standing.UNCONFIRMED:
        chosen = picked(asked.entry, answer)
        if chosen is not None:
            return [Entry(chosen, Standing.CONFIRMED, origin, item.confidence, item.versions, supersedes=asked.entry.id)]
    out = []
    if last and before is not None and in_turn and last.entry.standing is Standing.AGREED and isinstance(last.entry.statement, Measured):
        question = f"{describe(last.entry.statement)}? After a pause {describe(answer)} was heard: did it belong to it?"
        out.append(_asked_again(last.entry, question))
    whole = [v.statement for v in item.versions if v.statement is not None and not isinstance(v.statement, (Answer, Control))]
    if whole:      # the other listener heard a reading, not a figure alone
        out.append(Entry(whole[0], Standing.UNCONFIRMED, origin, item.confidence, item.versions,
                         question=f"{describe(whole[0])}? Or {describe(answer)}, which is no reading"))
    elif out or item.standing is not Standing.UNCONFIRMED:
        out.append(Entry(None, Standing.UNCONFIRMED, origin, item.confidence, item.versions,
                         question=f"{describe(answer)}: no question has it; say the whole reading"))
    return out


def _understood(timeline: Timeline) -> Timeline:
    """What was not understood is no question to answer."""
    return replace(timeline, live=tuple(x for x in timeline.live if x.entry.statement is not None),
                   entries=tuple(e for e in timeline.entries if e.statement is not None))


def _as_seen(timeline: Timeline, said_at: str | None) -> Timeline:
    """What stands of the record that was there when somebody spoke: sound that was sent late answers no question that was asked after it."""
    if said_at is None:
        return timeline
    moment = datetime.fromisoformat(said_at)
    return replace(timeline, live=tuple(x for x in timeline.live if x.entry.recorded_at <= moment),
                   entries=tuple(e for e in timeline.entries if e.recorded_at <= moment))


def picked(question: Entry, answer: Answer) -> Statement | None:
    """The one version of the question that has this figure; None when none has, or several."""
    matching = [s for s in choices(question) if answer.picks(s)]
    return matching[0] if len(matching) == 1 else None


def timeline_last_recorded(timeline: Timeline) -> Live | None:
    """The standing entry that was recorded last (not the one that is last in the order of the job)."""
    return max(timeline.live, key=lambda x: x.entry.id, default=None)


def just_asked(timeline: Timeline) -> Live | None:
    """The question that the very last entry of the record is, if it is one; after its answer, another of the same clip."""
    newest = next((e for e in reversed(timeline.entries) if not _in_passing(e)), None)
    if newest is None:
        return None
    answered = next((e for e in timeline.entries if e.id == newest.supersedes and e.standing is Standing.UNCONFIRMED), None)
    asked = [x for x in timeline.questions if x.entry.id == newest.id or (
        answered is not None and x.entry.origin.capture_id == answered.origin.capture_id is not None)]
    return max(asked, key=lambda x: x.entry.id, default=None)


def _in_passing(entry: Entry) -> bool:
    """A word to hoodnote that changed nothing and after which the question is still before everybody."""
    return (isinstance(entry.statement, Control) and entry.statement.action in ("yes", "read_back", "pause", "resume", "understood")
            and entry.standing is not Standing.UNCONFIRMED and entry.supersedes is None)


def version_of(entry: Entry, index: int) -> Statement | None:
    """One of the different statements that the versions of a question hold, a correction unwrapped; None when that version has none."""
    found = choices(entry)
    return found[index] if 0 <= index < len(found) else None


def choices(entry: Entry) -> list[Statement]:
    """The different statements that the versions of a question hold, corrections unwrapped; a figure alone is none."""
    found = list(dict.fromkeys(v.statement for v in entry.versions if v.statement is not None)) or [entry.statement]
    return [uncorrected(s) for s in found if s is not None and not isinstance(s, Answer)]
