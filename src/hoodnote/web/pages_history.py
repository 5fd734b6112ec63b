"""Former jobs of a vehicle with what its charge did in between; the refrigerant of the shop and of its recovery cylinders."""

from __future__ import annotations

import csv
import io
from datetime import UTC
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hoodnote.checks.visits import Known, Visit, drifts, sums, visit
from hoodnote.checks.wording import habit, mass
from hoodnote.errors import HoodnoteError
from hoodnote.web.people import needs
from hoodnote.web.render import page

if TYPE_CHECKING:
    from hoodnote.jobs.store import Store
    from hoodnote.web.shop import Shop

_HEIGHT, _BAR, _GAP, _LEFT, _TOP = 160, 26, 46, 100, 24        # of the drawing, in its own units


@needs("technician", "advisor")
async def vehicle(request: Request) -> Response:
    return page(request, "vehicle.html", **await run_in_threadpool(_vehicle, request.app.state.shop, request.path_params["vin"].upper()))


def _vehicle(shop: Shop, vin: str) -> dict[str, Any]:
    from hoodnote.readings.facts import facts_of
    from hoodnote.readings.timeline import build

    if not (vin.isascii() and vin.isalnum() and len(vin) <= 17):
        raise HoodnoteError("a VIN has 17 letters and digits; open it from the note of a job")
    with shop.store() as store:
        held, doubtful = [], []
        for order in dict.fromkeys(h.work_order for h in store.search(vin)):
            job = store.job(order)
            timeline = build(store.entries(job))
            facts = facts_of(timeline)
            if facts.get("vin") == vin:
                held.append((job, timeline))
            elif "vin" in facts.doubtful:
                doubtful.append(job)
    held.sort(key=lambda x: x[0].opened_at)
    with habit(held[-1][0].units if held else "us"):
        visits = [visit(job.work_order, job.opened_at, timeline) for job, timeline in held]
        rows = [{"job": job, "visit": v, "label": v.label.text, "recovered": v.recovered.text, "charged": v.charged.text}
                for (job, _), v in zip(held, visits, strict=True)]
        between = [(d, d.lost.text if d.lost.kg is not None else "") for d in drifts(visits)]
        return {"vin": vin, "rows": rows[::-1], "drifts": between[::-1], "doubtful": doubtful, "drawing": _drawing(visits)}


def _drawing(visits: list[Visit]) -> dict[str, Any] | None:
    """Bars of what came out and went in at each visit, with their limits, and a line at the label's charge."""
    amounts = [(v, name, known) for v in visits for name, known in (("recovered", v.recovered), ("charged", v.charged))]
    highest = max((k.kg + k.limit_kg for _, _, k in [*amounts, *((v, "", v.label) for v in visits)] if k.kg is not None), default=0.0)
    if highest <= 0:
        return None

    def y(kg: float) -> float:
        return round(_TOP + _HEIGHT * (1 - kg / highest), 1)

    groups = []
    for n, v in enumerate(visits):
        left = _LEFT + n * (2 * _BAR + _GAP)
        bars = [{"name": name, "x": left + i * _BAR, "middle": left + i * _BAR + _BAR / 2, **_bar(known, y)}
                for i, (name, known) in enumerate((("recovered", v.recovered), ("charged", v.charged)))]
        groups.append({"visit": v, "left": left, "right": left + 2 * _BAR, "middle": left + _BAR, "bars": bars,
                       "label": None if v.label.kg is None else y(v.label.kg)})
    return {"groups": groups, "width": _LEFT + len(visits) * (2 * _BAR + _GAP), "height": _TOP + _HEIGHT + 44, "floor": _TOP + _HEIGHT, "bar": _BAR,
            "top": y(highest), "most": mass(highest)}


def _bar(known: Known, y: Any) -> dict[str, Any]:
    if known.kg is None:
        return {"known": False}
    return {"known": True, "y": y(max(known.kg, 0)), "height": round(_TOP + _HEIGHT - y(max(known.kg, 0)), 1),
            "high": y(known.kg + known.limit_kg), "low": y(max(known.kg - known.limit_kg, 0))}


@needs("technician", "advisor")
async def cylinders(request: Request) -> Response:
    return page(request, "cylinders.html", **await run_in_threadpool(_cylinders, request.app.state.shop))


def _cylinders(shop: Shop) -> dict[str, Any]:
    from hoodnote.checks.ledger import across

    with shop.store() as store:
        held = _all(store)
        units = held[-1][0].units if held else "us"
    with habit(units):
        found = across([(job.work_order, timeline) for job, timeline in held])
        shop_sums = [(s, mass(s.recovered_kg), mass(s.recovered_limit_kg), mass(s.charged_kg), mass(s.charged_limit_kg))
                     for s in sums(visit(job.work_order, job.opened_at, timeline) for job, timeline in held)]
    return {"ledgers": found, "sums": shop_sums, "states": {True: "closes", False: "does not close", None: "cannot tell whether it closes"}}


def _all(store: Store) -> list[tuple[Any, Any]]:
    from hoodnote.readings.timeline import build

    return [(job, build(store.entries(job))) for job in store.jobs()]


@needs("technician", "advisor")
async def cylinders_csv(request: Request) -> Response:
    text = await run_in_threadpool(_csv, request.app.state.shop)
    return Response(text, media_type="text/csv; header=present", headers={"content-disposition": 'attachment; filename="refrigerant.csv"'})


def _csv(shop: Shop) -> str:
    """One line a job that took refrigerant out or put some in, after RFC 4180. What is not known is empty, and its reason stands last."""
    with shop.store() as store:
        visits = [visit(job.work_order, job.opened_at, timeline) for job, timeline in _all(store)]
    out = io.StringIO(newline="")
    lines = csv.writer(out, lineterminator="\r\n")
    lines.writerow(("work_order", "opened_at_utc", "refrigerant", "cylinder", "recovered_g", "recovered_limit_g", "charged_g", "charged_limit_g", "not_known"))
    for v in visits:
        if v.recovered == v.charged == Known():
            continue
        why = "; ".join(f"{name}: {k.why}" for name, k in (("recovered", v.recovered), ("charged", v.charged)) if k.kg is None)
        lines.writerow(tuple(map(harmless, (
            v.work_order, v.opened_at.astimezone(UTC).isoformat(timespec="seconds"), v.refrigerant or "", "; ".join(v.cylinders)))) + (
            *_grams(v.recovered), *_grams(v.charged), harmless(why)))
    return out.getvalue()


def _grams(known: Known) -> tuple[str, str]:
    return ("", "") if known.kg is None else (f"{known.kg * 1000:.0f}", f"{known.limit_kg * 1000:.0f}")


def harmless(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe before it (OWASP, CSV injection)."""
    return f"'{text}" if text.lstrip()[:1] in tuple("=+-@") or text[:1] in ("\t", "\r", "\n") else text


routes = [
    Route("/vehicle/{vin}", vehicle),
    Route("/cylinders", cylinders),
    Route("/cylinders.csv", cylinders_csv),
]
