"""Paths: the vectors of layers, from tables, layer files, recordings, or studied from a mesh; their lengths, counts and times."""

from .. import door

__getattr__, __dir__, __all__ = door("paths")
