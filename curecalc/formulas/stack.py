"""Layers on layers: exposure through depth, at the interfaces, and print-through below a down-facing face."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..physics import stack as _stack
from ..units import MJ_CM2, MJ_MM2, MM, Quantity, QuantityError, finite, positive

__all__ = ["interface_exposure", "print_through", "stack_exposure"]


def _layers(value: Any) -> Any:
    """Number of layers: a whole number of at least 1, or infinity."""
    from ..units import count

    if isinstance(value, float) and value == math.inf:
        return value
    if isinstance(value, np.ndarray) and value.dtype.kind == "f" and np.isinf(value).any():
        count("layers", np.where(value == math.inf, 1.0, value))
        return value
    return count("layers", value)


def stack_exposure(
    *, exposure: Quantity, depth: Quantity, layer_thickness: Quantity, penetration_depth: Quantity, layers: Any = math.inf
) -> Quantity:
    r"""Total exposure below the top of the first layer after n equal layers, the first included.

    E(z) = Es e^(-z/Dp) (1 - e^(-n t/Dp))/(1 - e^(-t/Dp))

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        Surface exposure Es each layer gets.
    depth : Quantity [mm]
        z, below the first layer's top.
    layer_thickness, penetration_depth : Quantity [mm]
    layers : int or math.inf
        All broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `derived`, geometric series of Beer-Lambert contributions; numerical accumulation agrees. Cured and liquid
    resin are taken to absorb alike.

    >>> from curecalc.units import Quantity as Q
    >>> e = stack_exposure(exposure=Q(20.0, "mJ/cm^2"), depth=Q(0.1, "mm"), layer_thickness=Q(0.1, "mm"),
    ...                    penetration_depth=Q(0.15, "mm"), layers=2)
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '15.540'
    """
    e, z = positive("exposure", exposure, MJ_MM2), finite("depth", depth, MM)
    t, dp = positive("layer_thickness", layer_thickness, MM), positive("penetration_depth", penetration_depth, MM)
    if np.any(np.less(z, 0.0)):
        raise QuantityError("depth must not be below zero: it is measured down from the top of the first layer.")
    return Quantity(_stack.stack_exposure(e, z, _layers(layers), t, dp), MJ_MM2).to(MJ_CM2)


def interface_exposure(*, exposure: Quantity, layer_thickness: Quantity, penetration_depth: Quantity, layers: Any = math.inf) -> Quantity:
    r"""Total exposure at the bottom of the first layer, its bond to what lies below, after n layers in all.

    Parameters
    ----------
    exposure : Quantity [mJ/cm^2]
        Surface exposure each layer gets.
    layer_thickness, penetration_depth : Quantity [mm]
    layers : int or math.inf
        1: from its own exposure alone. All broadcast.

    Returns
    -------
    Quantity [mJ/cm^2], float64, broadcast shape

    Raises
    ------
    QuantityError

    Source: `stack_exposure` at z = t.

    >>> from curecalc.units import Quantity as Q
    >>> e = interface_exposure(exposure=Q(20.0, "mJ/cm^2"), layer_thickness=Q(0.15, "mm"), penetration_depth=Q(0.15, "mm"),
    ...                        layers=1)
    >>> f"{e.m_as('mJ/cm^2'):.3f}"
    '7.358'
    """
    positive("layer_thickness", layer_thickness, MM)  # before it stands in for a depth
    return stack_exposure(
        exposure=exposure, depth=layer_thickness, layer_thickness=layer_thickness, penetration_depth=penetration_depth, layers=layers
    )


def print_through(*, cure_depth: Quantity, layer_thickness: Quantity, penetration_depth: Quantity, layers: Any = math.inf) -> Quantity:
    r"""Solid below the nominal face of a down-facing surface after n equal layers.

    (Cd - t) + Dp ln[(1 - e^(-n t/Dp))/(1 - e^(-t/Dp))]

    Parameters
    ----------
    cure_depth : Quantity [mm]
        Of one layer's exposure alone, above zero.
    layer_thickness, penetration_depth : Quantity [mm]
    layers : int or math.inf
        All broadcast.

    Returns
    -------
    Quantity [mm], float64, broadcast shape
        Negative where the solid ends above the nominal face.

    Raises
    ------
    QuantityError

    Source: `derived` from `stack_exposure`; numerical accumulation agrees.

    >>> from curecalc.units import Quantity as Q
    >>> d = print_through(cure_depth=Q(0.1, "mm"), layer_thickness=Q(0.1, "mm"), penetration_depth=Q(0.15, "mm"))
    >>> f"{d.m_as('mm'):.6f}"
    '0.108052'
    """
    cd, t = positive("cure_depth", cure_depth, MM), positive("layer_thickness", layer_thickness, MM)
    dp = positive("penetration_depth", penetration_depth, MM)
    return Quantity(_stack.depth_after_layers(cd, _layers(layers), t, dp) - t, MM)
