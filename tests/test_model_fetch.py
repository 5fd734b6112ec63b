"""Fetching a model, against a server on this machine: the good archive, and every way in which one is not."""

from __future__ import annotations

import hashlib
import io
import socket
import threading
import zipfile
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from hoodnote.capture.speech import model_fetch
from hoodnote.capture.speech.model_fetch import fetch
from hoodnote.capture.speech.vosk_engine import check_model
from hoodnote.errors import HoodnoteError

PARTS = ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst", "graph/Gr.fst")


def archive(*names: str, folder: str = "vosk-made-0.1/") -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        for name in names or PARTS:
            file.writestr(folder + name, b"content of " + name.encode() * 500)
    return buffer.getvalue()


class Server:
    def __init__(self):
        self.body, self.status, self.cut_after, self.tag = archive(), 200, None, '"one"'
        self.ranges: list[str | None] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                wanted = self.headers.get("Range")
                outer.ranges.append(wanted)
                body, status = outer.body, outer.status
                if wanted and self.headers.get("If-Range") == outer.tag:
                    start = int(wanted.removeprefix("bytes=").rstrip("-"))
                    status, body = (416, b"") if start >= len(body) else (206, body[start:])
                self.send_response(status)
                self.send_header("Content-Length", str(len(body)))
                if outer.tag:
                    self.send_header("ETag", outer.tag)
                self.end_headers()
                self.wfile.write(body if outer.cut_after is None else body[: outer.cut_after])

            def log_message(self, *args):
                pass

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.http.server_port}/models/vosk-made-0.1.zip"
        threading.Thread(target=self.http.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()


@pytest.fixture
def server(monkeypatch):
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    made = Server()
    yield made
    made.http.shutdown()
    made.http.server_close()


def left_behind(folder) -> list[str]:
    return sorted(p.name for p in folder.iterdir()) if folder.exists() else []


def refused(tmp_path, url: str) -> str:
    with pytest.raises(HoodnoteError) as refusal:
        fetch(tmp_path / "models", url, progress=False)
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_a_good_archive_becomes_a_model(server, tmp_path, capsys):
    model = fetch(tmp_path / "models", server.url, progress=False)
    assert model == tmp_path / "models" / "vosk-made-0.1"
    check_model(model)
    assert (model / "am/final.mdl").read_bytes().startswith(b"content of am/final.mdl")
    assert left_behind(tmp_path / "models") == ["vosk-made-0.1"]
    told = capsys.readouterr().err
    assert hashlib.sha256(server.body).hexdigest() in told and "no published value is known" in told


def test_progress_is_shown_when_asked(server, tmp_path, capsys):
    fetch(tmp_path / "models", server.url)
    assert "vosk-made-0.1.zip: 100%" in capsys.readouterr().err


def test_a_model_that_is_there_is_not_fetched_again(server, tmp_path):
    first = fetch(tmp_path / "models", server.url, progress=False)
    assert fetch(tmp_path / "models", server.url, progress=False) == first
    assert len(server.ranges) == 1


def test_a_broken_download_goes_on_where_it_ended(server, tmp_path):
    server.cut_after = 1000
    assert f"after 1000 of {len(server.body)} bytes; run the same command again" in refused(tmp_path, server.url)
    server.cut_after = None
    check_model(fetch(tmp_path / "models", server.url, progress=False))
    assert server.ranges == [None, "bytes=1000-"]
    assert left_behind(tmp_path / "models") == ["vosk-made-0.1"]


def test_a_file_that_changed_meanwhile_is_fetched_from_the_start(server, tmp_path):
    server.cut_after = 1000
    refused(tmp_path, server.url)
    server.cut_after, server.tag, server.body = None, '"two"', archive(*PARTS, "README")
    model = fetch(tmp_path / "models", server.url, progress=False)
    assert (model / "README").is_file()


def test_without_a_tag_nothing_is_taken_up(server, tmp_path):
    server.tag, server.cut_after = None, 1000
    refused(tmp_path, server.url)
    server.cut_after = None
    fetch(tmp_path / "models", server.url, progress=False)
    assert server.ranges == [None, None]


def test_a_part_longer_than_the_file_is_thrown_away(server, tmp_path):
    folder = tmp_path / "models"
    folder.mkdir()
    (folder / "vosk-made-0.1.zip.part").write_bytes(bytes(len(server.body) + 5))
    (folder / "vosk-made-0.1.zip.part.tag").write_text(server.tag)
    check_model(fetch(folder, server.url, progress=False))


def test_a_truncated_archive(server, tmp_path):
    server.body = server.body[:-300]
    assert "archive is damaged" in refused(tmp_path, server.url)
    assert left_behind(tmp_path / "models") == []


def test_a_flipped_bit(server, tmp_path):
    body = bytearray(server.body)
    body[200] ^= 1
    server.body = bytes(body)
    assert "archive is damaged (vosk-made-0.1/am/final.mdl)" in refused(tmp_path, server.url)


@pytest.mark.parametrize("evil", ["../../escaped", "/etc/escaped", "..\\escaped", "c:/escaped"])
def test_paths_that_escape(server, tmp_path, evil):
    buffer = io.BytesIO(archive())
    with zipfile.ZipFile(buffer, "a") as file:
        file.writestr(zipfile.ZipInfo(evil), b"gotcha")
    server.body = buffer.getvalue()
    assert "unsafe path" in refused(tmp_path, server.url)
    assert not list(tmp_path.rglob("*escaped*")) and left_behind(tmp_path / "models") == []


def test_links_are_refused(server, tmp_path):
    buffer = io.BytesIO(archive())
    with zipfile.ZipFile(buffer, "a") as file:
        link = zipfile.ZipInfo("vosk-made-0.1/link")
        link.external_attr = 0o120777 << 16
        file.writestr(link, b"/etc/passwd")
    server.body = buffer.getvalue()
    assert "unsafe path" in refused(tmp_path, server.url)


def test_an_archive_without_a_model(server, tmp_path):
    server.body = archive("am/final.mdl", "notes.txt")
    assert "holds no usable Vosk model" in refused(tmp_path, server.url)
    assert left_behind(tmp_path / "models") == []


def test_a_page_instead_of_an_archive(server, tmp_path):
    server.body = b"<html>please log in</html>"
    assert "archive is damaged" in refused(tmp_path, server.url)


@pytest.mark.parametrize(("limit", "says"), [("_LARGEST_ARCHIVE", "nothing was downloaded"), ("_LARGEST_MODEL", "would unpack to far more")])
def test_sizes_out_of_all_proportion(server, tmp_path, monkeypatch, limit, says):
    monkeypatch.setattr(model_fetch, limit, 500)
    assert says in refused(tmp_path, server.url)
    assert left_behind(tmp_path / "models") == []


def test_not_found(server, tmp_path):
    server.status, server.body = 404, b""
    assert "the server answers 404" in (message := refused(tmp_path, server.url))
    assert "unpack it into" in message


def test_no_network(tmp_path, monkeypatch):
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    message = refused(tmp_path, f"http://127.0.0.1:{port}/vosk-made-0.1.zip")
    assert "cannot be downloaded" in message and "--model" in message and "unpack it into" in message


def test_an_address_that_names_no_model(tmp_path):
    assert "does not name a Vosk model archive" in refused(tmp_path, "http://127.0.0.1/other.tar.gz")


def test_a_place_that_cannot_be_written(server, tmp_path):
    (tmp_path / "models").write_text("a file")
    assert "cannot be written" in refused(tmp_path, server.url)
