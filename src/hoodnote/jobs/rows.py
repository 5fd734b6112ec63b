"""Entries as rows of the database and back."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from functools import lru_cache
from typing import Any

from hoodnote.readings.model import Entry, Origin, Standing, Version
from hoodnote.statements.model import Statement, from_json, to_json

_COLUMNS = ("statement", "standing", "origin", "confidence", "versions", "supersedes", "question", "id", "recorded_at")


def dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False)


def entry_row(entry: Entry) -> dict[str, Any]:
    """The columns an entry brings itself; job, capture and time are the store's."""
    return {
        "statement": None if entry.statement is None else dump(to_json(entry.statement)),
        "standing": entry.standing.value,
        "origin": dump(asdict(entry.origin)),
        "confidence": entry.confidence,
        "versions": dump([_version_json(version) for version in entry.versions]),
        "supersedes": entry.supersedes,
        "question": entry.question,
    }


def entry_from_row(row: dict[str, Any]) -> Entry:
    return _entry(*(row[column] for column in _COLUMNS))


@lru_cache(maxsize=2048)       # a row never changes, and a job is read again for each of its clips and pages
def _entry(statement: str | None, standing: str, origin: str, confidence: float | None, versions: str, supersedes: int | None, question: str | None,
           number: int, recorded_at: str) -> Entry:
    where = json.loads(origin)
    region = where.pop("region")
    return Entry(
        statement=_statement(None if statement is None else json.loads(statement)),
        standing=Standing(standing),
        origin=Origin(**{**where, "region": None if region is None else tuple(region), "readers": tuple(where["readers"])}),
        confidence=confidence,
        versions=tuple(Version(v["reader"], v["text"], _statement(v["statement"]), v["confidence"]) for v in json.loads(versions)),
        supersedes=supersedes,
        question=question,
        id=number,
        recorded_at=datetime.fromisoformat(recorded_at),
    )


def _version_json(version: Version) -> dict[str, Any]:
    statement = None if version.statement is None else to_json(version.statement)
    return {"reader": version.reader, "text": version.text, "statement": statement, "confidence": version.confidence}


def _statement(data: dict[str, Any] | None) -> Statement | None:
    return None if data is None else from_json(data)
