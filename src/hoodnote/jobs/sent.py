"""What the pages add to the record: what they sent, once however often it comes, and who did what."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.records import Act, Capture, Job, capture_of
from hoodnote.jobs.rows import dump, entry_from_row
from hoodnote.readings.model import Entry


def now() -> str:
    return datetime.now(UTC).isoformat()


def same_delivery(earlier: Capture, row: dict[str, Any]) -> Capture:
    """The capture that a delivery made when it came first; one name for two things is refused, or the second would be lost."""
    if any(getattr(earlier, key) != row[key] for key in ("job_id", "medium", "sha256", "text")):
        raise HoodnoteError("this was sent under the name of something else that came before; load the page again and send it once more")
    return earlier


class Sent:
    """A part of the `Store`, which gives `_add`, `_rows`, `finish` and `together`."""

    def delivered(self, delivery: str) -> Capture | None:
        """What came under this name, if it came."""
        rows = self._rows("SELECT c.* FROM captures c JOIN deliveries d ON d.capture_id = c.id WHERE d.delivery = ?", delivery)
        return capture_of(rows[0]) if rows else None

    def told(self, capture: Capture) -> dict[str, Any]:
        """What its sender said of a capture; empty when nothing, or when it was not sent."""
        rows = self._rows("SELECT told FROM deliveries WHERE capture_id = ?", capture.id)
        return json.loads(rows[0]["told"]) if rows else {}

    def told_by(self, job: Job, sender: str) -> list[dict[str, Any]]:
        """What was said of all that came to a job under names of delivery that begin with `sender` and a colon."""
        rows = self._rows("SELECT told FROM deliveries WHERE job_id = ? AND delivery > ? AND delivery < ?", job.id, f"{sender}:", f"{sender};")
        return [json.loads(row["told"]) for row in rows]

    def capture(self, job: Job, capture_id: int) -> Capture | None:
        rows = self._rows("SELECT * FROM captures WHERE job_id = ? AND id = ?", job.id, capture_id)
        return capture_of(rows[0]) if rows else None

    def is_pending(self, capture: Capture) -> bool:
        """True until it was handled; asked inside `together`, nobody else handles it meanwhile."""
        return self.outcome(capture) is None

    def outcome(self, capture: Capture) -> tuple[str, str] | None:
        """The last one, "done" or "failed" with its message; None while it is pending."""
        rows = self._rows("SELECT state, message FROM outcomes WHERE capture_id = ? ORDER BY id DESC LIMIT 1", capture.id)
        return (rows[0]["state"], rows[0]["message"]) if rows else None

    def fail(self, capture: Capture, message: str) -> None:
        """Notes what was wrong with a capture, unless somebody else has handled it meanwhile."""
        with self.together():
            if self.is_pending(capture):
                self.finish(capture, "failed", message)

    def entries_of(self, capture: Capture) -> list[Entry]:
        """What a capture came to, superseded included; and what it made a question of, that had stood."""
        return [entry_from_row(row) for row in self._rows("SELECT * FROM entries WHERE capture_id = ? ORDER BY id", capture.id)]

    def _add_delivery(self, capture: Capture, delivery: str, told: dict[str, Any]) -> None:
        if not 8 <= len(delivery) <= 64 or not delivery.isascii() or not delivery.isprintable():
            raise HoodnoteError("the name of a delivery is 8 to 64 plain characters; load the page again")
        self._add("deliveries", {"delivery": delivery, "job_id": capture.job_id, "capture_id": capture.id, "told": dump(told)})

    def add_act(self, job: Job, person: str, role: str, what: str, *, entry_id: int | None = None, capture_id: int | None = None) -> Act:
        row = {"person": person, "role": role, "what": what, "entry_id": entry_id, "capture_id": capture_id, "done_at": now()}
        return _act({"id": self._add("acts", {"job_id": job.id, **row}), **row})

    def acts(self, job: Job) -> list[Act]:
        """Oldest first."""
        rows = self._rows("SELECT id, person, role, what, entry_id, capture_id, done_at FROM acts WHERE job_id = ? ORDER BY id", job.id)
        return [_act(row) for row in rows]


def _act(row: dict[str, Any]) -> Act:
    return Act(**{**row, "done_at": datetime.fromisoformat(row["done_at"])})
