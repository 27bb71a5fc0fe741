"""From machine, resin and needs to settings: limits, the search for the fastest settings, assurance, window, rates."""

from .. import door

__getattr__, __dir__, __all__ = door("recipe")
