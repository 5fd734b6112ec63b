"""What somebody concluded, held against the record: which readings support it, which contradict it, what ought to be there first."""

from __future__ import annotations

from hoodnote.checks.causes.ranking import rank, weights
from hoodnote.checks.causes.record import Record, observe
from hoodnote.checks.causes.tables import SOURCE, ClaimRule, tables
from hoodnote.checks.equipment import USUAL, Equipment
from hoodnote.checks.model import Claim, Ranking, Support
from hoodnote.checks.view import View
from hoodnote.readings.model import Timeline
from hoodnote.statements.model import Fact, Statement
from hoodnote.statements.vocabulary import CLAIM_FACTS

# More than even odds, with all that ought to be on record first; and so little that the record speaks against it.
_SUPPORTED, _CONTRADICTED = 0.5, 0.05


def claims(view: View, ranking: Ranking | None) -> tuple[Claim, ...]:
    """Every usable conclusion and earlier diagnosis held against the record as the vehicle came; `ranking` is that of the same record."""
    stated = [x for x in view.usable.live if _claims(x.entry.statement)]
    record = observe(view) if stated else None
    return tuple(_claim(record, ranking, x.entry.id, x.entry.statement) for x in stated)


def _claims(statement: Statement | None) -> bool:
    return isinstance(statement, Fact) and statement.key in CLAIM_FACTS and statement.value in tables().claims


def unsupported(statement: Statement | None, timeline: Timeline, equipment: Equipment = USUAL) -> str | None:
    """One line for the technician when a conclusion is stated that the record does not bear out; None where it does, or for anything else."""
    if not _claims(statement):
        return None
    view = View(timeline, equipment)
    claim = _claim(observe(view), rank(view), 0, statement)
    match claim.support:
        case Support.SUPPORTED:
            return None
        case Support.CONTRADICTED:
            against = "; ".join(e.text for e in claim.contradicts[:2])
            return f"The record speaks against \"{statement.value}\": {against}. Check these before it goes into the note."
        case _:
            first = f"put on record first: {'; '.join(claim.missing)}" if claim.missing else "the readings point elsewhere or are not clear"
            return f"The record does not support \"{statement.value}\" yet: {first}."


def _claim(record: Record, ranking: Ranking | None, entry: int, statement: Fact) -> Claim:
    shipped = tables()
    rule = shipped.claims[statement.value]
    chosen = tuple(shipped.index(c) for c in rule.causes)
    evidence = weights(shipped, record, [chosen])[0] if record.observed else []
    supports, contradicts = [e for e in evidence if e.weight > 0], [e for e in evidence if e.weight < 0]
    missing = _missing(record, rule)
    before = float(shipped.prior(record.device)[list(chosen)].sum())
    after = sum(c.probability for c in ranking.causes if c.id in rule.causes) if ranking else before
    if contradicts and after < min(_CONTRADICTED, before / 3):
        support = Support.CONTRADICTED
    else:
        support = Support.SUPPORTED if supports and not missing and after >= _SUPPORTED else Support.NOT_SUPPORTED
    return Claim(entry, statement.key, statement.value, support, tuple(supports), tuple(contradicts), missing, SOURCE)


def _missing(record: Record, rule: ClaimRule) -> tuple[str, ...]:
    needs = tables().needs
    return tuple(needs[n].text for n in rule.needs if not any(_met(record, name) for name in needs[n].met_by))


def _met(record: Record, name: str) -> bool:
    seen = record.of("pressures" if name == "ratio" else name)
    if name == "clutch":
        return seen is not None and seen.agreement[0] == 1.0
    return seen is not None and seen.whole
