"""`hoodnote serve`: the pages for the bay, the phone and the advisor."""

from __future__ import annotations

import argparse
import getpass

from hoodnote.cli.session import Commands, models_dir
from hoodnote.cli.show import one_line

_PORT = 8470
_ROLES = ("technician", "advisor")


def add_commands(commands: Commands, common: argparse.ArgumentParser) -> None:
    serve = commands.add_parser("serve", parents=[common], allow_abbrev=False, help="pages in the browser: bay screen, phone for photos, advisor's notes",
                                description="Pages of the record for browsers, until Ctrl-C. For this machine alone, unless --lan is given.")
    serve.add_argument("--port", type=int, default=_PORT, metavar="N", help=f"default: {_PORT}")
    serve.add_argument("--lan", action="store_true", help="for paired devices on the shop's network as well, encrypted with a certificate made here")
    serve.add_argument("--name", metavar="NAME", help="your name, as it stands in the note beside what you confirm (default: the user of this machine)")
    serve.add_argument("--role", choices=_ROLES, default=_ROLES[0],
                       help=f"of who is at this machine, and of the device paired from here (default: {_ROLES[0]})")
    serve.set_defaults(run=_serve)


def _serve(args: argparse.Namespace) -> None:
    from hoodnote.cli.lexicon import lexicon_path
    from hoodnote.jobs.place import data_dir
    from hoodnote.web.serve import serve
    from hoodnote.web.shop import Shop

    shop = Shop(data_dir(args.data), lexicon_path(args.lexicon, args.data), models_dir(args), args.lan)
    serve(shop, args.port, one_line(args.name or _user()), args.role, lambda line: print(line, flush=True))


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
