"""Visits of one vehicle, the shop's refrigerant, and the table for spreadsheets."""

from __future__ import annotations

import csv
import io
from datetime import timedelta

import pytest

from hoodnote.checks.visits import drifts, sums, visit
from hoodnote.statements.model import Fact, Step
from hoodnote.web.app import make_app
from hoodnote.web.pages_history import harmless
from tests.note_samples import OPENED, Record, m
from tests.web_served import client_of, make_shop

VIN = "1M8GDM9AXKP042788"        # the example of 49 CFR 565.15's check digit as commonly printed (from memory)


def record(recovered=None, charged=None, refrigerant="R-134a", ask=None, evacuated=True):
    r = Record()
    r.add(Fact("refrigerant", refrigerant), "confirmed", "typed")
    if recovered:
        r.add(m("recovered", recovered, "g"))
    if ask:
        r.ask(*(m(ask[0], x, "g") for x in ask[1:]))
    if evacuated:
        r.add(Step("pump_on"))
    if charged:
        r.add(m("charged", charged, "g"))
    return r


def visits(*records):
    return [visit(f"WO-{n}", OPENED + timedelta(days=400 * n), r.timeline) for n, r in enumerate(records)]


def test_a_loss_is_what_was_left_in_less_what_came_out():
    drift, = drifts(visits(record(charged="550"), record(recovered="400", charged="550")))
    assert drift.days == 400 and drift.lost.kg == pytest.approx(0.150)                 # arithmetic
    # 15 g limits of SAE J2788, rectangular (JCGM 100, 4.3.7), k = 2, once for each machine reading
    assert drift.lost.limit_kg == pytest.approx(2 * 2 * 0.015 / 3 ** 0.5)
    assert "points to a loss" in drift.text


def test_no_loss_within_the_errors_and_more_than_went_in():
    small, = drifts(visits(record(charged="550"), record(recovered="520")))
    more, = drifts(visits(record(charged="550"), record(recovered="700")))
    assert "no loss beyond" in small.text and "more came out" in more.text


@pytest.mark.parametrize(("one", "other"), [
    (record(), record(recovered="400")),
    (record(charged="550"), record()),
    (record(charged="550", evacuated=False), record(recovered="400")),
    (record(charged="550"), record(recovered="400", refrigerant="R-12")),
    (record(charged="550"), record(ask=("recovered", "400", "500"))),
    (record(ask=("charged", "550", "500")), record(recovered="400")),
])
def test_what_is_not_known_gives_no_difference(one, other):
    drift, = drifts(visits(one, other))
    assert drift.lost.kg is None and drift.text.startswith("cannot tell")


def test_sums_leave_out_what_is_in_question_and_name_its_job():
    total, = sums(visits(record(recovered="400", charged="550"), record(recovered="300"), record(ask=("recovered", "400", "500"))))
    assert total.recovered_kg == pytest.approx(0.7) and total.charged_kg == pytest.approx(0.55) and total.left_out == ("WO-2",)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1"])
def test_no_text_is_a_formula(text):
    """The signs that OWASP's page on CSV injection lists."""
    assert harmless(text) == "'" + text


def _shop(tmp_path):
    shop = make_shop(tmp_path)
    with shop.store() as store:
        for order, amount in (("=WO,1", "550"), ('WO "2"', "420")):
            job = store.create_job(order)
            capture = store.add_capture(job, "typed", text="as sampled")
            r = Record()
            r.add(Fact("vin", VIN), "confirmed", "typed")
            r.add(Fact("cylinder_id", "C-7"), "confirmed", "typed")
            for e in [*r.entries, *record(recovered=amount, charged="550").entries]:
                from dataclasses import replace

                store.add_entry(job, replace(e, id=None, recorded_at=None, origin=replace(e.origin, capture_id=capture.id)), capture)
            store.finish(capture, "done")
    return client_of(make_app(shop), "advisor")


def test_the_table_reads_back_after_rfc_4180(tmp_path):
    answer = _shop(tmp_path).get("/cylinders.csv")
    assert answer.text.count("\r\n") == 3 and "\n" not in answer.text.replace("\r\n", "")
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [r["work_order"] for r in rows] == ["'=WO,1", 'WO "2"']
    assert [r["recovered_g"] for r in rows] == ["550", "420"] and rows[0]["cylinder"] == "C-7" and rows[0]["refrigerant"] == "R-134a"


def test_the_vehicle_page_shows_its_visits_and_the_shop_its_cylinder(tmp_path):
    client = _shop(tmp_path)
    page = client.get(f"/vehicle/{VIN.lower()}").text
    assert "<svg" in page and page.count('<th scope="row"') == 2 and "between" not in page.split("<table")[0]
    assert "Recovery cylinder C-7" in client.get("/cylinders").text
    assert "No job has this VIN" in client.get("/vehicle/1M8GDM9AXKP042789").text
    assert client.get("/vehicle/a b").status_code == 400
