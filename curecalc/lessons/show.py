"""A lesson as terminal text and as printable HTML: same content, nothing fetched from anywhere."""

from __future__ import annotations

import re
import textwrap
from html import escape

from ..cautions import CAUTIONS, SHORT_CAUTION
from ..setting.explain import as_text
from .telling import Lesson

__all__ = ["lesson_html", "lesson_page", "lesson_text", "page_html"]

_WIDTH = 88
_TERM = re.compile(r"\*([^*]+)\*")
_SHORT_POWER = re.compile(r"\^(-?[0-9]+|[A-Za-z])")
_LONG_POWER = re.compile(r"\^\(([^()]*)\)")


def lesson_text(lesson: Lesson, *, answer: bool = True) -> str:
    """The lesson for a terminal."""
    parts = [f"{lesson.title}\n{'=' * len(lesson.title)}", _wrap(f"Aim: {lesson.aim}")]
    parts.append(_wrap(f"Numbers of {lesson.bench_name}."))
    for block in lesson.text:
        if block.kind == "formula":
            parts.append("\n".join(f"    {line}" for line in block.lines))
        elif block.kind == "list":
            parts.append("\n".join(_wrap(line, first="- ", rest="  ") for line in block.lines))
        else:
            parts.append(_wrap(block.lines[0]))
    parts.append(_headed("Worked example", as_text(list(lesson.example))))
    parts.append(_headed("Question", _wrap(lesson.question) + "\n" + _wrap(f"Hint: {lesson.hint}")))
    if answer:
        parts.append(_headed("Answer", _wrap(lesson.answer)))
    parts.append(_headed("New words", "\n".join(_wrap(f"{k}: {v}", rest="  ") for k, v in lesson.terms.items())))
    if lesson.sources:
        parts.append(_headed("Sources", "\n".join(_wrap(f"[{k}] {v}", rest="  ") for k, v in lesson.sources.items())))
    parts.append(_wrap(SHORT_CAUTION))
    return "\n\n".join(parts)


def _headed(title: str, body: str) -> str:
    return f"{title}\n{'-' * len(title)}\n{body}"


def _wrap(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False)


def _rich(text: str) -> str:
    """Escaped text with new words, powers and sources marked."""
    made = _TERM.sub(r"<dfn>\1</dfn>", escape(text))
    made = _LONG_POWER.sub(r"<sup>\1</sup>", _SHORT_POWER.sub(r"<sup>\1</sup>", made))
    return re.sub(r"\[([a-z_]+[0-9a-z_-]*)\]", r"<cite>[\1]</cite>", made)


def lesson_html(lesson: Lesson, *, figure: bool = True, head: str = "h2") -> str:
    """The lesson as a piece of HTML without style of its own, the figure inline."""
    below = f"h{int(head[1]) + 1}"
    made = [f"<article class='lesson'><{head}>{escape(lesson.title)}</{head}>"]
    made.append(f"<p><strong>Aim.</strong> {_rich(lesson.aim)}</p>")
    made.append(f"<p>Numbers of {escape(lesson.bench_name)}.</p>")
    for block in lesson.text:
        if block.kind == "formula":
            made += [f"<p class='formula'>{_rich(line)}</p>" for line in block.lines]
        elif block.kind == "list":
            made.append("<ul>" + "".join(f"<li>{_rich(line)}</li>" for line in block.lines) + "</ul>")
        else:
            made.append(f"<p>{_rich(block.lines[0])}</p>")
    if figure:
        made.append(figure_html(lesson))
    made.append(f"<{below}>Worked example</{below}><ol class='steps'>")
    for step in lesson.example:
        rows = "".join(f"<br>= {_rich(part)}" for part in (step.numbers, step.result) if part)
        made.append(f"<li>{_rich(step.why)}<p class='formula'>{_rich(step.formula)}{rows}</p></li>")
    made.append(f"</ol><{below}>Question</{below}><p>{_rich(lesson.question)}</p>")
    made.append(f"<details><summary>Hint</summary><p>{_rich(lesson.hint)}</p></details>")
    made.append(f"<details><summary>Answer</summary><p>{_rich(lesson.answer)}</p></details>")
    made.append(f"<{below}>New words</{below}><dl>")
    made += [f"<dt>{escape(k)}</dt><dd>{_rich(v)}</dd>" for k, v in lesson.terms.items()]
    made.append("</dl>")
    if lesson.sources:
        made.append(f"<{below}>Sources</{below}><ul class='sources'>")
        made += [f"<li><cite>[{escape(k)}]</cite> {escape(v)}</li>" for k, v in lesson.sources.items()]
        made.append("</ul>")
    made.append("</article>")
    return "\n".join(made)


def figure_html(lesson: Lesson) -> str:
    """The figure with its caption, as inline SVG."""
    from ..figures.inline import inline_svg

    drawing = inline_svg(lesson.figure(), name=lesson.caption, prefix=lesson.name)
    return f"<figure>{drawing}<figcaption>{_rich(lesson.caption)}</figcaption></figure>"


STYLE = """
:root { color-scheme: light dark; }
body { font: 17px/1.5 "DejaVu Sans", Verdana, sans-serif; max-width: 46em; margin: 2em auto; padding: 0 1em; }
h1, h2, h3, h4 { line-height: 1.25; } figure { margin: 1.5em 0; background: #fff; color: #1d2327; padding: .5em; }
svg { max-width: 100%; height: auto; } figcaption { font-size: .9em; }
.formula { font-family: "DejaVu Sans Mono", monospace; margin: .5em 0 .5em 2em; overflow-wrap: anywhere; }
dt { font-weight: bold; } dfn { font-weight: bold; font-style: normal; } cite { font-style: normal; font-size: .85em; }
.cautions { border: 2px solid; padding: .2em 1em; }
@media print {
  body { max-width: none; margin: 0; font-size: 11pt; } h2, h3, h4 { break-after: avoid; }
  figure, li, .formula, .cautions { break-inside: avoid; } article + article { break-before: page; }
  details > p { display: block; }
}
@page { size: A4; margin: 18mm; }
"""


def lesson_page(lessons: list[Lesson], *, answers: bool = True) -> str:
    """One printable HTML document of one or more lessons; answers open where they are wanted."""
    body = "\n".join(lesson_html(one) for one in lessons)
    if answers:
        body = body.replace("<details>", "<details open>")
    title = lessons[0].title if len(lessons) == 1 else "Lessons: exposure and cure"
    return page_html(title, body)


def page_html(title: str, body: str) -> str:
    """A whole document around a body, with the cautions at its end."""
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return (
        "<!doctype html>\n<html lang='en'><head><meta charset='utf-8'>"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><main>"
        f"<h1>{escape(title)}</h1>{body}</main>"
        f"<aside class='cautions' aria-label='Cautions'><ul>{cautions}</ul></aside></body></html>\n"
    )
