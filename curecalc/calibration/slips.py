"""Slips by the factor of a unit, named before anything is fitted."""

from __future__ import annotations

import numpy as np

from ..errors import FileError
from ..units import KINDS, Quantity, show_kernel, show_span

__all__ = ["refuse_slips"]

# lab set; common practice, no source: a hundred times wider than coupons of this trade, narrower than a slip of a thousand
_THICKNESS, _EXPOSURE = (2e-3, 5.0), (5e-3, 30.0)
_FACTORS = (
    (2.0, "a beam diameter was taken for a radius, or the other way round"),
    (100.0, "exposures per mm^2 stand in a column per cm^2, or the other way round"),
    (1000.0, "a thousandfold unit was mixed up (mW and W, um and mm, mJ and J)"),
)


def refuse_slips(path: str, thickness: np.ndarray, exposure: np.ndarray, computed: np.ndarray | None) -> None:
    """Refuse a table whose thickness or exposures are off by the factor of a unit.

    Parameters
    ----------
    thickness, exposure, computed : float64, (n,)
        mm, mJ/mm^2; `computed` is the exposure that the settings beside it give, where both were stated.

    Raises
    ------
    FileError

    >>> refuse_slips("lot.csv", np.array([0.1, 0.2]), np.array([0.2, 0.4]), None)
    """
    _odd(path, "thickness", float(np.median(thickness)), "length", _THICKNESS, "um and mm mixed up? Correct the unit in the header.")
    if computed is None:
        way_out = "mJ per mm^2 and per cm^2, or J and mJ, mixed up? Correct the unit, or add the settings, which prove the exposure."
        _odd(path, "exposure", float(np.median(exposure)), "exposure", _EXPOSURE, way_out)
        return
    for factor, reason in _FACTORS:
        for size in (factor, 1.0 / factor):
            if np.allclose(exposure / computed, size, rtol=0.05, atol=0.0):
                raise FileError(
                    f"{path}: every stated exposure is {size:g} times what the settings beside it give: {reason}. Correct the one that is "
                    "wrong, or leave the exposures out and they are computed."
                )


def _odd(path: str, name: str, value: float, kind: str, usual: tuple[float, float], way_out: str) -> None:
    if not usual[0] <= value <= usual[1]:
        ends = show_span(*(Quantity(v, KINDS[kind].kernel) for v in usual))
        raise FileError(f"{path}: the middle {name} is {show_kernel(value, kind)}, coupons have {ends}: {way_out}")
