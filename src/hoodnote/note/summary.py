"""The five lines an advisor reads first: complaint, found, done, result, open. Only what stands is worded here, as guidance."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hoodnote.note import sections, words
from hoodnote.note.ground import Ground
from hoodnote.note.model import ComparisonLine, Field, FindingLine, Question, Stated
from hoodnote.note.sections import fact, share_of_label
from hoodnote.readings.model import Live, Stage
from hoodnote.statements.model import Measured, Supply, uncorrected
from hoodnote.statements.vocabulary import PARTS, PLACES

_FOUND = ("leak_found", "no_leak_found", "oil_stain", "frost_at", "noise_at", "debris_found", "found_open", "found_blown", "found_blocked",
          "found_loose", "clutch_not_engaged", "fan_not_running")
_DONE = ("replaced", "repaired", "cleaned")
_RESULT = ("vent", "low_side", "high_side")
_MOST_NAMED = 3            # findings and questions spelt out; the rest is counted


def five_lines(ground: Ground, findings: Sequence[FindingLine], comparisons: Sequence[ComparisonLine]) -> tuple[Field, ...]:
    return (_complaint(ground), _found(ground, findings), _done(ground), _result(ground, findings, comparisons), _open(ground, findings))


def _complaint(ground: Ground) -> Field:
    said = fact(ground, "complaint")
    return Field("Complaint", said.text or _nothing("not recorded", said.questions), said.stated, said.questions)


def _nothing(text: str, questions: Sequence[int]) -> str:
    return f"not confirmed ({_numbers(questions)})" if questions else text


def _numbers(questions: Sequence[int]) -> str:
    named = ", ".join(f"Q{n}" for n in questions[:_MOST_NAMED])
    return f"{named} and {len(questions) - _MOST_NAMED} more" if len(questions) > _MOST_NAMED else named


def _found(ground: Ground, findings: Sequence[FindingLine]) -> Field:
    pieces: list[tuple[str, Stated | None]] = []
    for live, step in ground.steps():
        # a leak found after the work belongs to the result
        if step.action in _FOUND and live.stage is not Stage.AFTER:
            pieces.append((words.describe(step), ground.stated(live)))
    pieces += _lost_supply(ground)
    early = [f for f in findings if f.outcome == "outside" and f.stage != Stage.AFTER.value]
    texts = list(dict.fromkeys(text for text, _ in pieces)) + [_evidence(f) for f in early[:_MOST_NAMED]]
    if len(early) > _MOST_NAMED:
        texts.append(f"{len(early) - _MOST_NAMED} more outside expectation ({', '.join(f'F{f.number}' for f in early[_MOST_NAMED:])})")
    stated = tuple(s for _, s in pieces if s is not None)
    if texts:
        return Field("Found", f"evidence supports: {_joined(texts)}", stated)
    undecided = sum(f.outcome == "cannot tell" for f in findings)
    if undecided:
        return Field("Found", f"nothing outside expectation so far; {_count(undecided, 'check')} could not decide")
    return Field("Found", "nothing outside expectation in the checks made" if findings else "no finding recorded")


def _joined(texts: Sequence[str]) -> str:
    return "; ".join(t.rstrip(". ") for t in texts)


def _evidence(finding: FindingLine) -> str:
    why = words.lower_first(finding.why.strip()).partition("; ")[0]
    return f"{why.rstrip('.')} (F{finding.number})" if why else f"{finding.title} outside expectation (F{finding.number})"


def _lost_supply(ground: Ground) -> list[tuple[str, Stated | None]]:
    """The first test point of the chain without power, and the last one before it with power, as read before the work was done."""
    state: dict[str, tuple[Live, bool]] = {}
    for live, statement in ground.usable:
        if isinstance(statement, Supply) and live.stage is not Stage.AFTER:
            state[statement.place] = (live, statement.present)
    chain = [p for p in PLACES if p in state]
    lost = next((p for p in chain if not state[p][1]), None)
    if lost is None:
        return []
    fed = [p for p in chain[:chain.index(lost)] if state[p][1]]
    before = f" (power at {PLACES[fed[-1]].name})" if fed else ""
    return [(f"no power at {PLACES[lost].name}{before}", ground.stated(state[lost][0]))]


def _done(ground: Ground) -> Field:
    texts, stated = [], []
    for action in _DONE:
        steps = [(x, s) for x, s in ground.steps() if s.action == action]
        if steps:
            parts = list(dict.fromkeys(PARTS.get(s.item, s.item) or "a part" for _, s in steps))
            texts.append(f"{action} {_listed(parts)}")
            stated += [ground.stated(x) for x, _ in steps]
    for place, verb in (("recovered", "recovered"), ("oil_added", "oil added"), ("charged", "charged")):
        if place == "charged":
            lines = sections.vacuum(ground)
            for phase, name in (("pump", "vacuum"), ("hold test", "hold test")):
                last = [v.stated for v in lines if v.phase == phase and v.stated.subject == "vacuum"][-1:]
                texts += [f"{name} {s.full}" for s in last]
                stated += last
        said = [ground.stated(x) for x, _ in ground.measured(place)]
        if not said:
            continue
        share = share_of_label(ground, place) if place == "charged" else None
        more = f", {words.percent(share)} of the label" if share is not None else ""
        texts.append(f"{verb} {_listed([s.full for s in said])}{more}{_doubt(ground, place)}")
        stated += said
    return Field("Done", "; ".join(texts) or "no work recorded", tuple(stated))


def _doubt(ground: Ground, place: str, stage: Stage | None = None) -> str:
    questions = ground.questions_about(place, stage)
    return f" (questioned, {_numbers(questions)})" if questions else ""


def _listed(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def _result(ground: Ground, findings: Sequence[FindingLine], comparisons: Sequence[ComparisonLine]) -> Field:
    texts, stated, compared, unsure = [], [], [], []
    for place in _RESULT:
        after = _last(ground, place, lambda x: x.stage is Stage.AFTER and x.engine != "off")
        if after is None:
            asked = ground.questions_about(place, Stage.AFTER)
            unsure += [f"{PLACES[place].name} not confirmed ({_numbers(asked)})"] if asked else []
            continue
        before = _last(ground, place, lambda x: x.stage is Stage.BEFORE and x.engine != "off")
        stated += [ground.stated(x) for x in (before, after) if x is not None]
        was = f"{ground.stated(before).full} → " if before is not None else ""
        texts.append(f"{PLACES[place].name} {was}{ground.stated(after).full}{_doubt(ground, place, Stage.AFTER)}")
        compared.append(before is not None)
    found_after = [(x, s) for x, s in ground.steps() if x.stage is Stage.AFTER and s.action in _FOUND]
    later = [words.describe(s) for _, s in found_after]
    later += [f"{f.title} outside expectation (F{f.number})" for f in findings if f.outcome == "outside" and f.stage == Stage.AFTER.value]
    stated += [ground.stated(x) for x, _ in found_after]
    if not texts:
        texts = [_not_proved(ground)]
    else:
        texts[0] = f"engine running: {texts[0]}" if all(s.engine == "running" for s in stated if s.value) else texts[0]
        texts += unsure
        if not all(compared):
            texts.append("not all of it read before the work" if any(compared) else "not read before the work")
        air = _last(ground, "ambient", lambda x: x.stage is Stage.AFTER)
        if air is not None:
            stated.append(ground.stated(air))
            texts.append(f"ambient air then {stated[-1].full}{_doubt(ground, 'ambient', Stage.AFTER)}")
    texts += _proof(comparisons)
    if later:
        texts.append(f"after the work: {'; '.join(later)}")
    return Field("Result", "; ".join(texts), tuple(stated))


def _proof(comparisons: Sequence[ComparisonLine]) -> list[str]:
    """Only what was compared under like conditions proves a change."""
    texts = []
    for outcome in ("proved better", "proved worse"):
        titles = [c.title for c in comparisons if c.comparable and c.outcome == outcome]
        texts += [f"{outcome} under like conditions: {', '.join(map(words.lower_first, titles))}"] if titles else []
    if comparisons and not any(c.comparable for c in comparisons):
        texts.append("before and after not comparable")
    return texts


def _not_proved(ground: Ground) -> str:
    open_after = tuple(ground.question_number[words.entry_id(x.entry)] for x in ground.open_lives
                       if x.stage is Stage.AFTER and isinstance(uncorrected(x.entry.statement), Measured))
    if open_after:
        return f"not proved: the readings after the work are not confirmed ({_numbers(sorted(open_after))})"
    if any(isinstance(s, Measured) and x.stage is Stage.AFTER and PLACES[s.place].group in ("pressure", "air", "line") for x, s in ground.usable):
        return "not proved: no vent temperature or running pressures after the work"
    return "not proved: no readings after the work"


def _last(ground: Ground, place: str, fits: Callable[[Live], bool]) -> Live | None:
    return next((x for x, s in reversed(ground.measured(place)) if fits(x)), None)


def _open(ground: Ground, findings: Sequence[FindingLine]) -> Field:
    questions = ground.questions
    undecided = [f for f in findings if f.outcome == "cannot tell"]
    if questions:
        text = f"{_count(len(questions), 'question')}: {'; '.join(_named(q) for q in questions[:_MOST_NAMED])}"
        if len(questions) > _MOST_NAMED:
            text += f"; {len(questions) - _MOST_NAMED} more"
    else:
        text = "no open question"
    if undecided:
        text += f"; {_count(len(undecided), 'check')} could not decide"
    return Field("Open", text, (), tuple(q.number for q in questions))


def _named(question: Question) -> str:
    return f"{question.about} ({question.why}, Q{question.number})"


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
