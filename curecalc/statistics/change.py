"""Change since a reference: two values with uncertainties, and whether they differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from ..errors import QuantityError
from ..units import ratio

__all__ = ["Change", "change"]


@dataclass(frozen=True)
class Change:
    """`after` less `before`, with its standard uncertainty, interval and relative size.

    `differs` is true when the interval leaves out zero.
    """

    before: float
    after: float
    difference: float
    standard_uncertainty: float
    low: float
    high: float
    confidence: float

    @property
    def relative(self) -> float:
        """Difference over the magnitude of `before`."""
        return self.difference / abs(self.before) if self.before else math.inf

    @property
    def differs(self) -> bool:
        """Whether the data show a difference at this confidence."""
        return not self.low <= 0.0 <= self.high

    def to_dict(self) -> dict[str, Any]:
        """The change as it stands in JSON."""
        return {
            "before": self.before,
            "after": self.after,
            "difference": self.difference,
            "standard_uncertainty": self.standard_uncertainty,
            "interval": [self.low, self.high],
            "confidence": self.confidence,
            "relative": self.relative if math.isfinite(self.relative) else None,
            "differs": self.differs,
        }


def change(
    *, before: float, after: float, before_uncertainty: float, after_uncertainty: float, common: float = 0.0, confidence: float = 0.95
) -> Change:
    r"""How far `after` is from `before`, u^2 = u1^2 + u2^2 - 2 c1 c2, where the common part cancels.

    Parameters
    ----------
    before, after : float
        In one unit.
    before_uncertainty, after_uncertainty : float
        Standard uncertainties, the common part among them.
    common : float
        Standard uncertainty of what both readings share, as a relative scale error: the calibration of one meter used for
        both. c1 = common x before, c2 = common x after.

    Source: `gum` 5.2.2 (correlated inputs). Valid when the uncertainties are well known (normal, many degrees of freedom).

    >>> c = change(before=300.0, after=291.0, before_uncertainty=6.0, after_uncertainty=5.9, common=0.0195)
    >>> f"{c.difference:.0f} +- {c.standard_uncertainty:.1f}", c.differs
    ('-9 +- 2.1', True)
    """
    values = (before, after, before_uncertainty, after_uncertainty, common)
    if not all(math.isfinite(value) for value in values):
        raise QuantityError("before, after and their uncertainties must be finite.")
    if min(before_uncertainty, after_uncertainty, common) < 0.0:
        raise QuantityError("standard uncertainties must not be below zero.")
    for name, value, u in (("before", before, before_uncertainty), ("after", after, after_uncertainty)):
        if common * abs(value) > u * (1.0 + 1e-9):
            raise QuantityError(
                f"the common part is larger than the whole uncertainty of {name}: {common * abs(value):.4g} against {u:.4g}."
            )
    from scipy.special import ndtri

    variance = before_uncertainty**2 + after_uncertainty**2 - 2.0 * common**2 * before * after
    u = math.sqrt(max(variance, 0.0))
    k = float(ndtri(0.5 + float(ratio("confidence", confidence, high=1.0)) / 2.0))
    difference = after - before
    return Change(before, after, difference, u, difference - k * u, difference + k * u, confidence)
