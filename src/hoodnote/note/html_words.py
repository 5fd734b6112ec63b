"""Pieces of HTML that several parts of the page are made of."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from html import escape as e


def section(title: str, body: Iterable[str], name: str) -> Iterator[str]:
    yield f'<section class="{name}"><h2>{e(title)}</h2>'
    yield from body
    yield "</section>"


def head(*columns: str) -> str:
    return "<thead><tr>" + "".join(f'<th scope="col">{e(c)}</th>' for c in columns) + "</tr></thead>"


def cell(label: str, content: str, name: str = "") -> str:
    """`label` is shown instead of the column's head where the screen is narrow."""
    return f'<td data-label="{e(label)}"{f" class={chr(34)}{name}{chr(34)}" if name else ""}>{content}</td>'


def entry_links(basis: Sequence[int]) -> str:
    return ", ".join(f'<a href="#e{n}">{n}</a>' for n in basis)


def kept(text: str) -> str:
    """Keeps a figure, its sign and its unit on one line."""
    return re.sub(r"(?<=[±\d]) (?=\S{1,3}\b)", "&nbsp;", e(text))
