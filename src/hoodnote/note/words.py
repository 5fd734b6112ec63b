"""Entries in the words of the note, and what each of them stands on."""

from __future__ import annotations

from datetime import UTC, datetime

from hoodnote.note.model import Heard, Stated, Whence
from hoodnote.readings.model import Entry, Live, Origin, Version
from hoodnote.statements.describe import describe, figure, in_other_unit
from hoodnote.statements.model import Fact, Measured, Statement, Step, Supply, uncorrected
from hoodnote.statements.vocabulary import FACTS, PARTS, PLACES

_METRIC = {"bar", "kPa", "MPa", "kg/cm2", "C", "g", "kg", "mL", "m", "km"}
_US = {"psi", "F", "oz", "lb", "fl oz", "ft", "mi"}

STAGE_WORDS = {"before": "before the work", "during": "during the work", "after": "after the work", "": ""}


def figure_text(m: Measured, units: str) -> str:
    """The figure in the job's own units first, the other in parentheses; always with the digits as given."""
    given = figure(m.value, m.unit)
    if m.tolerance is not None:
        given += f" ± {figure(m.tolerance, m.unit)}"
    if m.unit == "inHg":
        given += " of vacuum"
    other = in_other_unit(m.value, m.unit)
    if other is None:
        return given
    foreign = m.unit in (_US if units == "metric" else _METRIC)
    return f"{other} ({given})" if foreign else f"{given} ({other})"


def percent(value: float) -> str:
    return f"{value * 100:.0f}%"


# Words for a probability: IPCC guidance note on the consistent treatment of uncertainties (2010), table 1.
_CHANCES = ((0.90, "very likely"), (0.66, "likely"), (0.33, "about as likely as not"), (0.10, "unlikely"), (0.0, "very unlikely"))
# Natural logarithm of a likelihood ratio: Kass and Raftery, Bayes factors (1995), halved from their 2 ln B.
_STRENGTHS = ((5.0, "very strong"), (3.0, "strong"), (1.0, "moderate"), (0.0, "weak"))


def chance(probability: float) -> str:
    """ "likely, about 70%". To five percent, which is all that tables of common practice bear; never 0% or 100%."""
    word = next(w for least, w in _CHANCES if probability >= least)
    if probability < 0.05:
        return f"{word}, under 5%"
    if probability > 0.95:
        return f"{word}, over 95%"
    return f"{word}, about {round(probability * 20) * 5}%"


def strength(weight: float) -> str:
    return next(w for least, w in _STRENGTHS if abs(weight) >= least)


def subject_words(statement: Statement) -> str:
    """What it is about, without a figure."""
    match uncorrected(statement):
        case Measured(place=place) | Supply(place=place):
            return PLACES[place].name
        case Fact(key=key):
            return FACTS[key]
        case Step() as step:
            return describe(step)
        case other:
            return describe(other)


def stated(live: Live, units: str) -> Stated:
    """A usable entry, ready to print. Free text keeps its words, with line breaks made into spaces."""
    entry, statement = live.entry, uncorrected(live.entry.statement)
    value = unit = at = tolerance = None
    unit_said, remarks = True, []
    match statement:
        case Measured():
            text, value, unit, unit_said = figure_text(statement, units), f"{statement.value:f}", statement.unit, statement.unit_stated
            if statement.at_minute is not None:
                at = f"{statement.at_minute:f}"
                remarks.append(f"at {at} min")
            tolerance = None if statement.tolerance is None else f"{statement.tolerance:f}"
            if not unit_said:
                remarks.append(f"unit not said ({unit} assumed)")
        case Supply(present=present):
            text = "power" if present else "no power"
        case Fact(value=said):
            text = " ".join(said.split())
        case None:
            text = " ".join(entry.versions[0].text.split()) if entry.versions else "nothing understood"
        case _:
            text = describe(statement)
    return Stated(entry=entry_id(entry), subject=subject_words(statement) if statement else "free note", text=text,
                  remark=", ".join(remarks), value=value, unit=unit, unit_said=unit_said, stage=live.stage.value,
                  engine=live.engine, at_minute=at, tolerance=tolerance, standing=entry.standing.value,
                  confidence=_rounded(entry.confidence), whence=whence(entry.origin))


def whence(origin: Origin) -> Whence:
    taken = None if origin.taken_at is None else f"{_local(datetime.fromisoformat(origin.taken_at)):%Y-%m-%d %H:%M}"
    return Whence(origin.medium, origin.original_name, origin.sha256, _region(origin), origin.readers, taken)


def question_text(entry: Entry) -> str:
    """One line."""
    return " ".join((entry.question or f"{describe(entry.statement)}?").split())


def heard(version: Version) -> Heard:
    return Heard(version.reader, " ".join(version.text.split()), describe(version.statement), _rounded(version.confidence))


def of_work(step: Step) -> str:
    """A step as the correction line says it: "replaced O-ring"."""
    if step.item is None or step.action not in ("replaced", "repaired", "cleaned"):
        return describe(step)
    return f"{step.action} {PARTS.get(step.item, step.item)}"


def local_day(moment: datetime) -> str:
    return _local(moment).strftime("%Y-%m-%d")


def clock(moment: datetime | None, opened: datetime) -> str:
    """Time of day, with the date unless it is the day the job was opened."""
    if moment is None:
        return ""
    return _local(moment).strftime("%H:%M" if local_day(moment) == local_day(opened) else "%Y-%m-%d %H:%M")


def lower_first(text: str) -> str:
    """For the middle of a sentence; a name in capitals stays."""
    return text if len(text) < 2 or not text[1].islower() else text[0].lower() + text[1:]


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def iso(moment: datetime) -> str:
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).isoformat(timespec="seconds")


def _local(moment: datetime) -> datetime:
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone()


def entry_id(entry: Entry) -> int:
    if entry.id is None:
        raise ValueError("a note is made of stored entries; this one has no id")
    return entry.id


def _rounded(confidence: float | None) -> float | None:
    return None if confidence is None else round(confidence, 3)


def _region(origin: Origin) -> str | None:
    match origin.region:
        case None | ():
            return None
        case (start, end):
            return f"{start:.1f} to {end:.1f} s"
        case (left, top, right, bottom):
            return f"pixels {left:.0f}, {top:.0f} to {right:.0f}, {bottom:.0f}"
        case other:
            return ", ".join(f"{x:g}" for x in other)
