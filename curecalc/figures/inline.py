"""Figures as SVG inside HTML: no inline style (a strict content security policy forbids it), named for screen readers.

Style attributes become presentation attributes, so that a page's style sheet can restate the colours in the dark.
"""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING

from .style import svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["inline_svg", "plain_part", "plain_svg"]

_STYLE = re.compile(r' style="([^"]*)"')
_FONT = re.compile(r"(?:(\w+) )?([\d.]+)px (.*)")
_HEAD = re.compile(r'<svg [^>]*?viewBox="([^"]*)"[^>]*>')
_ID = re.compile(r'(\bid="|url\(#|href="#)')
_GROUP = re.compile(r'<g id="[^"]*">')
_COMMENT = re.compile(r"<!--.*?-->", re.S)
_CLIPPED = re.compile(r"[ \t]*\n[ \t]*")


def _attributes(found: re.Match[str]) -> str:
    made = []
    for rule in found[1].split(";"):
        name, _, value = rule.partition(":")
        name, value = name.strip(), value.strip()
        if name == "font" and (parts := _FONT.fullmatch(value)):
            made.append(f' font-size="{parts[2]}"')
            if parts[1]:
                made.append(f' font-weight="{parts[1]}"')
        elif name and name != "font-family":  # all are of the one that the head names
            made.append(f' {name}="{value}"')
    return "".join(made)


def plain_svg(text: str, *, prefix: str) -> str:
    """SVG text without head matter, style and group names; other names get the prefix so that figures can share a page."""
    return plain_part(text[text.index("<svg ") :], prefix=prefix)


def plain_part(body: str, *, prefix: str) -> str:
    """`plain_svg` of a part of such a text."""
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.S)
    body = re.sub(r"<style.*?</style>", "", body, flags=re.S)
    body = _COMMENT.sub("", body)
    body = _GROUP.sub("<g>", body)
    body = _STYLE.sub(_attributes, body)
    body = body.replace("xlink:href", "href")
    body = _ID.sub(rf"\1{prefix}-", body)
    return _CLIPPED.sub("\n", body)


def inline_svg(figure: Figure, *, name: str, prefix: str) -> str:
    """The figure for a page: an image with a name, scaled to the width there is."""
    body = plain_svg(svg_text(figure), prefix=prefix)
    found = _HEAD.search(body)
    width, height = (float(end) for end in (found[1] if found else "0 0 100 100").split()[2:])
    return svg_head(width, height, name) + (body[found.end() :] if found else body).strip()


def svg_head(width: float, height: float, name: str, **data: str) -> str:
    """The opening tag of an image with a name and the one font of all its words, scaled to the width there is."""
    held = "".join(f" {key.replace('_', '-')}='{value}'" for key, value in data.items())
    return (
        f'<svg{held} xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(name)}" '
        f'font-family="\'DejaVu Sans\', Verdana, sans-serif" stroke-linejoin="round" stroke-linecap="butt">'
    )
