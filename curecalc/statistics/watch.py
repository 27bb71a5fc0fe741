"""Is a quantity still where it was? One judgement of the newest reading, from the second reading after a new baseline on.

A chart with limits from twenty readings alarms far more often than its run length says, since centre and scatter are themselves
uncertain and neighbouring readings are alike. Here the limits carry both: the variance of the centre, Student's t for the scatter, and
a correlation between neighbours that is assumed, not estimated (twenty readings cannot tell it).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import QuantityError
from .charts import ewma_half_width
from .series import numbers

__all__ = ["CORRELATION", "FALSE_YEARS", "WEIGHT", "Watch", "delay", "display_step", "mean_variance", "scatter", "watch"]

CORRELATION = 0.3  # of neighbouring readings, for which limits are set
WEIGHT = 0.2
LONGEST = 20  # readings of a baseline
NEWER = 10  # readings kept out of a growing baseline
PRIOR = 10.0  # degrees of freedom that a stated scatter counts for while readings are few
_EACH = 0.6  # degrees of freedom that a difference of neighbours tells
FEW = 6
WILD = 4.0  # standard deviations beyond which one reading is taken for a slip: it moves neither centre nor mean
# share of looks at which a healthy quantity may signal: by the weighted mean, by the newest reading
LEVEL_RISK, READING_RISK = 2.5e-3, 3e-4
# measured by `tests/logbook/shop_year.py`: years of healthy machines, a reading a week, that brought a false alarm, of so many simulated
FALSE_YEARS = (82, 2000)


@dataclass(frozen=True)
class Watch:
    """What the newest reading is held against, and how it stands. All in the unit of the values.

    `level` is the weighted mean of the readings after the baseline, `limit` how far it may stand from `centre`, `reading_limit` how far
    the newest single reading may, `before` the one before it; `points` readings make the baseline, `sd` is the scatter of single
    readings with `degrees_of_freedom`; `level_sd` the standard uncertainty of level less centre.
    """

    centre: float
    sd: float
    degrees_of_freedom: float
    points: int
    level: float
    newest: float
    before: float
    level_sd: float
    limit: float
    reading_limit: float

    @property
    def side(self) -> str:
        """`below`, `above` or nothing."""
        for value, most in ((self.level, self.limit), (self.newest, self.reading_limit)):
            if value - self.centre > most:
                return "above"
            if self.centre - value > most:
                return "below"
        return ""

    @property
    def lone(self) -> bool:
        """The newest reading is out, and by a leap away from the one before it: it may be a slip, to be read again before all else."""
        away = self.newest - self.centre
        outward = math.copysign(1.0 / self.reading_limit, away)
        before, leap = outward * (self.before - self.centre), outward * (self.newest - self.before)
        # a second reading that is out confirms the first, but for a leap that no reading of the same power makes
        return abs(away) > self.reading_limit and ((leap > 0.5 and before < 1.0) or leap > 2.0)

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__} | {"side": self.side}


def display_step(values: Any) -> float:
    """The step of a display, as far as readings show it: the largest power of ten of which all are multiples.

    >>> display_step([240.0, 241.0, 238.0]), display_step([0.1105, 0.111])
    (1.0, 0.0001)
    """
    x = np.abs(numbers("values", values))
    largest = float(x.max())
    if largest == 0.0:
        return 0.0
    for place in range(math.floor(math.log10(largest)), math.floor(math.log10(largest)) - 7, -1):
        for digit in (5, 2, 1) if x.size >= 8 else (1,):
            step = digit * 10.0**place
            if np.allclose(x / step, np.round(x / step), rtol=0.0, atol=1e-6):
                return float(f"{step:.6g}")
    return 0.0


def scatter(series: Sequence[Any], *, stated: float = 0.0, step: float = 0.0, correlation: float = CORRELATION) -> tuple[float, float]:
    """Standard deviation of single readings and its degrees of freedom, from differences of neighbours.

    Differences, so that a drift does not widen the limits that are meant to find it; those of slips are left out. A scatter
    stated counts while readings are few, and half the step of a display is the least there can be: readings that are all alike
    prove no more than that.

    Parameters
    ----------
    series : sequence of array_like
        Stretches of readings; no difference is taken from one to the next.
    stated, step : float
        In the unit of the readings.
    correlation : float
        Of neighbours: differences of alike neighbours are smaller, by sqrt(1 - correlation).

    Source: `nist_handbook` 6.3.2.2 (moving ranges); the correlation by arithmetic.

    >>> sd, dof = scatter([[5.0, 5.0, 5.0, 5.0]], step=1.0)
    >>> f"{sd:.3f}"
    '0.289'
    """
    d = np.abs(np.concatenate([np.zeros(0), *(np.diff(np.asarray(one, dtype=np.float64)) for one in series)]))
    if d.size:
        if d.size < FEW and stated > 0.0:  # too few to tell a slip by: the stated scatter does
            d = np.minimum(d, 0.5 * WILD * max(math.sqrt(2.0) * stated, step))
        elif (usual := max(1.4826 * float(np.median(d)), step)) > 0.0:
            d = d[d <= WILD * usual]
    dof = _EACH * d.size
    squares = _EACH * float(d @ d) / (2.0 * (1.0 - correlation))
    prior = max(0.0, PRIOR - dof) if stated > 0.0 else 0.0
    if prior + dof == 0.0:
        raise QuantityError("there is no scatter to judge by: one reading without a standard uncertainty. Record more, or state it.")
    square = (squares + prior * stated**2) / (dof + prior)
    return max(math.sqrt(square), step / math.sqrt(12.0)), dof + prior


def mean_variance(count: int, correlation: float = CORRELATION) -> float:
    """Variance of the mean of so many readings, over that of one, when neighbours correlate (first-order autoregressive).

    >>> mean_variance(4, 0.0), round(mean_variance(2, 0.3), 3)
    (0.25, 0.65)
    """
    k = np.arange(1, count)
    return float(1.0 / count + 2.0 / count**2 * np.sum((count - k) * correlation**k))


def watch(
    values: Any,
    *,
    stated: float = 0.0,
    step: float = 0.0,
    earlier: Any = (),
    points: int | None = None,
    weight: float = WEIGHT,
    correlation: float = CORRELATION,
) -> Watch:
    """Hold the newest readings against the first ones.

    The baseline is the first readings, at most 20 and so many that ten newer ones stay out of it (half of the readings while there are
    fewer); its centre leaves slips out. The newest ones are judged by their exponentially weighted mean and the last one by itself.

    Parameters
    ----------
    values : array_like, shape (n,), n at least 2
        In order of time, since the baseline began.
    stated : float
        Standard uncertainty that readings state for their scatter.
    step : float
        Of the display.
    earlier : array_like
        Readings before the baseline: their scatter counts, their level does not.
    points : int, optional
        Readings in the baseline.

    Source: `nist_handbook` 6.3.2.4 for the weighted mean, `bischak2007` for what estimated limits do; the rates are simulated. Valid for
    about normal readings whose neighbours correlate by `correlation` or less.

    >>> w = watch([240, 241, 239, 240, 242, 238, 240, 241, 239, 240, 199, 200, 199, 200, 199], step=1.0)
    >>> w.side, f"{w.centre:.0f}"
    ('below', '240')
    """
    x = numbers("values", values, minimum=2)
    sd, dof = scatter([earlier, x], stated=stated, step=step, correlation=correlation)
    count = min(LONGEST, max(x.size // 2, x.size - NEWER)) if points is None else min(points, x.size - 1)
    first, later = x[:count], x[count:]
    kept = first[np.abs(first - np.median(first)) <= WILD * sd]
    kept = kept if kept.size else first
    centre, unsure = float(kept.mean()), mean_variance(kept.size, correlation)
    level = 0.0
    for z in np.clip((later - centre) / sd, -WILD, WILD).tolist():
        level += weight * (z - level)
    own = ewma_half_width(sd=1.0, weight=weight, width=1.0, points=later.size, correlation=correlation)
    level_sd = sd * math.sqrt(own**2 + unsure)
    limits = (_t(dof, LEVEL_RISK) * level_sd, _t(dof, READING_RISK) * sd * math.sqrt(1.0 + unsure))
    return Watch(centre, sd, dof, count, centre + sd * level, float(x[-1]), float(x[-2]), level_sd, *limits)


def _t(dof: float, risk: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1.0 - 0.5 * risk))


def delay(fade: float, *, sd: float) -> float:
    """Readings until a steady fade of `fade` a reading is found, about: when the weighted mean reaches its limit.

    Source: derived (the weighted mean of a ramp), checked by simulation to about two readings.

    >>> f"{delay(0.25, sd=1.0):.0f}"
    '12'
    """
    m = np.arange(1.0, 2001.0)
    level = abs(fade) * (m - (1.0 - WEIGHT) / WEIGHT * (1.0 - (1.0 - WEIGHT) ** m))
    own = ewma_half_width(sd=1.0, weight=WEIGHT, width=1.0, points=m, correlation=CORRELATION)
    found = m[level > _t(12.0, LEVEL_RISK) * sd * np.sqrt(own**2 + mean_variance(LONGEST))]
    return float(found.min(initial=math.inf))
