"""Who gets at the pages, and how: pairing, sessions, roles, and what every request passes."""

from __future__ import annotations

import os
import re
import socket
import stat
from datetime import UTC, datetime, timedelta

import pytest
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.websockets import WebSocketDisconnect

from hoodnote.cli.main import main
from hoodnote.errors import HoodnoteError
from hoodnote.jobs.store import Store
from hoodnote.web import people as pairing
from hoodnote.web.app import make_app
from hoodnote.web.people import People, inside
from hoodnote.web.safety import _PAIRED_BURST, _PAIRED_RATE, COOKIE, MOST_BYTES, MOST_FORM_BYTES, Rates
from hoodnote.web.serve import listen, only_one
from hoodnote.web.tls import certificate
from tests.web_served import client_of, make_shop, paired


@pytest.fixture
def app(tmp_path):
    return make_app(make_shop(tmp_path))


class Clock:
    def __init__(self):
        self.now = 1_800_000_000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def known(tmp_path, clock):
    return People(tmp_path, clock, clock)


# pairing

def test_a_code_pairs_one_device_once(known):
    code = known.invite("advisor")
    session = known.session(known.pair(f" {code[:4].lower()}-{code[4:].lower()} ", "  Bo  Example ", "a"))
    assert (session.person.name, session.person.role, session.person.at_machine) == ("Bo Example", "advisor", False)
    with pytest.raises(HoodnoteError, match="new one"):
        known.pair(code, "Bo", "a")


def test_a_code_is_good_for_minutes_and_survives_a_mistyped_name(known, clock):
    code = known.invite("technician")
    for name in ("", "x" * 41, "a\x00b"):
        with pytest.raises(HoodnoteError, match="name"):
            known.pair(code, name, "a")
    clock.now += pairing.CODE_S
    with pytest.raises(HoodnoteError, match="no longer"):
        known.pair(code, "Ada", "a")


def test_codes_cannot_be_guessed_in_a_row_by_one_nor_by_many(known, clock):
    code = known.invite("technician")
    for i in range(5):
        with pytest.raises(HoodnoteError, match="not, or no longer"):
            known.pair(f"WRONG{i}", "Eve", "one")
    with pytest.raises(HoodnoteError, match="too many"):
        known.pair(code, "Eve", "one")
    for i in range(15):
        with pytest.raises(HoodnoteError, match="not, or no longer"):
            known.pair(f"WRONG{i}", "Eve", f"address {i}")
    with pytest.raises(HoodnoteError, match="too many"):
        known.pair(code, "Ada", "another")
    clock.now += 301
    assert known.pair(code, "Ada", "one")


def test_a_session_ends_unused_or_old_or_ended_or_with_the_clock_set_back(known, clock, tmp_path):
    def new():
        return known.pair(known.invite("technician"), "Ada", "a")

    unused, used = new(), new()
    for _ in range(2):
        clock.now += pairing.IDLE_S * 0.6
        assert known.session(used)
    assert known.session(unused) is None
    while clock.now < 1_800_000_000.0 + pairing.SESSION_S - pairing.IDLE_S:
        clock.now += pairing.IDLE_S * 0.9
        assert known.session(used)
    clock.now += pairing.IDLE_S
    assert known.session(used) is None
    ended, turned_back = new(), new()
    known.end(known.session(ended).key)
    assert known.session(ended) is None and People(tmp_path, clock, clock).session(ended) is None
    clock.now -= 3600
    assert known.session(turned_back) is None


def test_a_session_outlives_a_restart_and_its_file_opens_nothing(known, clock, tmp_path):
    secret = known.pair(known.invite("advisor"), "Bo", "a")
    assert People(tmp_path, clock, clock).session(secret).person.name == "Bo"
    kept = tmp_path / pairing.FILE
    assert secret not in kept.read_text() and known.session(known.session(secret).key) is None
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert len(secret) >= 43           # 256 bits in base64; OWASP ASVS 4.0.3 3.2.2 asks for 64 bits, from memory
    kept.write_text("{")
    with pytest.raises(HoodnoteError, match="remove it"):
        People(tmp_path)


