"""When did it change, and did it step or begin to drift? Cumulative sums, and the change that fits a series best, with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..units import ratio
from .quadrature import gauss_legendre
from .series import numbers, same_length

__all__ = ["Turning", "bend", "cumulative_sums", "cusum_run_length", "turning"]

FEWEST = 6
EVIDENCE = 13.0  # drop of chi-squared from a change at its best place: by chance in about 1 % of steady series (simulated)
APART = 6.0  # drop by which a step and a drift are told apart: wrongly in under 5 % (simulated)
_SET = 7.35  # -2 ln(1 - sqrt(0.95)): drop of chi-squared within which 95 % of true places of a step lie


def cumulative_sums(values: Any, *, centre: float, sd: float, slack: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    r"""Two-sided cumulative sums in standard deviations: C+ = max(0, C+ + z - k), C- = max(0, C- - z - k).

    Parameters
    ----------
    values : array_like, shape (n,)
    centre, sd : float
        In the unit of the values.
    slack : float
        k, half the shift to be found.

    Source: `nist_handbook` 6.3.2.3. Valid for independent normal readings.

    >>> up, down = cumulative_sums([51.0, 52.0, 53.0], centre=50.0, sd=1.0)
    >>> up.tolist(), down.tolist()
    ([0.5, 2.0, 4.5], [0.0, 0.0, 0.0])
    """
    if not sd > 0.0:
        raise QuantityError(f"sd must be above zero, got {sd:g}.")
    z = (numbers("values", values) - centre) / sd
    sums = np.zeros((2, z.size))
    level = [0.0, 0.0]
    for i, one in enumerate(z.tolist()):
        level = [max(0.0, level[0] + one - slack), max(0.0, level[1] - one - slack)]
        sums[:, i] = level
    return sums[0], sums[1]


@lru_cache
def cusum_run_length(limit: float, slack: float = 0.5, shift: float = 0.0) -> float:
    """Mean number of points until a two-sided cumulative sum passes `limit` standard deviations, after a shift of so many.

    Page's integral equation by Gauss-Legendre quadrature for each side; the rates of the two sides add.

    Source: `nist_handbook` 6.3.2.3.1. Valid for independent normal points about a known centre and standard deviation.

    >>> f"{cusum_run_length(5.0):.0f} {cusum_run_length(5.0, shift=1.0):.1f}"
    '465 10.4'
    """
    from scipy.special import ndtr

    h = float(ratio("limit", limit))
    x, w = gauss_legendre(0.0, h)

    def one(move: float) -> float:
        # unknowns: the length from zero, then from each node
        start = np.concatenate([[0.0], x])
        kernel = np.exp(-0.5 * (x[None, :] - start[:, None] + slack - move) ** 2) / math.sqrt(2.0 * math.pi) * w
        moves = np.column_stack([ndtr(slack - start - move), kernel])
        from_zero, *_ = np.linalg.solve(np.eye(start.size) - moves, np.ones(start.size))
        return float(from_zero)

    return 1.0 / (1.0 / one(shift) + 1.0 / one(-shift))


def bend(times: Any, values: Any) -> float:
    """When a level series began to run off in a straight line: level before, line after, by least squares.

    Tries every reading but the last two as the bend and keeps the best fit of y = a + b max(0, t - bend).

    Source: two-phase regression as in `hinkley1971`. Valid when there is one bend; the date is uncertain by a few readings.

    >>> bend([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [7.0, 7.0, 7.0, 6.0, 5.0, 4.0])
    2.0
    """
    t, y = (numbers(name, series, minimum=4) for name, series in (("times", times), ("values", values)))
    same_length("values", y, "times", t)
    squares, _ = _drifts(t, y)
    return float(t[np.argmin(squares)])


@dataclass(frozen=True)
class Turning:
    """The change that fits best. `kind` is `step`, `drift`, `step or drift` (not told apart) or `none`.

    `time` is that of the first reading after a step, or where the drift began; between `low` and `high` with 95 % confidence. `size` is
    the step, or the drift so far, in the unit of the values.
    """

    kind: str
    time: float
    low: float
    high: float
    size: float

    def to_dict(self) -> dict[str, Any]:
        """As it stands in JSON."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def turning(times: Any, values: Any, *, sd: float, correlation: float = 0.0) -> Turning:
    """A step or a drift in a series of known scatter, where one is shown at all.

    Every place is tried for a step of the level and for the beginning of a steady drift; the fit is judged by chi-squared, divided for
    neighbours that are alike.

    Parameters
    ----------
    times, values : array_like, shape (n,)
        In order of time.
    sd : float
        Scatter of single readings.
    correlation : float
        Of neighbours (first-order autoregressive).

    Source: `siegmund1986` for the set of places; thresholds and coverage simulated. Valid for about normal readings.

    >>> t = turning(range(12), [10, 10, 10, 10, 10, 10, 13, 13, 13, 13, 13, 13], sd=0.5)
    >>> t.kind, t.time, t.size
    ('step', 6.0, 3.0)
    """
    t, y = numbers("times", times), numbers("values", values)
    none = Turning("none", math.nan, math.nan, math.nan, 0.0)
    if y.size < FEWEST or not sd > 0.0:
        return none
    unit = sd * sd * (1.0 + correlation) / (1.0 - correlation)
    flat = float(((y - y.mean()) ** 2).sum()) / unit
    tried = {"step": _steps(y), "drift": _drifts(t, y)}
    left = {kind: squares / unit for kind, (squares, _) in tried.items()}
    least = {kind: float(np.min(squares)) for kind, squares in left.items()}
    kind = min(least, key=least.__getitem__)
    if flat - least[kind] < EVIDENCE:
        return none
    best, (inside,) = np.argmin(left[kind]), np.nonzero(left[kind] <= least[kind] + _SET)
    places = t if kind == "drift" else t[1:]  # a drift begins after the last steady reading, a step with the first that stands elsewhere
    told = kind if abs(least["step"] - least["drift"]) >= APART else "step or drift"
    time, low, high = (float(places[i]) for i in (best, inside[0], inside[-1]))
    return Turning(told, time, low, high, float(tried[kind][1][best]))


def _steps(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each place k from 1 to n - 2: squares left by two levels, before and from the k-th reading on; the step."""
    away, k, n = y - y.mean(), np.arange(1, y.size - 1), y.size
    before = np.cumsum(away)[:-2]  # what is before sums to this, what comes after to its negative
    shares = 1.0 / k + 1.0 / (n - k)
    return float(away @ away) - before**2 * shares, -before * shares


def _drifts(t: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For the same places: squares left by a level that drifts steadily from the (k-1)-th reading on; the drift up to the last."""
    n, away, since = y.size, y - y.mean(), t - t.min()

    def later(x: np.ndarray) -> np.ndarray:
        """Sums over the readings after each begin."""
        return (x.sum() - np.cumsum(x))[: n - 2]

    begin = since[: n - 2]
    count, once, twice = later(np.ones(n)), later(since), later(since**2)
    ramp = once - count * begin
    square = twice - 2.0 * begin * once + count * begin**2 - ramp**2 / n
    along = later(since * away) - begin * later(away)
    slope = np.divide(along, square, out=np.zeros_like(along), where=square > 0.0)
    return float(away @ away) - slope * along, slope * (since[-1] - begin)
