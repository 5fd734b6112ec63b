"""How the words of the language are pronounced: pocketsphinx's bundled English dictionary, and our own for trade words."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError
from hoodnote.language.kept import kept
from hoodnote.language.spelling import guess
from hoodnote.resources import folder

if TYPE_CHECKING:
    from hoodnote.language.shop import Taught

_GUESSES = 2    # ways to say a word that no dictionary has; the second is right about half as often as the first is wrong
# the phones of the CMU Pronouncing Dictionary, without stress
PHONES = frozenset("AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH".split())


def read_dictionary(path: Path) -> dict[str, list[str]]:
    """A dictionary in CMU format ("word PHONES", "word(2) PHONES"). Raises HoodnoteError naming file and line."""
    out: dict[str, list[str]] = {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as e:
        raise HoodnoteError(f"cannot read the pronunciations in {path.name}: {e}") from None
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith(";;;"):
            continue
        word, *phones = line.split()
        if not phones or not PHONES.issuperset(phones):
            raise HoodnoteError(f"{path.name}:{number}: write a word and its ARPAbet phones without stress marks")
        if word.endswith(")"):
            word = re.sub(r"\(\d+\)$", "", word)
        out.setdefault(word, []).append(" ".join(phones))
    return out


def bundled_dictionary() -> Path:
    """Path of the English dictionary that pocketsphinx brings."""
    import pocketsphinx

    return Path(pocketsphinx.get_model_path()) / "en-us" / "cmudict-en-us.dict"


@lru_cache(maxsize=1)
def _merged() -> dict[str, list[str]]:
    return read_dictionary(bundled_dictionary()) | read_dictionary(folder("grammars") / "trade.dict")


def pronunciations(words: Iterable[str]) -> dict[str, list[str]]:
    """Pronunciations of each word, ours before the bundled ones, and those of the shop. Raises HoodnoteError for words without any."""
    from hoodnote.language.grammar import load     # it needs the phones of this module

    words, taught, bundled = sorted(set(words)), load().taught, bundled_dictionary().stat()
    return kept("sounds", (taught, words, bundled.st_size, bundled.st_mtime_ns), lambda: _looked_up(words, taught))


def _looked_up(words: list[str], taught: tuple[Taught, ...]) -> dict[str, list[str]]:
    known = _merged() | sounds_of(taught)
    missing = [w for w in words if w not in known]
    if missing:
        raise HoodnoteError(f"no pronunciation for {', '.join(missing)}: add them to grammars/trade.dict")
    return {w: known[w] for w in words}


def sounds_of(taught: Iterable[Taught]) -> dict[str, list[str]]:
    """Of every word of taught phrases: as the shop wrote it and as the dictionaries have it, else as its letters suggest."""
    taught = tuple(taught)
    if not taught:
        return {}
    known, out = _merged(), {}
    for t in taught:
        given = dict(t.sounds)
        for word in t.words:
            ways = [*out.get(word, ()), *given.get(word, ()), *known.get(word, ())]
            out[word] = list(dict.fromkeys(ways or guess(word, _GUESSES)))
    return out


def is_known(word: str) -> bool:
    """Does a dictionary have it?"""
    return word in _merged()
