"""Figures: functions that draw results on given axes. They read no files and compute no physics of their own."""

from .. import door

__getattr__, __dir__, __all__ = door("figures")
