"""Text as what shows it can: symbols and folded lines on a UTF-8 terminal, plain ASCII units elsewhere, never an error of encoding."""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TextIO

from ..symbols import bare, plain, symbols

__all__ = ["aligned", "folded", "progress", "spoken", "table"]

_BAR = 30  # characters of a bar of progress
_GAP = re.compile(r"\S {2,}(?=\S)")


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    """What is written for a character that the terminal has not: its plain form, or a question mark."""
    assert isinstance(error, UnicodeEncodeError)
    return bare(error.object[error.start : error.end]), error.end


codecs.register_error("curecalc", _stand_in)


def folded(text: str, width: int) -> str:
    """Lines longer than the width, broken at blanks; the rest stands below the last column of its line."""

    def one(line: str) -> str:
        if len(line) <= width:
            return line
        start = len(line) - len(line.lstrip())
        columns = [m.end() for m in _GAP.finditer(line, start) if m.end() < 0.83 * width]
        indent = " " * (columns[-1] if columns else start)
        body = textwrap.wrap(line[len(indent) :], width - len(indent), break_on_hyphens=False, break_long_words=False)
        return "\n".join([line[: len(indent)] + body[0], *(indent + rest for rest in body[1:])])

    return "\n".join(map(one, text.split("\n")))


class _Spoken:
    """A stream that people read: everything written passes through."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.utf8 = (getattr(stream, "encoding", None) or "utf-8").lower().replace("-", "") == "utf8"
        self.terminal = stream.isatty() and not os.environ.get("CURECALC_PLAIN")

    def write(self, text: str) -> int:
        if self.terminal and self.utf8:
            text = symbols(text)
        else:
            text = plain(text)
        if self.stream.isatty():
            text = folded(text, shutil.get_terminal_size().columns)
        return self.stream.write(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


@contextlib.contextmanager
def spoken(*, raw: bool) -> Iterator[None]:
    """While it lasts, what is printed fits its reader; `raw` leaves stdout's text as it is (JSON, files)."""
    out, err = sys.stdout, sys.stderr
    before = [(stream, stream.errors) for stream in (out, err) if hasattr(stream, "reconfigure")]
    for stream, _ in before:
        stream.reconfigure(errors="curecalc")
    try:
        sys.stderr = _Spoken(err)  # type: ignore[assignment]
        if not raw:
            sys.stdout = _Spoken(out)  # type: ignore[assignment]
        yield
    finally:
        sys.stdout, sys.stderr = out, err
        for stream, errors in before:
            with contextlib.suppress(ValueError, OSError):  # closed by whoever read it
                stream.reconfigure(errors=errors)


def aligned(rows: Sequence[Sequence[str]], pad: Callable[[str, int], str] = str.ljust) -> list[str]:
    """Lines whose columns stand below one another."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(map(pad, row, widths)).rstrip() for row in rows]


def progress(what: str, of: str) -> Callable[[int, int], None] | None:
    """A bar on stderr for long work; None where stderr is no terminal."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, count: int) -> None:
        bar = "#" * (_BAR * done // count)
        end = "\n" if done == count else ""
        print(f"\r{what} [{bar:.<{_BAR}}] {done}/{count} {of}", end=end, file=sys.stderr, flush=True)

    return show


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int]) -> list[str]:
    """Lines of a table no wider than its cells ask: heads are broken at blanks; columns in `left` are flush left."""
    whole = [re.sub(r"\[.*\]", lambda unit: unit[0].replace(" ", "\0"), head) for head in heads]
    widths = [max([len(w) for w in head.split()] + [len(row[i]) for row in rows]) for i, head in enumerate(whole)]
    stacked = [[line.replace("\0", " ") for line in textwrap.wrap(head, width) or [""]] for head, width in zip(whole, widths)]
    deep = max(map(len, stacked))
    lines = [[""] * (deep - len(s)) + s for s in stacked]
    cells = [*([line[i] for line in lines] for i in range(deep)), *rows]
    return ["  ".join(c.ljust(w) if i in left else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths))).rstrip() for row in cells]
