"""Records that hold a beam or a resin (a measured beam, a lot) stand wherever a beam or a resin is asked for."""

from __future__ import annotations

from typing import Protocol

from ..formulas.beam import Beam
from ..formulas.resin import Resin
from ..units import QuantityError

__all__ = ["HoldsBeam", "HoldsResin", "beam_of", "resin_of"]


class HoldsResin(Protocol):
    """A record that knows its resin, as a lot does."""

    @property
    def resin(self) -> Resin: ...


def resin_of(given: Resin | HoldsResin) -> Resin:
    """The resin itself, or the one that a lot holds; `QuantityError` for anything else."""
    resin = given if isinstance(given, Resin) else getattr(given, "resin", None)
    if not isinstance(resin, Resin):
        raise QuantityError(f"resin must be a Resin, or a lot as read_resin reads it, got {type(given).__name__}. Make a Resin.")
    return resin


class HoldsBeam(Protocol):
    """A record that knows its beam, as a measured one does."""

    def beam(self, *, needs_power: bool = True) -> Beam: ...


def beam_of(given: Beam | HoldsBeam, *, needs_power: bool = True) -> Beam:
    """The beam itself, or the one that a record of a measurement holds; `QuantityError` for anything else."""
    held = getattr(given, "beam", None)
    beam = given if isinstance(given, Beam) else held(needs_power=needs_power) if callable(held) else None
    if not isinstance(beam, Beam):
        raise QuantityError(f"beam must be a Beam, or the record of a measured one, got {type(given).__name__}. Make a Beam.")
    return beam
