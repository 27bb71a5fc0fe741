"""Statistics straight from points: one call from x and y to an answer, as worked examples in print are posed."""

from __future__ import annotations

from typing import Any

import numpy as np

from .diagnostics import Influence, influence
from .intervals import Inverse, inverse
from .line import ordinary_line, value_at, weighted_line

__all__ = ["influence_of_points", "intercept_sd_with_bias", "inverse_of_points", "line_value"]


def line_value(x: Any, y: Any, at: float) -> tuple[float, float]:
    """Value of the least-squares line at `at`, and its standard uncertainty."""
    from .line import mean_sd

    fit = ordinary_line(x, y)
    return float(value_at(fit, at)), float(mean_sd(fit, at))


def inverse_of_points(
    x: Any,
    y: Any,
    wanted: float,
    *,
    future: float | None = None,
    confidence: float = 0.95,
    sigma: Any | None = None,
    wanted_sd: float = 0.0,
) -> Inverse:
    """The x at which the line reaches `wanted`.

    `future` is how many observations `wanted` is the mean of; None asks for the mean response. With `sigma` (stated
    standard uncertainties of y) `wanted_sd` is the stated one of `wanted`.
    """
    if sigma is not None:
        return inverse(weighted_line(x, y, sigma), wanted, future_variance=wanted_sd**2, confidence=confidence)
    fit = ordinary_line(x, y)
    return inverse(fit, wanted, future_variance=fit.scale / future if future else 0.0, confidence=confidence)


def influence_of_points(x: Any, y: Any) -> Influence:
    """Leverage, studentised residuals and Cook's distance about the least-squares line."""
    return influence(ordinary_line(x, y), x)


def intercept_sd_with_bias(x: Any, y: Any, bias_sd: float) -> tuple[float, float]:
    """Standard uncertainties of intercept and slope when every y shares one unknown error of size `bias_sd`.

    The common error moves the line up or down without tilting it: the slope keeps its uncertainty.
    """
    fit = ordinary_line(x, y)
    return float(np.hypot(fit.intercept_sd, bias_sd)), float(fit.slope_sd)
