"""Bracketed roots of monotone functions, for whole arrays at once.

Plain bisection: a single answer on the command line must not load an optimiser, and sixty halvings of a vector cost
less than that import.
"""

import numpy as np

__all__ = ["all_roots", "falling_root"]


def falling_root(f, target, low, high):
    """x with f(x) = target for a falling f, to the last digit; target may be an array, low and high are its bracket.

    Where f(low) < target or f(high) > target the end itself comes back: the caller checks whether the end may stand.
    """
    target = np.asarray(target, float)
    low, high = (np.broadcast_to(np.asarray(end, float), target.shape).copy() for end in (low, high))
    for _ in range(80):
        middle = 0.5 * (low + high)
        above = f(middle) > target
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


def all_roots(f, low, high, points=400):
    """All roots of a scalar function in [low, high] (both above zero), looked for on a logarithmic grid.

    Sign changes are bisected; a peak or trough that nearly touches zero between grid points is looked at closely, so
    that a pair of near roots is not stepped over. Rising order.
    """
    x = np.geomspace(low, high, points)
    y = np.array([f(v) for v in x])
    for i in range(1, points - 1):
        if y[i] < 0.0 and y[i] >= max(y[i - 1], y[i + 1]):
            x, y = _add_extremum(f, x, y, i, 1.0)
        elif y[i] > 0.0 and y[i] <= min(y[i - 1], y[i + 1]):
            x, y = _add_extremum(f, x, y, i, -1.0)
    order = np.argsort(x)
    x, y = x[order], y[order]
    roots = []
    for a, b, ya, yb in zip(x, x[1:], y, y[1:]):
        if ya == 0.0:
            roots.append(float(a))
        elif ya * yb < 0.0:
            roots.append(_bisect(f, a, b, ya))
    if y[-1] == 0.0:
        roots.append(float(x[-1]))
    return roots


def _add_extremum(f, x, y, i, sign):
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = np.log(x[i - 1]), np.log(x[i + 1])
    for _ in range(60):
        c, d = b - golden * (b - a), a + golden * (b - a)
        if sign * f(np.exp(c)) > sign * f(np.exp(d)):
            b = d
        else:
            a = c
    best = np.exp(0.5 * (a + b))
    return np.append(x, best), np.append(y, f(best))


def _bisect(f, a, b, ya):
    for _ in range(200):
        middle = np.sqrt(a * b)
        if not a < middle < b:
            break
        ym = f(middle)
        if ym == 0.0:
            return float(middle)
        if (ym > 0.0) == (ya > 0.0):
            a = middle
        else:
            b = middle
    return float(np.sqrt(a * b))
