"""Pieces of the report's HTML. Titles, cells and labels are escaped here; `parts` and pictures are markup."""

from __future__ import annotations

import html
import itertools
import re
from collections.abc import Iterable, Sequence

_LONG = ' class="long"'
_SHORT = 20
"""Characters of a row's name up to which it stays on one line on a narrow screen."""


def escaped(text: str) -> str:
    return html.escape(text, quote=True)


def section(title: str, *parts: str) -> str:
    return f"<section><h2>{escaped(title)}</h2>{''.join(parts)}</section>"


def definitions(lines: Iterable[tuple[str, str]]) -> str:
    return f"<dl>{''.join(f'<dt>{escaped(key)}</dt><dd>{escaped(value)}</dd>' for key, value in lines)}</dl>"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    head = "".join(f'<th scope="col">{escaped(text)}</th>' for text in heads)

    def cells(row: Sequence[str]) -> str:
        return "".join(f"<td>{escaped(cell)}</td>" for cell in row[1:])

    body = "".join(
        f'<tr><th scope="row"{_LONG if len(row[0]) > _SHORT else ""}>{escaped(row[0])}</th>{cells(row)}</tr>'
        for row in rows
    )
    words = f'<p class="quiet">{escaped(caption)}</p>' if caption else ""
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    # the words stay outside what scrolls sideways on a narrow screen
    return f'{words}<div class="wide">{table}</div>'


def with_own_ids(page: str) -> str:
    """The page with each picture's ids numbered: equal shapes in two pictures have equal ids."""
    count = itertools.count(1)

    def numbered(picture: re.Match[str]) -> str:
        return re.sub(r'( id="|href="#|url\(#)', rf"\g<1>f{next(count)}-", picture[0])

    return re.sub(r"<svg .*?</svg>", numbered, page, flags=re.DOTALL)


def with_label(svg: str, label: str) -> str:
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escaped(label)}" ', 1)
