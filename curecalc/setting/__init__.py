"""One exposure setting: evaluated, solved for any unknown, stacked layer on layer, taken apart step by step."""

from .. import door

__getattr__, __dir__, __all__ = door("setting")
