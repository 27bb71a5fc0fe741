"""A long text of chapters as one page of HTML, readable offline, or as PDF: the handbook is laid out here, and gathered elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from .fonts import font_file, pdf_bytes
from .paper import LARGE, blank, put, table

__all__ = ["Chapter", "handbook_html", "handbook_pdf"]

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem; color: #1d2328; background: #fff }
h1, h2, h3 { line-height: 1.25 } h2 { border-bottom: 2px solid #2f5d7c; margin-top: 2.5rem } h3 { margin: 1.6rem 0 0.4rem }
pre { background: #f2f5f7; padding: 0.7rem; overflow-x: auto; font-size: 0.82rem; line-height: 1.35 }
table { border-collapse: collapse; font-size: 0.88rem; width: 100% }
td, th { text-align: left; vertical-align: top; padding: 0.25rem 0.6rem 0.25rem 0 }
tr { border-bottom: 1px solid #d5dce1 } p.caution { border-left: 4px solid #8c1d18; padding-left: 0.8rem }
@media (prefers-color-scheme: dark) {
  body { color: #e4e9ec; background: #15191c } pre { background: #20262a } tr { border-color: #3a4349 } a { color: #8fc1e3 }
}
@media print { body { max-width: none; font-size: 10pt } pre { white-space: pre-wrap; font-size: 7.5pt } h2 { break-before: page } }
"""


_SIZE, _SMALL = 9.5, 6.6  # of words, and of code, of which a line is not broken


@dataclass(frozen=True)
class Chapter:
    """A chapter: its title and blocks, each `("text" | "code" | "title" | "caution", str)` or `("table", (heads, rows))`."""

    title: str
    blocks: tuple[tuple[str, Any], ...]


def handbook_html(title: str, head: str, chapters: Sequence[Chapter]) -> str:
    """One page with a table of contents; nothing is loaded from elsewhere."""
    contents = "".join(f'<li><a href="#c{i}">{escape(c.title)}</a></li>' for i, c in enumerate(chapters))
    body = [f"<h1>{escape(title)}</h1><p>{escape(head)}</p><nav aria-label='contents'><ol>{contents}</ol></nav>"]
    for i, chapter in enumerate(chapters):
        body.append(f'<h2 id="c{i}">{escape(chapter.title)}</h2>')
        body += [_html(kind, content) for kind, content in chapter.blocks]
    meta = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    return f'<!doctype html><html lang="en"><head>{meta}<title>{escape(title)}</title><style>{_STYLE}</style></head><body><main>' + (
        "\n".join(body) + "</main></body></html>\n"
    )


def _html(kind: str, content: Any) -> str:
    if kind == "table":
        heads, rows = content
        cells = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
        lines = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
        return f"<table><thead><tr>{cells}</tr></thead><tbody>{lines}</tbody></table>"
    tag = {"text": "<p>", "code": '<pre tabindex="0">', "title": "<h3>", "caution": '<p class="caution">'}[kind]
    return f"{tag}{escape(content)}</{tag[1:].split()[0].rstrip('>')}>"


def handbook_pdf(title: str, head: str, chapters: Sequence[Chapter]) -> bytes:
    """The same on A4, with bookmarks. Needs the extra `pdf`.

    Raises
    ------
    FileError
        The extra is missing.
    """
    pdf = blank(title, "handbook")
    pdf.add_font("mono", "", font_file("DejaVuSansMono.ttf"))
    put(pdf, title, 2.0 * _SIZE, "B")
    put(pdf, head, _SIZE)
    for chapter in chapters:
        if chapter is not chapters[0]:
            pdf.add_page()
        pdf.ln()
        pdf.start_section(chapter.title)
        put(pdf, chapter.title, LARGE * _SIZE, "B")
        for kind, content in chapter.blocks:
            pdf.ln()
            if kind == "table":
                heads, rows = content
                table(pdf, (heads, *rows), _SMALL)
            elif kind == "code":
                put(pdf, content, _SMALL, family="mono")
            else:
                put(pdf, content, _SIZE, "" if kind == "text" else "B")
    return pdf_bytes(pdf)