def test_pairing_in_the_browser(app):
    client = client_of(app)
    code = app.state.people.invite("technician")
    assert code in client.get(f"/pair?code={code}").text                 # looking at the link uses nothing up
    assert client.post("/pair", data={"code": "WRONG", "name": "Ada"}).status_code == 403
    answer = client.post("/pair", data={"code": code, "name": "Ada", "next": "/devices"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/devices")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie and "domain" not in cookie
    page = client.get("/devices")
    assert page.status_code == 200 and "Ada" in page.text
    token = re.search(r'name="csrf" value="([0-9a-f]+)"', page.text)[1]
    secret = client.cookies[COOKIE]
    assert client.post("/leave", data={"csrf": token}).headers["location"] == "/pair"
    assert app.state.people.session(secret) is None


def test_under_tls_the_cookie_is_secure_and_bound_to_the_host(tmp_path):
    app = make_app(make_shop(tmp_path, lan=True))
    client = client_of(app, base_url="https://localhost")
    client.headers["origin"] = "https://localhost"
    cookie = client.post("/pair", data={"code": app.state.people.invite("advisor"), "name": "Bo"}).headers["set-cookie"]
    assert cookie.startswith("__Host-") and "secure" in cookie.lower()


@pytest.mark.parametrize("target", ["//evil.example", "/\\evil.example", "https://evil.example", "javascript:alert(1)", "", "/a\nb", "/\t/evil"])
def test_nobody_is_led_elsewhere_after_pairing(target):
    assert inside(target) == "/"
    assert inside("/job/3/camera?x=1") == "/job/3/camera?x=1"


# who may

def paths_of(routes):
    for route in routes:
        if isinstance(route, Route | WebSocketRoute):
            yield route, re.sub(r"\{[^}]*\}", "1", route.path)
        else:
            assert isinstance(route, Mount) and route.path == "/static"


def test_every_address_but_pairing_is_for_paired_devices_only(app, monkeypatch):
    monkeypatch.setattr(Rates, "allows", lambda *_: True)
    client = client_of(app)
    for route, path in paths_of(app.routes):
        if isinstance(route, WebSocketRoute):
            with pytest.raises(WebSocketDisconnect) as refused, client.websocket_connect(path):
                pass
            assert refused.value.code == 4401
            continue
        for method in route.methods - {"HEAD"}:
            if path != "/pair":
                answer = client.request(method, path)
                assert (answer.status_code, answer.headers.get("location", "/pair")[:5]) in ((303, "/pair"), (401, "/pair")), (method, path)


def test_no_change_without_the_token_of_its_own_session(app):
    other = paired(app, "advisor")
    client = client_of(app, "technician", at_machine=True)
    own = client.headers.pop("csrf")
    for route, path in paths_of(app.routes):
        if isinstance(route, Route) and "POST" in route.methods and path != "/pair":
            for sent in ({}, {"csrf": ""}, {"csrf": "0" * 64}, {"csrf": pairing.csrf_token(other)}):
                assert client.post(path, data=sent).status_code == 403, path
                assert client.post(path, content=b"x", headers=sent).status_code == 403, path
    assert client.post("/devices/code", data={"csrf": own, "role": "advisor"}).status_code == 200
    assert client.post("/devices/code", data={"role": "advisor"}, headers={"csrf": own}).status_code == 200


def test_the_roles(app):
    advisor, machine = client_of(app, "advisor"), client_of(app, "technician", at_machine=True)
    assert advisor.get("/job/1/camera").status_code == 403
    assert advisor.post("/devices/code", data={"role": "technician"}).status_code == 400
    assert machine.post("/devices/code", data={"role": "advisor"}).status_code == 200
    assert machine.post("/devices/code", data={"role": "owner"}).status_code == 400
    (own,) = [s for s in app.state.people.sessions() if s.person.role == "advisor"]
    (other,) = [s for s in app.state.people.sessions() if s.person.at_machine]
    assert advisor.post("/devices/end", data={"key": other.key}).status_code == 400
    assert other.key not in advisor.get("/devices").text
    assert machine.post("/devices/end", data={"key": own.key}).status_code == 303
    assert advisor.get("/devices").headers["location"].startswith("/pair")


# what every request passes

@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "localhost.evil.example", "localhost@evil.example", "", "[", "127.0.0.2"])
def test_a_name_that_is_not_this_machines_is_refused(app, host):
    assert client_of(app, "technician").get("/devices", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("headers", [{"origin": "http://evil.example"}, {"origin": "null"}, {"origin": "https://localhost"}, {"origin": "http://localhost:81"},
                                     {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}])
def test_a_change_from_another_page_is_refused(app, headers):
    client = client_of(app, "technician")
    assert client.post("/devices/code", data={"role": "technician"}, headers=headers).status_code == 403
    assert client.get("/devices", headers=headers).status_code == 200


def test_a_socket_from_another_page_or_from_nowhere_is_refused(app):
    client = client_of(app, "technician")
    (path,) = [path for route, path in paths_of(app.routes) if isinstance(route, WebSocketRoute)]
    for origin in ("http://evil.example", "null", None):
        client.headers.pop("origin", None)
        with pytest.raises(WebSocketDisconnect) as refused, client.websocket_connect(path, headers={"origin": origin} if origin else {}):
            pass
        assert refused.value.code == 4403


def test_what_is_too_large_is_refused_before_it_is_read_whole(app):
    client = client_of(app, "technician")
    assert client.post("/devices/code", content=b"x", headers={"content-length": str(MOST_BYTES + 1)}).status_code == 413
    form = {"content-type": "application/x-www-form-urlencoded"}
    del client.headers["csrf"]

    def longer():
        for _ in range(4 * MOST_FORM_BYTES // 65536):
            yield b"a" * 65536

    assert client.post("/devices/code", content=longer(), headers=form).status_code == 413


def test_a_flood_from_one_is_slowed_and_hits_nobody_else(app):
    flood, other = client_of(app, client=("192.0.2.7", 1)), client_of(app, client=("192.0.2.8", 1))
    answers = [flood.get("/pair").status_code for _ in range(90)]
    assert answers[0] == 200 and 429 in answers
    assert other.get("/pair").status_code == 200
    rates = Rates()
    assert all(rates.allows("one browser", _PAIRED_RATE, _PAIRED_BURST) for page in range(50) for file in range(12))      # fifty pages opened again at once
    for i in range(5000):
        rates.allows(str(i), 1, 1)
    assert len(rates._buckets) <= 2000


def test_what_every_answer_carries(app):
    client = client_of(app, "technician")
    for path in ("/devices", "/pair", "/static/hoodnote.css", "/nothing", "/static/../app.py", "/static/%2e%2e/app.py"):
        headers = client.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'" and policy["frame-ancestors"] == "'none'" and policy["base-uri"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
        assert headers["x-content-type-options"] == "nosniff" and "server" not in headers
        assert headers["referrer-policy"] == "same-origin" and "microphone=(self)" in headers["permissions-policy"]
        assert headers["cache-control"] == ("no-cache" if path == "/static/hoodnote.css" else "no-store")
    assert client.get("/static/%2e%2e/app.py").status_code == client.get("/static/../app.py").status_code == 404


def test_a_mistake_of_the_program_is_one_line(app, monkeypatch, caplog):
    monkeypatch.setattr(People, "sessions", lambda self: 1 / 0)
    answer = client_of(app, "technician").get("/devices")
    assert answer.status_code == 500 and "went wrong" in answer.text and "ZeroDivision" not in answer.text and "Traceback" not in answer.text
    assert "ZeroDivisionError" in caplog.text
    assert client_of(app, "technician").get("/devices", headers={"accept": "*/*"}).json()["problem"].count("\n") == 0


def test_what_a_person_typed_is_escaped(app):
    people = app.state.people
    people.pair(people.invite("technician"), "<script>x</script>", "a")
    text = client_of(app, "technician", at_machine=True).get("/devices").text
    assert "<script>x" not in text and "&lt;script&gt;x" in text
    assert "<b>" not in client_of(app).get('/pair?code="><b>&name="><b>&next=/"><b>').text


# the server

def test_certificate_is_private_kept_and_made_anew_for_new_names_or_before_its_end(tmp_path):
    from cryptography import x509

    path, mark = certificate(tmp_path, ["192.0.2.9", "shop-pc", "bad name"])
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    made = x509.load_pem_x509_certificate(path.read_bytes())
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert {"localhost", "shop-pc"} <= set(names.get_values_for_type(x509.DNSName)) and "192.0.2.9" in map(str, names.get_values_for_type(x509.IPAddress))
    assert certificate(tmp_path, ["192.0.2.9"])[1] == mark
    assert certificate(tmp_path, ["192.0.2.10"])[1] != mark
    later = datetime.now(UTC) + timedelta(days=380)
    assert certificate(tmp_path, ["192.0.2.10"], later)[1] != certificate(tmp_path, ["192.0.2.11"])[1]
    path.write_text("x")
    with pytest.raises(HoodnoteError, match="remove it"):
        certificate(tmp_path, [])


def test_tls_is_spoken_and_the_certificate_holds_for_its_names(tmp_path):
    """Checked by OpenSSL through Python's ssl."""
    import ssl

    import httpx

    from tests.web_served import serving

    shop = make_shop(tmp_path, lan=True)
    pem, _ = certificate(tmp_path, [])
    with serving(make_app(shop), pem) as url:
        assert httpx.get(f"{url}/pair", verify=ssl.create_default_context(cafile=str(pem))).status_code == 200
        with pytest.raises(httpx.ConnectError):
            httpx.get(f"{url}/pair")


def test_a_busy_port_or_record_is_told_in_one_line(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as busy:
        port = busy.getsockname()[1]
        assert main(["--data", str(tmp_path), "serve", "--port", str(port)]) == 2
        assert re.fullmatch(r"hoodnote: another program uses port \d+; .*\n", capsys.readouterr().err)
        with pytest.raises(HoodnoteError, match="--port"):
            listen(port, lan=True)
    with only_one(tmp_path):
        assert main(["--data", str(tmp_path), "serve", "--port", "0"]) == 2
        assert "runs already" in capsys.readouterr().err
    assert main(["--data", str(tmp_path), "serve", "--port", "70000"]) == 2
    assert "a port is" in capsys.readouterr().err


def test_without_lan_nothing_is_heard_from_the_network():
    with listen(0, lan=False) as heard:
        assert heard.getsockname()[0] == "127.0.0.1"


@pytest.mark.parametrize("lan", [False, True])
def test_no_piece_of_an_answer_waits_for_the_one_before_it_to_be_acknowledged(lan):
    with listen(0, lan) as heard, socket.create_connection(("127.0.0.1", heard.getsockname()[1])):
        line, _ = heard.accept()
        with line:
            assert line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_serve_prints_a_link_that_pairs_and_ends_on_ctrl_c(tmp_path):
    import signal
    import subprocess
    import sys

    import httpx

    run = subprocess.Popen([sys.executable, "-m", "hoodnote", "--data", str(tmp_path), "serve", "--port", "0", "--name", "Ada L"],
                           stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"})
    try:
        link = re.search(r"http://127\.0\.0\.1:\d+/pair\S*", run.stdout.readline())[0]
        form = httpx.get(link, timeout=60).text
        assert 'value="Ada L"' in form
        code = re.search(r"code=(\w+)", link)[1]
        paired = httpx.post(link.partition("?")[0], data={"code": code, "name": "Ada L"}, timeout=60)
        assert paired.status_code == 303
        with Store.open(tmp_path) as store:
            job = store.create_job("WO-1")
        with httpx.stream("GET", f"{link.partition('/pair')[0]}/job/{job.id}/events", cookies=paired.cookies, timeout=60) as open_page:
            lines = open_page.iter_lines()
            assert next(lines) == "event: mark"
            run.send_signal(signal.SIGINT)
            assert any(line.startswith("data: ") for line in lines)      # to the end of a stream that is closed, not cut off
        out, err = run.communicate(timeout=60)
    finally:
        run.kill()
    assert run.returncode == 0 and err == "" and out.splitlines()[-1].startswith("ended")
