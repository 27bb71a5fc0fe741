"""The recipe's sheet as a PDF of A4: one page, a second where one would be too small to read."""

from __future__ import annotations

from typing import Any

from ..errors import FileError
from .fonts import add_fonts, close_fonts, pdf_bytes, refuse_missing_signs
from .recipe_sheet import EFFECT_UNITS, EFFECTS, SETTINGS, UNITS, recipe_view

__all__ = ["recipe_pdf"]

_WIDTH, _LEFT, _TOP, _BOTTOM = 190.0, 10.0, 9.0, 288.0
_SIZES = (1.07, 1.0, 0.94, 0.88, 1.0)  # the last over as many pages as it takes
_SETTING_WIDTHS = (27.0, 19.0, 17.0, 19.0, 18.0, 13.0, 33.0, 15.0, 29.0)
_EFFECT_WIDTHS = (26.0, 29.0, 14.0, 12.0, 16.0, 22.0, 16.0, 16.0, 15.0, 10.0, 14.0)


def recipe_pdf(record: dict[str, Any], png: bytes) -> bytes:
    """The settings large on top; what does not fit at a readable size goes to a second page. Needs the extra `pdf`.

    Parameters
    ----------
    record : dict
        The recipe's JSON object.
    png : bytes
        The process window.

    Raises
    ------
    FileError
        The extra is missing, or a text has a sign that the font of the sheet lacks.
    """
    try:
        from fpdf import FPDF
    except ImportError:
        raise FileError("a PDF sheet needs one more package. Install it with: pip install 'curecalc[pdf]'") from None
    view = recipe_view(record)
    refuse_missing_signs(view)
    for shrink in _SIZES:
        page = _Page(FPDF(format="A4", unit="mm"), view, png, shrink)
        page.draw()
        if page.pdf.page_no() == 1 or shrink == _SIZES[-1]:
            break
        close_fonts(page.pdf)
    return pdf_bytes(page.pdf)


