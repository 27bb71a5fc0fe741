"""Know the beam: radius, shape, focus and power from what a shop can measure."""

from .. import door

__getattr__, __dir__, __all__ = door("spot")
