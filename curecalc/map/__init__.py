"""The exposure field of real scan paths: one layer on a grid with a stated error, layers on layers, and what an engineer reads in them."""

from .. import door

__getattr__, __dir__, __all__ = door("map")
