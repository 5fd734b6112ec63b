"""What goes wrong in a shop: the power, the disk, the clock, the network. The record stays whole, and what was not kept is said not to be."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor

import httpx

from hoodnote.jobs.store import Store
from hoodnote.web import photo_readers
from tests.bench.bench_kill import run
from tests.web_phone import picture, seen
from tests.web_served import phone_of
from tests.web_serving import Server

KILOBYTE = 1024


def test_a_server_killed_again_and_again_loses_nothing_that_it_acknowledged(tmp_path):
    tally = run(tmp_path, kills=3, seed=20, photos_a_life=2)
    assert tally.problems == []
    assert tally.kills == 3 and tally.acknowledged > 0


def test_a_full_disk_is_told_and_the_photo_is_kept_once_when_there_is_room_again(tmp_path):
    import resource

    with Store.open(tmp_path) as store:
        job = store.create_job("WO-1")
    large = picture(1) + b"\0" * (900 * KILOBYTE)
    server = Server(tmp_path)
    server.start()
    try:
        server.wait_until_it_answers()
        with httpx.Client(base_url=server.url, headers=server.headers, cookies=server.cookies, timeout=30) as client:
            def send(delivery, content):
                return client.post(f"/job/1/photos?delivery={delivery}&kind=display", content=content)

            # no file of the server may grow beyond this: a write then fails with EFBIG, as with ENOSPC on a full disk (setrlimit(2))
            _, most = resource.prlimit(server.pid, resource.RLIMIT_FSIZE, (600 * KILOBYTE, resource.RLIM_INFINITY))
            refused = send("delivery-large", large)
            assert refused.status_code == 507 and "no room left" in refused.json()["problem"]
            assert send("delivery-small", picture(2)).status_code == 201
            with Store.open(tmp_path) as store:
                assert [c.sha256 for c in store.captures(job)] == [store.delivered("delivery-small").sha256]
            assert not list((tmp_path / "media").glob("incoming-*"))
            resource.prlimit(server.pid, resource.RLIMIT_FSIZE, (most, most))
            assert {send("delivery-large", large).status_code for _ in range(2)} == {201}
    finally:
        server.end()
    with Store.open(tmp_path) as store:
        assert len(store.captures(job)) == 2
        assert store.media_path(store.delivered("delivery-large").sha256).read_bytes() == large


def test_a_clock_that_jumps_changes_neither_the_order_nor_what_is_kept_once(tmp_path, monkeypatch):
    monkeypatch.setattr(photo_readers, "read_kept", lambda *_: seen())
    monkeypatch.setattr(photo_readers, "_processes", ThreadPoolExecutor)
    stamps = itertools.cycle(["2026-05-01T10:00:00+00:00", "1970-01-01T00:00:00+00:00", "2099-01-01T00:00:00+00:00"])
    for module in ("hoodnote.jobs.store.now", "hoodnote.jobs.sent.now"):
        monkeypatch.setattr(module, lambda: next(stamps))
    with phone_of(tmp_path) as phone:
        sent = [phone.client.post(f"/job/1/photos?delivery=delivery-{i // 2}&age={10.0 ** (i % 7)}", content=picture(i // 2), headers={"accept": "*/*"})
                for i in range(12)]
        assert {s.status_code for s in sent} == {201}
        with phone.shop.store() as store:
            assert [c.id for c in store.captures(store.job_by_id(1))] == sorted({s.json()["capture"] for s in sent}) and len({s.text for s in sent}) == 6
        assert phone.client.get("/job/1/camera").status_code == 200
