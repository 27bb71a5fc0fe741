"""The recipe's sheet as a PDF of one A4 page."""

from __future__ import annotations

from typing import Any

from ..errors import FileError
from .fonts import add_fonts, close_fonts, pdf_bytes
from .recipe_sheet import EFFECT_UNITS, EFFECTS, SETTINGS, UNITS, recipe_view

__all__ = ["recipe_pdf"]

_WIDTH, _LEFT, _TOP, _BOTTOM = 190.0, 10.0, 9.0, 288.0
_SETTING_WIDTHS = (27.0, 19.0, 17.0, 19.0, 18.0, 13.0, 33.0, 15.0, 29.0)
_EFFECT_WIDTHS = (26.0, 29.0, 14.0, 12.0, 16.0, 22.0, 16.0, 16.0, 15.0, 10.0, 14.0)


def recipe_pdf(record: dict[str, Any], png: bytes) -> bytes:
    """One page with the settings large on top; needs the extra `pdf`.

    Parameters
    ----------
    record : dict
        The recipe's JSON object.
    png : bytes
        The process window.
    """
    try:
        from fpdf import FPDF
    except ImportError:
        raise FileError("a PDF sheet needs one more package. Install it with: pip install 'curecalc[pdf]'") from None
    view = recipe_view(record)
    for shrink in (1.14, 1.07, 1.0, 0.94, 0.88, 0.82, 0.76, 0.7):
        page = _Page(FPDF(format="A4", unit="mm"), view, png, shrink)
        if page.draw() <= _BOTTOM:
            break
        close_fonts(page.pdf)
    return pdf_bytes(page.pdf)


class _Page:
    """Draws downward; every text keeps to the page's width."""

    def __init__(self, pdf: Any, view: dict[str, Any], png: bytes, shrink: float) -> None:
        self.pdf, self.view, self.png, self.shrink = pdf, view, png, shrink
        add_fonts(pdf, "sheet")
        pdf.set_auto_page_break(False)
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

    def draw(self) -> float:
        """Draws all and returns the lowest place reached."""
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
        bottom = self.columns()
        pdf.set_y(bottom + 1.0)
        pdf.line(_LEFT, pdf.get_y(), _LEFT + _WIDTH, pdf.get_y())
        pdf.set_y(pdf.get_y() + 0.8)
        self.text(" ".join(view["cautions"]), 7.6)
        self.text("; ".join(view["files"]) + ". " + view["foot"], 7.0)
        return float(pdf.get_y()) if pdf.page_no() == 1 else float("inf")

    def box(self, texts: list[str]) -> None:
        pdf = self.pdf
        pdf.set_y(pdf.get_y() + 1.2)
        top = pdf.get_y()
        pdf.set_y(top + 0.8)
        self.text("Look at this first", 8.6, "B", _WIDTH - 4.0, _LEFT + 2.0)
        for text in texts:
            self.text(text, 8.2, "", _WIDTH - 4.0, _LEFT + 2.0)
        bottom = pdf.get_y() + 0.8
        pdf.set_line_width(0.5)
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
            texts = self.wrapped(row[last], widths[last] - 1.6, 7.0) if large is not None else [row[last]]
            height = max(size * (0.7 if large is not None else 0.6) * self.shrink, 2.9 * self.shrink * len(texts) + 1.0)
            x = _LEFT
            for i, (cell, width) in enumerate(zip(row, widths)):
                pdf.rect(x, y, width, height)
                if large is not None and i == last:
                    for k, part in enumerate(texts):
                        top = y + 0.5 * (height - 2.9 * self.shrink * len(texts))
                        self.cell(x, top + k * 2.9 * self.shrink, width, 2.9 * self.shrink, part, 7.0, "", 0)
                else:
                    big = i == large
                    self.cell(x, y, width, height, cell, 12.5 if big else size if i else 9.0, "B" if big or i == 0 else "", i)
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

    def wrapped(self, text: str, width: float, size: float) -> list[str]:
        self.font(size)
        lines: list[str] = [""]
        for word in text.split():
            longer = f"{lines[-1]} {word}".strip()
            if self.pdf.get_string_width(longer) > width and lines[-1]:
                lines.append(word)
            else:
                lines[-1] = longer
        return lines

    def columns(self) -> float:
        """The window on the left, texts on the right; the lower end of both."""
        from io import BytesIO

        pdf, view = self.pdf, self.view
        top = pdf.get_y() + 2.0
        wide = min(106.0 * self.shrink, 112.0)
        info = pdf.image(BytesIO(self.png), x=_LEFT, y=top, w=wide, alt_text="process window of the first raster kind")
        bottom = top + float(info.rendered_height)
        x = _LEFT + wide + 3.0
        width = _WIDTH - wide - 3.0
        pdf.set_y(top - 2.0)
        self.heading("How sure, and where it holds", width, x)
        for text in (*view["validity"], view["budget"]):
            self.text(text, 7.8, "", width, x)
        self.heading("Assumed", width, x)
        for text in view["assumptions"]:
            self.text(text, 7.8, "", width, x)
        return max(bottom, float(pdf.get_y()))
