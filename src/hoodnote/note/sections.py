"""The sections of the note below its five lines."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal

from hoodnote.checks.model import Finding, Outcome
from hoodnote.note import pictures, words
from hoodnote.note.ground import Ground
from hoodnote.note.model import Cell, Field, FindingLine, FreeLine, LedgerTable, Photo, Row, Source, Stated, Table, VacuumLine, WorkLine
from hoodnote.readings.model import Entry, Live, Stage, Standing
from hoodnote.statements.describe import figure
from hoodnote.statements.model import Control, Fact, FreeNote, Measured, Statement, Step, Supply, uncorrected
from hoodnote.statements.vocabulary import FACTS, PLACES
from hoodnote.units import to_si

_CONDITIONS = ("ambient", "humidity", "altitude", "engine_speed", "settle_time", "run_time")
_AMOUNTS = ("recovered", "charged", "oil_removed", "oil_added", "dye_added", "pump_time", "hold_time")
_BALANCE = ("label_refrigerant", "label_charge", "source_refrigerant", "recovered", "cylinder_before", "cylinder_after", "charged", "scale_before", "scale_after",
            "can_content", "can_heel", "hose_allowance", "label_oil_type", "label_oil", "oil_type", "oil_removed", "oil_added", "dye_added", "cylinder_id")
# Words that only say in which stage the readings after them belong.
MARKERS = ("before_readings", "after_readings")
_OUTCOME_ORDER = (Outcome.OUTSIDE, Outcome.CANNOT_TELL, Outcome.WITHIN)


def header(ground: Ground) -> tuple[Field, ...]:
    vehicle = _facts(ground, "model_year", "make", "model")
    fields = [
        Field("Vehicle", " ".join(ground.facts.get(k) or "" for k in ("model_year", "make", "model")).strip(), vehicle.stated, vehicle.questions),
        fact(ground, "vin"),
        figures(ground, "odometer"),
        _refrigerant(ground),
        fact(ground, "expansion_device"),
        fact(ground, "compressor_drive"),
        fact(ground, "technician"),
        Field("Date", words.local_day(ground.job.opened_at)),
        _conditions(ground),
    ]
    return tuple(_capital(f) for f in fields)


def _capital(f: Field) -> Field:
    return Field(words.capital(f.label), f.text, f.stated, f.questions)


def _facts(ground: Ground, *keys: str) -> Field:
    found = [(x, s) for x, s in ground.usable if isinstance(s, Fact) and s.key in keys]
    return Field("", "", tuple(ground.stated(x) for x, _ in reversed(found)),
                 tuple(sorted({n for k in keys for n in ground.questions_about(k)})))


def fact(ground: Ground, key: str) -> Field:
    """The last standing value; an earlier one that differs is named, never dropped."""
    found = _facts(ground, key)
    text = found.stated[0].text if found.stated else ""
    others = dict.fromkeys(s.text for s in found.stated[1:] if s.text != text)
    if others:
        text += f" (earlier stated: {', '.join(others)})"
    return Field(FACTS[key], text, found.stated, found.questions)


def _refrigerant(ground: Ground) -> Field:
    own, label = fact(ground, "refrigerant"), fact(ground, "label_refrigerant")
    if own.text:
        return own
    text = f"{label.text} (from the label)" if label.text else ""
    return Field(own.label, text, label.stated, tuple(sorted({*own.questions, *label.questions})))


def _conditions(ground: Ground) -> Field:
    parts, said, questions = [], [], set()
    for place in ("ambient", "humidity", "altitude"):
        found = figures(ground, place)
        questions.update(found.questions)
        if found.stated:
            parts.append(f"{PLACES[place].name} {found.stated[0].full}")
            said.append(found.stated[0])
    return Field("Conditions", "; ".join(parts), tuple(said), tuple(sorted(questions)))


def figures(ground: Ground, place: str) -> Field:
    found = tuple(ground.stated(x) for x, _ in reversed(ground.measured(place)))
    text = found[0].full if found else ""
    if len(found) > 1:
        text += f"; earlier {', '.join(s.full for s in found[1:])}"
    return Field(PLACES[place].name, text, found, ground.questions_about(place))


def findings(ground: Ground, found: Iterable[Finding]) -> tuple[FindingLine, ...]:
    """Outside first. A finding whose ground has become a question, or was replaced, says so and keeps its figures back."""
    ordered = sorted(found, key=lambda f: _OUTCOME_ORDER.index(f.outcome))
    return tuple(_finding(ground, n, f) for n, f in enumerate(ordered, 1))


def _finding(ground: Ground, number: int, f: Finding) -> FindingLine:
    stands, questions = ground.footing(f.basis)
    expected, measured, uncertainty, outcome, why, missing = f.expected, f.measured, f.uncertainty, f.outcome.value, f.why, f.missing
    if not stands:
        expected, measured, uncertainty, outcome = "", "", "", Outcome.CANNOT_TELL.value
        why = ground.lost(questions)
        missing = (f"an answer to {', '.join(f'Q{n}' for n in questions)}",) if questions else ("the checks run again",)
    keep = ground.without_doubtful
    margin = None if f.margin_sd is None or not stands else round(f.margin_sd, 1)
    return FindingLine(number, f.check, keep(f.title), f.stage, keep(expected), keep(measured), keep(uncertainty), outcome, keep(why),
                       tuple(keep(m) for m in missing), f.source, tuple(f.basis), margin, questions)


def work(ground: Ground) -> tuple[WorkLine, ...]:
    lines = []
    for live, statement in ground.usable:
        if isinstance(statement, Step) and statement.action not in MARKERS:
            text = words.of_work(statement)
        elif isinstance(statement, Measured) and statement.place in _AMOUNTS:
            text = f"{PLACES[statement.place].name} {ground.stated(live).full}"
        else:
            continue
        lines.append(WorkLine(live.stage.value, text, ground.stated(live)))
    return tuple(lines)


def readings(ground: Ground, checks: Sequence[FindingLine]) -> Table:
    def group(live: Live, statement: Measured | Supply) -> str | None:
        if not isinstance(statement, Measured):
            return None
        if statement.place in _CONDITIONS:
            return "conditions"
        if PLACES[statement.place].group not in ("pressure", "air", "line"):
            return None
        return f"engine {live.engine}" if live.engine else "engine state not said"

    return _table(ground, checks, group, ("engine off", "engine running", "engine state not said", "conditions"), (Stage.BEFORE, Stage.AFTER))


def circuit(ground: Ground, checks: Sequence[FindingLine]) -> Table:
    def group(live: Live, statement: Measured | Supply) -> str | None:
        return "clutch circuit" if PLACES[statement.place].group == "circuit" else None

    return _table(ground, checks, group, ("clutch circuit",), ())


def _table(ground: Ground, checks: Sequence[FindingLine], group: Callable[[Live, Measured | Supply], str | None],
           groups: tuple[str, ...], always: tuple[Stage, ...]) -> Table:
    said: dict[tuple[str, str], list[Live]] = {}
    asked: dict[tuple[str, str], list[tuple[Live, int]]] = {}
    for live, statement in ground.usable:
        if isinstance(statement, (Measured, Supply)) and (where := group(live, statement)):
            said.setdefault((where, statement.place), []).append(live)
    for live in ground.open_lives:
        for place in _placed(live.entry):
            if where := group(live, place):
                asked.setdefault((where, place.place), []).append((live, ground.question_number[words.entry_id(live.entry)]))
    order = list(PLACES)
    keys = sorted({*said, *asked}, key=lambda k: (groups.index(k[0]), order.index(k[1])))
    present = {x.stage for xs in said.values() for x in xs} | {x.stage for xs in asked.values() for x, _ in xs}
    stages = [s for s in Stage if keys and (s in always or s in present)]
    rows = []
    for key in keys:
        cells = tuple(Cell(tuple(ground.stated(x) for x in reversed(said.get(key, [])) if x.stage is stage),
                           tuple(sorted({n for x, n in asked.get(key, []) if x.stage is stage}))) for stage in stages)
        ids = {words.entry_id(x.entry) for x in said.get(key, [])}
        rows.append(Row(key[0], PLACES[key[1]].name, cells, tuple(f.number for f in checks if ids & set(f.basis) and not f.questions)))
    return Table(tuple(s.value for s in stages), tuple(rows))


def _placed(entry: Entry) -> list[Measured | Supply]:
    """One statement for each place that any version speaks of."""
    found: dict[str, Measured | Supply] = {}
    for statement in (entry.statement, *(v.statement for v in entry.versions)):
        statement = uncorrected(statement)
        if isinstance(statement, (Measured, Supply)):
            found.setdefault(statement.place, statement)
    return list(found.values())


def balance(ground: Ground, ledgers: Sequence[LedgerTable]) -> tuple[Field, ...]:
    """What no ledger says with the same digits."""
    fields = []
    for key in _BALANCE:
        field = fact(ground, key) if key in FACTS else figures(ground, key)
        share = share_of_label(ground, key) if key in ("recovered", "charged") else None
        if share is not None:
            field = Field(field.label, f"{field.text}, {words.percent(share)} of the label charge", field.stated, field.questions)
        if field.questions or not all(is_in_ledger(s, ledgers) for s in field.stated):
            fields.append(field)
    return tuple(fields)


def is_in_ledger(stated: Stated, ledgers: Sequence[LedgerTable]) -> bool:
    """With the digits as they were given."""
    if stated.value is None:
        return False
    given = {figure(Decimal(x), stated.unit) for x in (stated.value, stated.tolerance) if x is not None}
    return any(stated.entry in line.basis and all(g in f"{line.what} {line.amount} {line.limit}" for g in given)
               for ledger in ledgers for line in ledger.lines)


def share_of_label(ground: Ground, place: str) -> float | None:
    """Of the label charge; None unless there is exactly one figure and nothing about either is in question."""
    found, label = ground.measured(place), ground.measured("label_charge")
    if len(found) != 1 or len(label) != 1 or ground.questions_about(place) or ground.questions_about("label_charge"):
        return None
    of_label = to_si(float(label[0][1].value), label[0][1].unit)
    return to_si(float(found[0][1].value), found[0][1].unit) / of_label if of_label > 0 else None


def vacuum(ground: Ground) -> tuple[VacuumLine, ...]:
    lines, phase = [], "pump"
    for live, statement in ground.usable:
        match statement:
            case Step(action="pump_on"):
                phase = "pump"
            case Step(action="hold_started"):
                phase = "hold test"
            case Measured(place="vacuum" | "pump_time" | "hold_time" as place):
                said = ground.stated(live)
                where = {"pump_time": "pump", "hold_time": "hold test"}.get(place, phase)
                lines.append(VacuumLine(where, f"{said.full}{'' if place == 'vacuum' else ' in all'}", said))
    return tuple(lines)


def remarks(ground: Ground, shown: set[int]) -> tuple[Stated, ...]:
    """Usable statements that no other section holds, so that none is lost."""
    return tuple(ground.stated(x) for x, s in ground.usable
                 if words.entry_id(x.entry) not in shown and not (isinstance(s, Step) and s.action in MARKERS))


def free_notes(ground: Ground) -> tuple[FreeLine, ...]:
    return tuple(FreeLine(words.entry_id(e), " ".join(e.statement.text.split()), words.whence(e.origin), words.clock(e.recorded_at, ground.job.opened_at))
                 for e in ground.timeline.free_notes)


def sources(ground: Ground, warnings_on: dict[int, list[str]], by: dict[int, str]) -> tuple[Source, ...]:
    """`by`: who did what to an entry."""
    standing = {words.entry_id(x.entry) for x in ground.timeline.live} | {words.entry_id(e) for e in ground.timeline.plans}
    return tuple(_source(ground, e, words.entry_id(e) in standing or _answers_a_warning(e), warnings_on, by) for e in ground.timeline.entries
                 if not _settled_control(e) and not isinstance(e.statement, FreeNote))


def _settled_control(entry: Entry) -> bool:
    """A word to the tool that says nothing of the job."""
    return isinstance(entry.statement, Control) and not _answers_a_warning(entry) and entry.standing is not Standing.UNCONFIRMED


def _answers_a_warning(entry: Entry) -> bool:
    """It is never live, and nothing replaces it."""
    return isinstance(entry.statement, Control) and entry.statement.action == "understood" and entry.standing is not Standing.UNCONFIRMED


def _source(ground: Ground, entry: Entry, stands: bool, warnings_on: dict[int, list[str]], by: dict[int, str]) -> Source:
    number = words.entry_id(entry)
    state, became = entry.standing.value, ""
    if number in ground.question_number:
        became = f"question {ground.question_number[number]}"
    elif not stands:
        later = ground.successor(number)
        state = "superseded"
        if later is not None and isinstance(later.statement, Control):
            state = "taken back"
        elif later is not None:
            became = f"{'answered' if entry.standing is Standing.UNCONFIRMED else 'replaced'} by entry {later.id}"
    return Source(
        entry=number, what=words.describe(_one_line(entry.statement)), standing=state, became=became,
        confidence=None if entry.confidence is None else round(entry.confidence, 3),
        heard=tuple(words.heard(v) for v in entry.versions), whence=words.whence(entry.origin),
        recorded_at=words.clock(entry.recorded_at, ground.job.opened_at), crop=pictures.crop(entry.origin, ground.media),
        warnings=() if stands else tuple(warnings_on.get(number, ())), by=by.get(number, ""))


def _one_line(statement: Statement | None) -> Statement | None:
    return Fact(statement.key, " ".join(statement.value.split())) if isinstance(statement, Fact) else statement


def photos(ground: Ground) -> tuple[Photo, ...]:
    found: dict[str, str] = {}
    for entry in ground.timeline.entries:
        if entry.origin.medium == "photo" and entry.origin.sha256:
            found.setdefault(entry.origin.sha256, entry.origin.original_name or "photo")
    return tuple(Photo(name, sha, pictures.photo(sha, ground.media)) for sha, name in found.items())
