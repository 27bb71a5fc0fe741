"""Lessons and exercises: text that explains, numbers computed on the reader's own machine and resin."""

from .. import door

__getattr__, __dir__, __all__ = door("lessons")
