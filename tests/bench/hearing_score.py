"""What the program would have made of what its listeners heard, held against what was said. Counted in statements, not in words."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import beta

from hoodnote.intake.listening import decided
from hoodnote.readings.agreement import Settled, meaning
from hoodnote.readings.decision import Decision, Opinions, decide
from hoodnote.readings.model import Standing
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Control, Statement
from hoodnote.statements.parser import parse
from tests.bench.hearing_records import from_json


@dataclass
class Scored:
    """One clip, as said and as taken. `said` is the number of statements; nobody speaks where it is 0."""

    voice: str
    condition: str
    text: str | None
    seconds: float
    said: int
    texts: dict[str, str] = field(default_factory=dict)
    confidences: dict[str, float] = field(default_factory=dict)
    exact: dict[str, bool] = field(default_factory=dict)
    cpu_s: float = 0.0
    memory_mb: int = 0
    taken_right: int = 0
    asked: int = 0
    asked_right: int = 0          # of the questions, those that offer what was said first
    missed: int = 0               # said, and neither taken, asked about nor replaced by a wrong one
    silently_wrong: list[str] = field(default_factory=list)
    statements: list[dict] = field(default_factory=list)

    @property
    def taken(self) -> int:
        return self.taken_right + len(self.silently_wrong)


def score(record: dict, how: Callable[[Opinions], Decision] = decide) -> Scored:
    truth = tuple(parse(record["said"].split())) if record["said"] else ()
    out = Scored(record["voice"], record["condition"], record["said"], record["seconds"], len(truth), memory_mb=record.get("memory_mb", 0))
    begun = time.process_time()
    decision = decided(from_json(record), how=how)
    out.cpu_s = record["cpu_s"] + time.process_time() - begun
    for account in decision.accounts:
        out.texts[account.reader], out.confidences[account.reader] = account.text, round(account.confidence, 3)
        out.exact[account.reader] = _same(account.statements, truth)
    out.texts["together"], out.exact["together"] = " ".join(decision.words), _same(decision.statements, truth)
    count(out, decision.settled, truth)
    return out


def count(out: Scored, settled: Iterable[Settled], truth: tuple[Statement, ...]) -> None:
    """Fill in what was taken, asked and missed. A statement that nobody made and that is taken is silently wrong as well."""
    # an unsettled "yes" or "next" is nothing that anybody is asked about
    settled = [s for s in settled if s.statement is not None
               and not (s.standing is Standing.UNCONFIRMED and isinstance(s.statement, Control) and s.statement.action != "withdraw")]
    taken = Counter(meaning(s.statement) for s in settled if s.standing is not Standing.UNCONFIRMED)
    offered = Counter(meaning(s.statement) for s in settled if s.standing is Standing.UNCONFIRMED)
    said = Counter(map(meaning, truth))
    out.taken_right = (taken & said).total()
    out.silently_wrong = [describe(s) for s in (taken - said).elements()]
    left = said - taken
    out.asked = offered.total()
    out.asked_right = (offered & left).total()
    out.missed = max(0, left.total() - out.asked - len(out.silently_wrong))
    out.statements = [{"statement": describe(s.statement), "standing": s.standing.value, "confidence": s.confidence,
                       "right": meaning(s.statement) in said} for s in settled]


def _same(heard: tuple[Statement, ...], said: tuple[Statement, ...]) -> bool:
    return tuple(map(meaning, heard)) == tuple(map(meaning, said))


def at_most(wrong: int, taken: int) -> float:
    """Upper end of the one-sided 95 % interval of the share that is wrong, exact (Clopper and Pearson, Biometrika 26, 1934)."""
    return float(beta.ppf(0.95, wrong + 1, taken - wrong)) if wrong < taken else 1.0


def speech_table(scored: list[Scored], by: Callable[[Scored], str], head: str) -> str:
    """One row for each value of `by` and condition, and one for all of a condition. A listener's share is of the clips that it was asked about."""
    names = list(dict.fromkeys(name for s in scored for name in s.exact))
    titles = [head, "noise", "utterances", *(f"{n} exact" for n in names), "statements", "taken, right", "asked", "missed", "silently wrong",
              "per 1000 taken", "at most (95 %)", "processor/real time, median", "95th percentile"]
    lines = ["| " + " | ".join(titles) + " |", "|" + " --- |" * len(titles)]
    for condition in dict.fromkeys(s.condition for s in scored):
        rows = [s for s in scored if s.condition == condition]
        groups = {key: [s for s in rows if by(s) == key] for key in sorted({by(s) for s in rows})}
        for key, group in [*groups.items(), ("**all**", rows)] if len(groups) > 1 else [("**all**", rows)]:
            said, wrong, taken = sum(s.said for s in group), sum(len(s.silently_wrong) for s in group), sum(s.taken for s in group)
            pace = [s.cpu_s / s.seconds for s in group]
            cells = [key, condition if condition == "clean" else f"{condition} dB", len(group), *(_share([s.exact[n] for s in group if n in s.exact], len(group)) for n in names),
                     said, f"{sum(s.taken_right for s in group) / said:.1%}", sum(s.asked for s in group), sum(s.missed for s in group),
                     wrong, f"{1000 * wrong / taken:.1f} of {taken}" if taken else "none taken", f"{1000 * at_most(wrong, taken):.0f}", f"{np.median(pace):.2f}", f"{np.quantile(pace, 0.95):.2f}"]
            lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def _share(exact: list[bool], clips: int) -> str:
    return f"{np.mean(exact):.1%}{'' if len(exact) == clips else f' of {len(exact)}'}" if exact else "-"


def silence_table(scored: list[Scored], kinds: list[str]) -> str:
    """Clips in which nobody speaks to the program: everything taken is wrong, every question is a nuisance."""
    lines = ["| sound | clips | minutes | taken | asked | processor/real time, median | 95th percentile |", "|" + " --- |" * 7]
    groups = {k: [s for s, kind in zip(scored, kinds) if kind == k] for k in sorted(set(kinds))}
    for key, group in [*groups.items(), ("**all**", scored)]:
        pace = [s.cpu_s / s.seconds for s in group]
        lines.append(f"| {key} | {len(group)} | {sum(s.seconds for s in group) / 60:.1f} | {sum(s.taken for s in group)} | {sum(s.asked for s in group)} "
                     f"| {np.median(pace):.2f} | {np.quantile(pace, 0.95):.2f} |")
    return "\n".join(lines)
