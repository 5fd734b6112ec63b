"""Downloads a Vosk model on request: the one place of the program that uses a network."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import stat
import sys
import tempfile
import urllib.error
import urllib.request
import zipfile
from http.client import HTTPException
from pathlib import Path, PurePosixPath
from urllib.parse import unquote, urlsplit

from hoodnote.capture.speech.vosk_engine import check_model
from hoodnote.errors import HoodnoteError

MODEL_URL = "https://alphacephei.com/vosk/models/vosk-model-small-en-us-0.15.zip"
_LARGEST_ARCHIVE = 400_000_000     # bytes; the small models are about 40 MB packed
_LARGEST_MODEL = 1_000_000_000     # bytes unpacked
_TIMEOUT_S = 30.0
_BLOCK = 1 << 16


def fetch(destination: Path, url: str = MODEL_URL, progress: bool = True) -> Path:
    """The directory of the unpacked model under `destination`; a model that is there already is not fetched again.

    A download that broke off is taken up where it ended, if the server's file is still the same. The archive is
    checked before anything appears under its final name. Its project publishes no checksum that this
    program knows, so the SHA-256 is printed to standard error instead of being compared.
    Raises HoodnoteError, with what to do by hand, when there is no network or the archive is not sound.
    """
    archive_name = PurePosixPath(unquote(urlsplit(url).path)).name
    name = archive_name.removesuffix(".zip")
    if not name.startswith("vosk-") or name == archive_name:
        raise HoodnoteError(f"{url} does not name a Vosk model archive; give an address that ends in vosk-....zip")
    model = destination / name
    if model.is_dir():
        check_model(model)
        return model
    try:
        destination.mkdir(parents=True, exist_ok=True)
        archive = _download(url, destination / f"{archive_name}.part", progress)
        print(f"SHA-256 of {archive_name}: {_digest(archive)} (no published value is known to compare it with)", file=sys.stderr)
        _unpack(archive, model)
    except OSError as error:
        raise HoodnoteError(f"the model cannot be written to {destination}: {error.strerror or error}") from None
    archive.unlink()
    return model


def _download(url: str, part: Path, progress: bool) -> Path:
    tag_file = part.with_name(part.name + ".tag")   # the server's mark of the file that the part belongs to
    have = part.stat().st_size if part.exists() and tag_file.exists() else 0
    headers = {"Range": f"bytes={have}-", "If-Range": tag_file.read_text()} if have else {}
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=_TIMEOUT_S) as response:
            if response.status != 206:
                have = 0
            total = have + int(response.headers.get("Content-Length") or 0)
            if total > _LARGEST_ARCHIVE:
                raise HoodnoteError(f"{url} is {total / 1e6:.0f} MB, far more than a small model; nothing was downloaded")
            tag_file.unlink(missing_ok=True)
            if tag := response.headers.get("ETag") or response.headers.get("Last-Modified"):
                tag_file.write_text(tag)
            got = _copy(response, part, have, total, progress)
    except urllib.error.HTTPError as error:
        if error.code == 416:   # the part is as long as the file, or longer: begin again
            part.unlink(missing_ok=True)
            return _download(url, part, progress)
        raise HoodnoteError(f"the server answers {error.code} {error.reason} for {url}; {_by_hand(part.parent, url)}") from None
    except (urllib.error.URLError, HTTPException, TimeoutError, ConnectionError) as error:
        reason = getattr(error, "reason", None) or error or type(error).__name__
        raise HoodnoteError(f"the model cannot be downloaded ({reason}); {_by_hand(part.parent, url)}") from None
    if total and got < total:
        raise HoodnoteError(f"the connection ended after {got} of {total} bytes; run the same command again to go on from there")
    tag_file.unlink(missing_ok=True)
    return part


def _copy(response, part: Path, have: int, total: int, progress: bool) -> int:
    from tqdm import tqdm

    got = have
    with (part.open("ab" if have else "wb") as file,
          tqdm(total=total or None, initial=have, unit="B", unit_scale=True, desc=part.name.removesuffix(".part"), disable=not progress) as bar):
        while block := response.read(_BLOCK):
            got += len(block)
            if got > _LARGEST_ARCHIVE:
                raise HoodnoteError("the download is far larger than a small model; it was stopped")
            file.write(block)
            bar.update(len(block))
    return got


def _by_hand(destination: Path, url: str) -> str:
    return f"get {url} on a computer with a network, unpack it into {destination}, or name its directory with --model"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _unpack(archive: Path, model: Path) -> None:
    """Unpack beside the final place, check, then rename: half a model never has the model's name."""
    work = Path(tempfile.mkdtemp(prefix=".unpacking-", dir=model.parent))
    try:
        try:
            with zipfile.ZipFile(archive) as file:
                _refuse_unsafe(file)
                damaged = file.testzip()
                if damaged is None:
                    file.extractall(work)
        except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
            damaged = str(error)
        if damaged is not None:
            raise HoodnoteError(f"the downloaded archive is damaged ({damaged}); run the same command again")
        inner = [p for p in work.iterdir() if p.is_dir()]
        found = inner[0] if len(inner) == 1 else work
        try:
            check_model(found)
        except HoodnoteError:
            raise HoodnoteError("the downloaded archive holds no usable Vosk model; check the address") from None
        found.rename(model)
    except HoodnoteError:
        archive.unlink(missing_ok=True)
        raise
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(work)


def _refuse_unsafe(file: zipfile.ZipFile) -> None:
    entries = file.infolist()
    if sum(e.file_size for e in entries) > _LARGEST_MODEL or len(entries) > 10_000:
        raise HoodnoteError("the downloaded archive would unpack to far more than a small model; it was not unpacked")
    for entry in entries:
        path = PurePosixPath(entry.filename.replace("\\", "/"))
        if path.is_absolute() or ".." in path.parts or ":" in entry.filename or stat.S_ISLNK(entry.external_attr >> 16):
            raise HoodnoteError(f"the downloaded archive holds the unsafe path {entry.filename!r}; it was not unpacked")
