"""Sheets people print: they lay out results and compute nothing. Other rooms use the names below, not the modules."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_WHERE = {
    "answer_key": "practice_sheet",
    "coupon_csv": "run_sheet",
    "recipe_columns": "recipe_sheet",
    "recipe_csv": "recipe_sheet",
    "recipe_html": "recipe_sheet",
    "recipe_pdf": "pdf_page",
    "recipe_view": "recipe_sheet",
    "run_sheet_html": "run_sheet",
    "sheet_bytes": "recipe_files",
    "sheet_window": "recipe_files",
    "worksheet": "practice_sheet",
}

__all__ = [
    "answer_key",
    "coupon_csv",
    "recipe_columns",
    "recipe_csv",
    "recipe_html",
    "recipe_pdf",
    "recipe_view",
    "run_sheet_html",
    "sheet_bytes",
    "sheet_window",
    "worksheet",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
