"""Public one-formula functions and the records they take: quantities in, quantities out, one kernel call each."""

from .. import door

__getattr__, __dir__, __all__ = door("formulas")
