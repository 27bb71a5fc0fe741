"""A browser that keeps only the words of what the page answers: no tags, no figures, no hidden fields."""

import io
import re
import shlex
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

READ_ALOUD = ("aria-label", "placeholder", "title", "alt")
UNSEEN = ("head", "script", "style", "defs")
PLAIN = ("text/plain", "text/csv", "application/toml")
FRAME = ("header", "footer")  # the same on every page: kept on the first
ON_ONE_LINE = {"a", "b", "br", "cite", "dfn", "em", "i", "option", "span", "strong", "sub", "sup", "td", "th", "title", "tspan"}
FIGURES = re.compile(r"[\d\s.,:×^+⁰¹²³⁴⁵⁶⁷⁸⁹⁻−-]*")


class Words(HTMLParser):
    """Every word of a page that is seen or read aloud, a line for each block."""

    def __init__(self, text: str, *, frame: bool = False, only_alerts: bool = False) -> None:
        super().__init__()
        self.unseen, self.only_alerts = UNSEEN if frame else (*UNSEEN, *FRAME), only_alerts
        self.rows, self.left_out, self.alert, self.drawing = [""], [], [], False
        self.feed(text)

    @property
    def silent(self) -> bool:
        """Whether nothing is kept here."""
        return bool(self.left_out) or (self.only_alerts and not self.alert)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        for deep in (self.left_out, self.alert):  # what is inside ends with the same tag
            if deep and deep[-1] == tag:
                deep.append(tag)
        if tag in self.unseen and not self.left_out:
            self.left_out.append(tag)
        if not self.alert and given.get("role") == "alert":
            self.alert.append(tag)
        self.drawing = self.drawing or tag == "svg"
        if self.silent or given.get("type") == "hidden":
            return
        if tag not in ON_ONE_LINE:
            self.rows.append("")
        self.rows[-1] += "".join(f" ({given[name]})" for name in READ_ALOUD if given.get(name))
        if tag == "input" and given.get("type") == "text":
            self.rows[-1] += f" [{given.get('value') or ''}]"

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass  # lines and marks of a drawing

    def handle_endtag(self, tag: str) -> None:
        if tag not in ON_ONE_LINE and not self.silent:
            self.rows.append("")
        for deep in (self.left_out, self.alert):
            if deep and deep[-1] == tag:
                deep.pop()
        self.drawing = self.drawing and tag != "svg"

    def handle_data(self, text: str) -> None:
        if not self.silent and not (self.drawing and FIGURES.fullmatch(text)):  # ticks come and go with the plotting library
            self.rows[-1] += f" {text}"

    def __str__(self) -> str:
        rows = [row for row in (" ".join(row.split()) for row in self.rows) if row]
        doubled = [f"({after})" == row for row, after in zip(rows, [*rows[1:], ""])]  # a table's name and its caption
        return "".join(f"{row}\n" for row, twice in zip(rows, doubled) if not twice)


@cache
def plain_app():
    """The page as it starts without options."""
    from curecalc.page import PageOptions, create_app

    return create_app(PageOptions(burst=1e9, per_second=1e9))


class Browser:
    """One browser at the page.

    `open OPTIONS` starts another page, `see` looks at a place, `panel` at what is redrawn of it, `alert` only at what is wrong there,
    `send` sends a form.
    """

    VERBS = ("open", "see", "panel", "alert", "send")

    def __init__(self) -> None:
        pytest.importorskip("flask")
        self.client, self.token = None, ""

    def __call__(self, line: str) -> str:
        """What the page answers, in words."""
        verb, _, rest = line.partition(" ")
        if verb == "open":
            return self._open(rest)
        self.client = self.client or plain_app().test_client()
        place, *given = shlex.split(rest)
        fields = dict(one.split("=", 1) for one in given)
        headers = {name: fields.pop(name) for name in list(fields) if name[0].isupper()}
        if verb != "send":
            return self._told(self.client.get(place, headers=headers | ({} if verb == "see" else {"X-Part": "yes"})), verb == "alert")
        if "file" in fields:
            fields["file"] = (io.BytesIO(Path(fields["file"]).read_bytes()), fields["file"])
        fields |= {n: Path(t[1:]).read_text(encoding="utf-8") for n, t in fields.items() if isinstance(t, str) and t.startswith("@")}
        data = {"token": self.token} | fields
        return self._told(self.client.post(place, data=data, headers={"Origin": "http://localhost"} | headers), True)

    def _open(self, options: str) -> str:
        from curecalc.errors import CurecalcError
        from curecalc.page import PageOptions, create_app
        from curecalc.page.guard import AccessCodes

        names = {"PageOptions": PageOptions, "CODES": AccessCodes(lambda person, code: None)}
        try:
            self.client = create_app(eval(f"PageOptions(**({{'burst': 1e9}} | dict({options})))", names)).test_client()
        except CurecalcError as error:
            return f"{error}\n"
        return ""

    def _told(self, answer, only_alerts: bool) -> str:
        if answer.status_code in (302, 303):
            return f"to {answer.headers['Location'].partition('?')[0]}\n"
        told = f"({answer.status})\n" if answer.status_code != 200 else ""
        if "Content-Disposition" in answer.headers:
            return f"{told}{answer.headers['Content-Disposition']}\n{answer.text if answer.mimetype in PLAIN else ''}"
        if answer.mimetype == "text/html":
            found = re.search(r'name="token" value="([^"]+)"', answer.text)
            self.token = found[1] if found else self.token
            return told + str(Words(answer.text, frame=answer.request.path == "/", only_alerts=only_alerts))
        return told + answer.text if answer.mimetype in PLAIN else told
