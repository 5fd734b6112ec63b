"""What the sections of a note are built from: usable entries, open questions, and whether an entry still stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.note import pictures, words
from hoodnote.note.model import Question, Stated
from hoodnote.readings.facts import JobFacts, facts_of
from hoodnote.readings.model import Entry, Live, Stage, Timeline
from hoodnote.statements.model import Control, Fact, Measured, Statement, Step, Supply, uncorrected
from hoodnote.statements.vocabulary import PLACES

if TYPE_CHECKING:
    from hoodnote.jobs.store import Job

# What an advisor must hear of first; a place or kind that is not named comes after these.
_WEIGHTY_PLACES = ("charged", "recovered", "label_charge", "high_side", "low_side", "vent", "oil_added", "oil_removed", "vacuum")


@dataclass(frozen=True)
class Ground:
    job: Job
    timeline: Timeline
    facts: JobFacts
    usable: tuple[tuple[Live, Statement | None], ...]      # a correction unwrapped
    questions: tuple[Question, ...]
    question_number: dict[int, int]                        # entry id -> question number
    open_lives: tuple[Live, ...]                           # in the order of `questions`
    media: Callable[[str], Path] | None = None
    _replaced_by: dict[int, Entry] = field(default_factory=dict)
    _entries: dict[int, Entry] = field(default_factory=dict)

    @property
    def units(self) -> str:
        return self.job.units

    def stated(self, live: Live) -> Stated:
        return words.stated(live, self.units)

    def measured(self, *places: str) -> list[tuple[Live, Measured]]:
        return [(x, s) for x, s in self.usable if isinstance(s, Measured) and s.place in places]

    def steps(self) -> list[tuple[Live, Step]]:
        return [(x, s) for x, s in self.usable if isinstance(s, Step)]

    def questions_about(self, key: str, stage: Stage | None = None) -> tuple[int, ...]:
        """Numbers of the open questions of which any version speaks of this place, fact or action."""
        return tuple(self.question_number[words.entry_id(x.entry)] for x in self.open_lives
                     if key in topics(x.entry) and (stage is None or x.stage is stage))

    def successor(self, entry: int) -> Entry | None:
        return self._replaced_by.get(entry)

    @cached_property
    def _standing(self) -> set[int]:
        """Entries that a warning or a finding may stand on; a plan may be warned of."""
        return {words.entry_id(x.entry) for x, _ in self.usable} | {words.entry_id(e) for e in self.timeline.plans}

    def footing(self, basis: Iterable[int]) -> tuple[bool, tuple[int, ...]]:
        """Do all of these entries still stand, and which questions hold them up. An answer that says the same keeps its footing."""
        stands, questions = True, []
        for number in basis:
            while number not in self._standing and number not in self.question_number and self._said_again(number):
                number = words.entry_id(self._replaced_by[number])
            if number in self.question_number:
                questions.append(self.question_number[number])
                stands = False
            elif number not in self._standing:
                stands = False
        return stands, tuple(sorted(set(questions)))

    @staticmethod
    def lost(questions: Iterable[int]) -> str:
        """Why something that has lost its footing is kept back."""
        numbers = ", ".join(f"Q{n}" for n in questions)
        return f"It needs a figure that nobody confirmed ({numbers})." if numbers else "It stood on a figure that was replaced since."

    def without_doubtful(self, text: str) -> str:
        """The text with every statement that is in question named by its subject and question instead of its figure."""
        for live in self.open_lives:
            number = self.question_number[words.entry_id(live.entry)]
            for statement in (live.entry.statement, *(v.statement for v in live.entry.versions)):
                plain = uncorrected(statement)
                if isinstance(plain, (Measured, Fact)):
                    text = text.replace(words.describe(plain), f"{words.subject_words(plain)} (Q{number})")
        return text

    def _said_again(self, number: int) -> bool:
        later, earlier = self._replaced_by.get(number), self._entries.get(number)
        return later is not None and earlier is not None and uncorrected(later.statement) == uncorrected(earlier.statement)


def topics(entry: Entry) -> set[str]:
    """Places, fact keys and actions that any version of an entry speaks of."""
    found = set()
    for statement in (entry.statement, *(v.statement for v in entry.versions)):
        match uncorrected(statement):
            case Measured(place=key) | Supply(place=key) | Fact(key=key) | Step(action=key):
                found.add(key)
    return found


def ground_of(job: Job, timeline: Timeline, media: Callable[[str], Path] | None, warnings_on: dict[int, list[str]]) -> Ground:
    """`warnings_on` are the texts of warnings by the entry that they were given on."""
    open_lives = sorted((x for x in timeline.live if not _is_usable(x)), key=_weight)
    numbers = {words.entry_id(x.entry): n for n, x in enumerate(open_lives, 1)}
    return Ground(
        job=job, timeline=timeline, facts=facts_of(timeline),
        usable=tuple((x, uncorrected(x.entry.statement)) for x in timeline.live if _is_usable(x)),
        questions=tuple(_question(n, x, media, warnings_on) for n, x in enumerate(open_lives, 1)),
        question_number=numbers, open_lives=tuple(open_lives), media=media,
        _replaced_by={e.supersedes: e for e in timeline.entries if e.supersedes is not None},
        _entries={words.entry_id(e): e for e in timeline.entries})


def _is_usable(live: Live) -> bool:
    return live.usable and not isinstance(uncorrected(live.entry.statement), Control)


def _weight(live: Live) -> tuple:
    statement = uncorrected(live.entry.statement)
    match statement:
        case Measured(place=place):
            rank = _WEIGHTY_PLACES.index(place) if place in _WEIGHTY_PLACES else len(_WEIGHTY_PLACES)
        case Fact(key="refrigerant" | "label_refrigerant" | "source_refrigerant" | "oil_type"):
            rank = 2
        case Supply() | Fact():
            rank = 20
        case Step():
            rank = 21
        case Control():
            rank = 1          # whether something was taken back decides what stands
        case _:
            rank = 22
    return (rank, live.stage is not Stage.AFTER, live.order)


def _question(number: int, live: Live, media: Callable[[str], Path] | None, warnings_on: dict[int, list[str]]) -> Question:
    entry = live.entry
    return Question(
        number=number, entry=words.entry_id(entry), about=_about(live), why=_why(entry),
        text=words.question_text(entry),
        versions=tuple(words.heard(v) for v in entry.versions), whence=words.whence(entry.origin),
        crop=pictures.crop(entry.origin, media), warnings=tuple(warnings_on.get(words.entry_id(entry), ())))


def _about(live: Live) -> str:
    statement = uncorrected(live.entry.statement)
    text = words.subject_words(statement) if statement is not None else f"a {live.entry.origin.medium}"
    if isinstance(statement, Measured):
        if live.engine and PLACES[statement.place].group in ("pressure", "air", "line"):
            text += f", engine {live.engine}"
        if PLACES[statement.place].group not in ("refrigerant", "oil", "label", "vehicle"):
            text += f", {words.STAGE_WORDS[live.stage.value]}"
    return text


def _why(entry: Entry) -> str:
    meanings = {uncorrected(v.statement) for v in entry.versions}
    if entry.statement is None and not any(meanings - {None}):
        return "not understood"
    if len(meanings) > 1:
        return "the accounts differ"
    if len(entry.versions) == 1:
        return "one account only"
    return "not confirmed"
