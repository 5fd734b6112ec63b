"""`hoodnote teach`: the words of this shop, besides those that hoodnote knows."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.cli.session import Commands
from hoodnote.errors import HoodnoteError

if TYPE_CHECKING:
    from hoodnote.language.shop import Taught

FILE = "lexicon.toml"
VARIABLE = "HOODNOTE_LEXICON"


def lexicon_path(flag: Path | None, data: Path | None) -> Path | None:
    """The shop's lexicon: the flag, else the environment, else beside the records; None where there is no place for records."""
    from hoodnote.jobs.place import data_dir

    named = flag or (Path(os.environ[VARIABLE]) if os.environ.get(VARIABLE, "").strip() else None)
    if named is not None:
        try:
            return Path(os.path.abspath(named.expanduser()))
        except RuntimeError as error:
            raise HoodnoteError(f"{named} names no file: {error}") from error
    try:
        return data_dir(data) / FILE
    except HoodnoteError:
        return None     # commands that need the records say so themselves


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    teach = commands.add_parser("teach", parents=[common], help="teach a word of this shop, list or forget what was taught")
    teach.add_argument("phrase", metavar="PHRASE", nargs="?", help='what you say, for instance "beer can"')
    teach.add_argument("--as", dest="means", metavar="MEANING", help="the place, part or action it stands for: its name, or any wording known already")
    teach.add_argument("--sound", action="append", default=[], metavar="WORD=PHONES",
                       help='how a word is pronounced, in ARPAbet, for instance "zerk=Z ER K"; may be given more than once')
    teach.add_argument("--list", dest="listed", nargs="?", const="taught", choices=("taught", "all"),
                       help="what was taught; all: also what a word can be taught for")
    teach.add_argument("--forget", metavar="PHRASE", help="take a taught phrase back; what was recorded with it stays")
    teach.set_defaults(run=_teach)


def _teach(args: argparse.Namespace) -> None:
    path = lexicon_path(args.lexicon, args.data)
    if path is None:
        raise HoodnoteError("there is no place for the shop's lexicon; name a file with --lexicon or a directory with --data")
    wanted = [args.phrase is not None or args.means is not None, args.listed is not None, args.forget is not None]
    if sum(wanted) != 1:
        raise HoodnoteError('give a phrase and what it stands for: hoodnote teach "beer can" --as accumulator; or --list, or --forget PHRASE')
    if args.listed is not None:
        _list(path, args.listed == "all")
    elif args.forget is not None:
        _forget(path, args.forget)
    elif args.phrase is None or args.means is None:
        raise HoodnoteError('both are needed, the phrase and what it stands for: hoodnote teach "beer can" --as accumulator')
    else:
        _learn(path, args.phrase, args.means, args.sound)


def _learn(path: Path, phrase: str, means: str, given: list[str]) -> None:
    from dataclasses import replace

    from hoodnote.language import lexicon, shop
    from hoodnote.language.clashes import examine
    from hoodnote.language.grammar import load

    now = load()
    say = shop.phrase_of(phrase)
    new = shop.Taught(say, _meaning(means, now), _given_sounds(given, say))
    warnings = examine(now, new)
    guessed = {word: ways for word, ways in lexicon.sounds_of([new]).items() if not lexicon.is_known(word) and word not in dict(new.sounds)}
    new = replace(new, sounds=(*new.sounds, *((word, tuple(ways)) for word, ways in guessed.items())))
    shop.write(path, (*now.taught, new))
    print(f'"{say}" now stands for {_told(new)}')
    for word, ways in guessed.items():
        print(f'"{word}" is in no dictionary, taken as {" or ".join(ways)}; if you say it otherwise: '
              f'hoodnote teach --forget "{say}", then teach it with --sound "{word}=PHONES"')
    for warning in warnings:
        print(f"CAREFUL: {warning}")


def _meaning(text: str, language) -> str:
    """The id that is meant: itself, with or without its kind, or a wording that means it."""
    from hoodnote.language import shop

    known = shop.wordings(language.grammars)
    kind, colon, name = text.strip().rpartition(":")
    name = "_".join(name.lower().split())
    if kind and kind not in shop.KINDS:
        raise HoodnoteError(f"{kind}: is no kind of meaning; write {', '.join(f'{k}:' for k in shop.KINDS)} or leave it out")
    ids = {tag.partition("=")[2] for tag in known}
    if name not in ids:
        wording = " ".join(text.strip().rpartition(":")[2].lower().replace("-", " ").split())
        meant = sorted({tag.partition("=")[2] for tag, phrases in known.items() if wording in phrases})
        if len(meant) > 1:
            raise HoodnoteError(f'"{wording}" has several meanings: {", ".join(meant)}; name one of them')
        if not meant:
            from rapidfuzz import process

            near = [found for found, _, _ in process.extract(name, sorted(ids), limit=3, score_cutoff=60)]
            hint = f"did you mean {' or '.join(near)}? " if near else ""
            raise HoodnoteError(f'"{text}" is no place, part or action; {hint}hoodnote teach --list all shows what there is')
        name = meant[0]
    return f"{kind}:{name}" if colon else name


def _given_sounds(given: list[str], say: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    from hoodnote.language.shop import phones_of

    out: dict[str, list[str]] = {}
    for pair in given:
        word, equals, phones = pair.partition("=")
        word = word.strip().lower()
        if not equals or word not in say.split():
            raise HoodnoteError(f'--sound {pair}: write a word of "{say}", an equals sign and its phones, for instance {say.split()[0]}=B IH R')
        out.setdefault(word, []).append(phones_of(phones))
    return tuple((word, tuple(ways)) for word, ways in out.items())


def _list(path: Path, everything: bool) -> None:
    from hoodnote.language import shop

    taught = shop.read(path)
    for t in taught:
        sounds = "; ".join(f"{word} = {' or '.join(ways)}" for word, ways in t.sounds)
        print(f'"{t.say}" stands for {_told(t)}{f"  ({sounds})" if sounds else ""}')
    if not taught:
        print('nothing is taught yet; for instance: hoodnote teach "beer can" --as accumulator')
    if everything:
        from hoodnote.language.grammar import load

        known = shop.wordings(load().grammars)
        for label, kind in shop.KINDS.items():
            print(f"\n{label}s")
            for tag in sorted(tag for tag in known if tag.startswith(f"{kind}=")):
                print(f"  {tag.partition('=')[2]}: {', '.join(sorted(known[tag], key=lambda p: (len(p), p))[:4])}")


def _told(t: Taught) -> str:
    from hoodnote.statements.vocabulary import ACTIONS, PARTS, PLACES

    kind, _, name = t.means.rpartition(":")
    names = {"place": PLACES[name].name if name in PLACES else None, "part": PARTS.get(name), "action": ACTIONS.get(name)}
    found = dict.fromkeys(text for label, text in names.items() if text and kind in ("", label))
    return ", ".join(found) or name


def _forget(path: Path, phrase: str) -> None:
    from hoodnote.language import shop

    taught = shop.read(path)
    say = shop.phrase_of(phrase)
    left = [t for t in taught if t.say != say]
    if len(left) == len(taught):
        known = ", ".join(f'"{t.say}"' for t in taught) or "nothing"
        raise HoodnoteError(f'"{say}" was never taught; taught: {known}')
    shop.write(path, left)
    print(f'"{say}" is forgotten; what was recorded with it stays')
