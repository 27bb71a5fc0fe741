"""The logbook: entries that are only ever added, charts of what was recorded, the status of a machine."""

from .. import door

__getattr__, __dir__, __all__ = door("logbook")
