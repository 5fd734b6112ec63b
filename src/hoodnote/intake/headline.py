"""An entry in a few large words, for a screen that is read from afar."""

from __future__ import annotations

from hoodnote.intake.record import choices
from hoodnote.readings.model import Entry
from hoodnote.statements.describe import describe, figure
from hoodnote.statements.model import Measured, Statement
from hoodnote.statements.vocabulary import PLACES


def headline(entry: Entry) -> list[str]:
    """The words in large type: place and figure; for a question the figures to choose from."""
    if not entry.question:
        return _large(entry.statement)
    found = choices(entry)
    if len(found) > 1 and all(isinstance(s, Measured) for s in found):
        place, *_ = _large(found[0])
        if len({s.unit for s in found}) == 1:      # "15 or 50 psi?": the shorter, the larger
            *others, last = found
            return [place, " or ".join([*dict.fromkeys(f"{s.value:f}" for s in others), _large(last)[-1]]) + "?"]
        return [place, " or ".join(dict.fromkeys(_large(s)[-1] for s in found)) + "?"]
    return [*_large(found[0])[:-1], _large(found[0])[-1] + "?"] if found else ["say again"]


def _large(statement: Statement | None) -> list[str]:
    if isinstance(statement, Measured):
        return [PLACES[statement.place].name, figure(statement.value, statement.unit)]
    return [describe(statement)]
