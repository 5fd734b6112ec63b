"""Times on the pages: the shop's own, with UTC in the tooltip."""

from __future__ import annotations

from datetime import UTC, datetime

from markupsafe import Markup


def moment(at: datetime) -> Markup:
    """ "2026-05-12 17:00" as an element that also carries the time in UTC."""
    utc = at.astimezone(UTC)
    return Markup('<time datetime="{}" title="{} UTC">{}</time>').format(
        utc.isoformat(timespec="seconds"), utc.strftime("%Y-%m-%d %H:%M:%S"), at.astimezone().strftime("%Y-%m-%d %H:%M"))
