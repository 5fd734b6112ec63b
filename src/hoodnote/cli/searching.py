"""`hoodnote search`: where something was said, in all jobs."""

from __future__ import annotations

import argparse

from hoodnote.cli.session import Commands, open_store
from hoodnote.errors import HoodnoteError


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    search = commands.add_parser("search", parents=[common], help="find words in free notes, complaints, typed and heard texts of all jobs")
    search.add_argument("words", metavar="WORD", nargs="+", help="all of them must be there; other endings of a word count as the same")
    search.set_defaults(run=_search)


def _search(args: argparse.Namespace) -> None:
    from hoodnote.cli.show import one_line, when

    words = " ".join(args.words)
    if not any(c.isalnum() for c in words):
        raise HoodnoteError("give a word to search for, in letters or digits")
    with open_store(args) as store:
        found = store.search(words)
        for hit in found:
            where = f", {one_line(hit.original_name)}" if hit.original_name else ""
            kind = "free note, unverified transcript" if hit.kind == "free note" else hit.kind.replace("_", " ")
            print(f"{hit.work_order}  {when(hit.said_at)}  {one_line(hit.text)}  ({kind}{where})")
        if not found:
            print(f"nothing that was said or typed holds {one_line(words)}")
