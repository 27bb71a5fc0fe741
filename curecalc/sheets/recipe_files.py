"""The recipe's sheet with its process window, as PDF or HTML."""

from __future__ import annotations

from typing import Any

__all__ = ["sheet_bytes", "sheet_window"]


def sheet_window(recipe: Any) -> Any:
    """The window of the sheet."""
    from ..recipe.window import process_window

    vector = recipe.main
    up = "hatch_spacing" if vector.pattern == "raster" else "beam_radius"
    return process_window(vector, "scan_speed", up, points=61, with_assurance=False)


def sheet_bytes(recipe: Any, record: dict[str, Any], kind: str) -> bytes:
    """The sheet as PDF or HTML; its window goes into the record too, so that the sheet shows nothing the JSON lacks."""
    from ..figures.style import svg_text
    from ..figures.window import window_figure
    from ..recipe.window import process_window

    window = sheet_window(recipe)
    figure = window_figure(window, width_mm=150.0, height_mm=110.0)
    record["window"] = process_window(window.vector, window.across, window.up, points=15).to_dict()
    if kind == "html":
        from .recipe_sheet import recipe_html

        return recipe_html(record, svg_text(figure)).encode()
    from io import BytesIO

    from .pdf_page import recipe_pdf

    image = BytesIO()
    figure.savefig(image, format="png", dpi=200)
    return recipe_pdf(record, image.getvalue())