class _Page:
    """Draws downward; every text keeps to the page's width."""

    def __init__(self, pdf: Any, view: dict[str, Any], png: bytes, shrink: float) -> None:
        self.pdf, self.view, self.png, self.shrink = pdf, view, png, shrink
        add_fonts(pdf, "sheet")
        pdf.set_auto_page_break(True, 297.0 - _BOTTOM)
        pdf.set_margins(_LEFT, _TOP, _LEFT)
        pdf.set_title(view["title"])
        pdf.set_creator("curecalc")
        pdf.set_lang("en")
        pdf.add_page()

    def font(self, size: float, style: str = "") -> None:
        self.pdf.set_font("sheet", style, size * self.shrink)

    def text(self, text: str, size: float, style: str = "", width: float = _WIDTH, x: float = _LEFT) -> None:
        self.font(size, style)
        self.pdf.set_x(x)
        self.pdf.multi_cell(width, size * self.shrink * 0.43, text, new_x="LMARGIN", new_y="NEXT", align="L")

    def heading(self, text: str, width: float = _WIDTH, x: float = _LEFT) -> None:
        self.pdf.set_y(self.pdf.get_y() + 1.2 * self.shrink)
        self.text(text, 9.5, "B", width, x)
        y = self.pdf.get_y() + 0.2
        self.pdf.line(x, y, x + width, y)
        self.pdf.set_y(y + 0.8 * self.shrink)

    def room(self, height: float) -> None:
        """A new page, headed by the title, where so much does not fit any more."""
        if self.pdf.get_y() + height > _BOTTOM:
            self.pdf.add_page()
            self.pdf.set_y(_TOP)
            self.text(f"{self.view['title']}, page {self.pdf.page_no()}", 10.0, "B")
            self.pdf.set_y(self.pdf.get_y() + 1.0)

    def draw(self) -> None:
        """Draws all, from the top down."""
        pdf, view = self.pdf, self.view
        pdf.set_y(_TOP)
        self.text(view["title"], 15.0, "B")
        self.text("     ".join(f"{name}: {text}" for name, text in view["head"]), 9.0)
        pdf.set_y(pdf.get_y() + 1.5)
        self.table(("kind", *SETTINGS), ("", *UNITS), view["settings"], _SETTING_WIDTHS, 10.5, large=1)
        if view["facts"]:
            pdf.set_y(pdf.get_y() + 0.8)
            self.text("Rate: " + "; ".join(view["facts"]) + ".", 8.5)
        if view["warnings"]:
            self.box(view["warnings"])
        self.heading("What these settings bring")
        self.table(("kind", *EFFECTS), ("", *EFFECT_UNITS), view["effects"], _EFFECT_WIDTHS, 8.3)
        self.sign_off()
        self.columns()
        self.room(16.0 * self.shrink)
        pdf.set_y(pdf.get_y() + 1.0)
        pdf.line(_LEFT, pdf.get_y(), _LEFT + _WIDTH, pdf.get_y())
        pdf.set_y(pdf.get_y() + 0.8)
        self.text(" ".join(view["cautions"]), 7.6)
        self.text("; ".join(view["files"]) + ". " + view["foot"], 7.0)

    def box(self, texts: list[str]) -> None:
        pdf = self.pdf
        self.font(8.2)
        lines = sum(len(self.wrapped(text, _WIDTH - 6.0, 8.2)) for text in texts) + 1
        pdf.set_y(pdf.get_y() + 1.2)
        self.room(min(3.6 * self.shrink * lines + 2.0, 200.0))
        top, page = pdf.get_y(), pdf.page_no()
        pdf.set_y(top + 0.8)
        self.text("Look at this first", 8.6, "B", _WIDTH - 4.0, _LEFT + 2.0)
        for text in texts:
            self.text(text, 8.2, "", _WIDTH - 4.0, _LEFT + 2.0)
        bottom = pdf.get_y() + 0.8
        pdf.set_line_width(0.5)
        if pdf.page_no() == page:
            pdf.rect(_LEFT, top, _WIDTH, bottom - top)
        pdf.set_line_width(0.2)
        pdf.set_y(bottom)

    def table(
        self,
        names: tuple[str, ...],
        units: tuple[str, ...],
        rows: list[list[str]],
        widths: tuple[float, ...],
        size: float,
        large: int | None = None,
    ) -> None:
        pdf = self.pdf
        pdf.set_line_width(0.2)
        self.room(20.0 * self.shrink)
        y, x = pdf.get_y(), _LEFT
        height = 8.4 * self.shrink
        for i, (name, unit, width) in enumerate(zip(names, units, widths)):
            pdf.set_fill_color(233, 236, 238)
            pdf.rect(x, y, width, height, style="DF")
            self.cell(x, y + 0.5, width, height / 2, name, 7.8, "B", i)
            self.cell(x, y + height / 2 - 0.4, width, height / 2, unit, 7.2, "", i)
            x += width
        y += height
        for row in rows:
            last = len(row) - 1
            small = {0: (9.0, "B")} | ({} if large is None else {last: (7.0, "")})  # columns of words, wrapped
            texts = {i: self.wrapped(row[i], widths[i] - 1.6, *face) for i, face in small.items()}
            tall = {i: 0.42 * small[i][0] * self.shrink * len(lines) for i, lines in texts.items()}
            height = max(size * (0.7 if large is not None else 0.6) * self.shrink, *(part + 1.0 for part in tall.values()))
            pdf.set_y(y)
            self.room(height)
            x, y = _LEFT, pdf.get_y()
            for i, (cell, width) in enumerate(zip(row, widths)):
                pdf.rect(x, y, width, height)
                if i in texts:
                    each = tall[i] / len(texts[i])
                    for k, part in enumerate(texts[i]):
                        self.cell(x, y + 0.5 * (height - tall[i]) + k * each, width, each, part, *small[i], 0)
                else:
                    big = i == large
                    self.cell(x, y, width, height, cell, 12.5 if big else size, "B" if big else "", i)
                x += width
            y += height
        pdf.set_xy(_LEFT, y)

    def cell(self, x: float, y: float, width: float, height: float, text: str, size: float, style: str, column: int) -> None:
        """One line, made smaller where it would not fit."""
        self.font(size, style)
        while self.pdf.get_string_width(text) > width - 1.6 and size > 5.0:
            size -= 0.25
            self.font(size, style)
        self.pdf.set_xy(x, y)
        self.pdf.cell(width, height, text, align="L" if column == 0 else "R")

    def wrapped(self, text: str, width: float, size: float, style: str = "") -> list[str]:
        """Lines no wider than `width`; a word that is wider is broken."""
        self.font(size, style)
        lines = [""]
        for word in text.split():
            longer = f"{lines[-1]} {word}".strip()
            if self.pdf.get_string_width(longer) <= width or not lines[-1]:
                lines[-1] = longer
            else:
                lines.append(word)
            while self.pdf.get_string_width(lines[-1]) > width and len(lines[-1]) > 1:
                fits = next(n for n in range(len(lines[-1]) - 1, 0, -1) if n == 1 or self.pdf.get_string_width(lines[-1][:n]) <= width)
                lines[-1:] = [lines[-1][:fits], lines[-1][fits:]]
        return lines

    def sign_off(self) -> None:
        """The proof coupon, and boxes to sign."""
        pdf, view = self.pdf, self.view
        self.room(24.0 * self.shrink)
        pdf.set_y(pdf.get_y() + 1.2)
        self.text(view["proof"], 8.6)
        width, height = _WIDTH / len(view["sign_off"]), 9.0 * self.shrink
        y = pdf.get_y() + 0.8
        for i, name in enumerate(view["sign_off"]):
            pdf.rect(_LEFT + i * width, y, width, height)
            self.cell(_LEFT + i * width, y, width, 4.0 * self.shrink, name, 7.2, "", 0)
        pdf.set_y(y + height)

    def columns(self) -> None:
        """The window on the left, texts on the right."""
        from io import BytesIO

        pdf, view = self.pdf, self.view
        wide = min(106.0 * self.shrink, 112.0)
        self.room(0.8 * wide)
        top, page = pdf.get_y() + 2.0, pdf.page_no()
        info = pdf.image(BytesIO(self.png), x=_LEFT, y=top, w=wide, alt_text="process window of the first raster kind")
        bottom = top + float(info.rendered_height)
        x = _LEFT + wide + 3.0
        width = _WIDTH - wide - 3.0
        pdf.set_y(top - 2.0)
        self.heading("How sure, and where it holds", width, x)
        for text in (*view["validity"], view["budget"], view["spread"]):
            self.text(text, 7.8, "", width, x)
        self.heading("Assumed", width, x)
        for text in view["assumptions"]:
            self.text(text, 7.8, "", width, x)
        pdf.set_y(max(bottom, float(pdf.get_y())) if pdf.page_no() == page else float(pdf.get_y()))
