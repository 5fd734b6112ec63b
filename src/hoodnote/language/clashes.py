"""May a phrase be taught? Looked at with eyes and ears: what it means already, what it could be taken for, what it sounds like."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product

from hoodnote.errors import HoodnoteError
from hoodnote.language import lexicon, shop
from hoodnote.language.ambiguity import find_ambiguity
from hoodnote.language.grammar import Language, language_with

_MOST_SOUNDS = 64        # ways to pronounce one phrase that are compared


def examine(now: Language, new: shop.Taught) -> list[str]:
    """Warnings, one line each, about phrases that sound much like the new one. Raises HoodnoteError when it must not be taught."""
    before = shop.wordings(now.grammars)
    _refuse_known(before, new)
    extended = language_with((*now.taught, new))
    meant = _tags_taken(before, extended, new)
    kinds = {tag.partition("=")[0] for tag in meant}
    others = {phrase: tag.partition("=")[2] for tag, phrases in sorted(before.items())
              if tag.partition("=")[0] in kinds and tag not in meant for phrase in phrases}
    _refuse_piece(others, new)
    if (clash := find_ambiguity(extended.network)) is not None:
        raise HoodnoteError(f'"{new.say}" cannot be taught: "{" ".join(clash)}" could then mean two things; take other words')
    return list(_alike(now, others, new))


def _refuse_known(before: dict[str, set[str]], new: shop.Taught) -> None:
    own = new.tags()
    for tag in sorted(before):
        if new.say in before[tag]:
            name = tag.partition("=")[2]
            if tag in own:
                raise HoodnoteError(f'"{new.say}" is understood as {name} already')
            raise HoodnoteError(f'"{new.say}" already means {name}; take other words, or forget it first if the shop taught it')


def _tags_taken(before: dict[str, set[str]], extended: Language, new: shop.Taught) -> set[str]:
    after = shop.wordings(extended.grammars)
    return {tag for tag in after if new.say in after[tag] - before.get(tag, set())}


def _refuse_piece(others: dict[str, str], new: shop.Taught) -> None:
    """ "high" must not mean the low side: half a word lost in noise would turn one into the other."""
    for phrase, name in sorted(others.items(), key=lambda item: (len(item[0]), item)):
        if f" {new.say} " in f" {phrase} ":
            raise HoodnoteError(f'"{new.say}" is a piece of "{phrase}", which means {name}; take other words')


def _alike(now: Language, others: dict[str, str], new: shop.Taught) -> Iterator[str]:
    """Phrases that may stand where the new one stands, another meaning, and one sound apart. The same sound is refused."""
    sounds = lexicon.sounds_of([*now.taught, new])
    mine = list(_sounds(new.words, sounds))
    near: dict[str, str] = {}
    for phrase, name in others.items():
        apart = _distance(mine, _sounds(phrase.split(), sounds))
        if apart == 0:
            raise HoodnoteError(f'"{new.say}" sounds the same as "{phrase}", which means {name}; take other words')
        if apart == 1:
            near[phrase] = name
    for word in new.words:
        _refuse_number(now, word, sounds[word])
    for phrase, name in sorted(near.items()):
        yield f'"{new.say}" is one sound away from "{phrase}" ({name}); in noise one may be heard for the other, better take other words'


def _refuse_number(now: Language, word: str, ways: Iterable[str]) -> None:
    said_in_numbers = sorted({label for rule in now.number_rules for label in now.number(rule).labels})
    for number, others in lexicon.pronunciations(said_in_numbers).items():
        if len(number) > 1 and set(ways) & set(others):
            raise HoodnoteError(f'"{word}" sounds the same as "{number}", which is said in numbers; take other words')


def _sounds(words: Iterable[str], own: dict[str, list[str]]) -> Iterator[list[str]]:
    words = list(words)
    ways = {**lexicon.pronunciations(w for w in words if w not in own), **own}
    for found, _ in zip(product(*(ways[w] for w in words)), range(_MOST_SOUNDS)):
        yield " ".join(found).split()


def _distance(first: Iterable[list[str]], second: Iterable[list[str]]) -> int:
    from rapidfuzz.distance import Levenshtein

    second = list(second)
    return min(Levenshtein.distance(a, b, score_cutoff=2) for a in first for b in second)
