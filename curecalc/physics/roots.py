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
        if not np.any((low < middle) & (middle < high)):
            break
        above = f(middle) > target
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


def all_roots(f, low, high, flat=0.0, points=400):
    """Roots of f in [low, high] (both above zero), looked for on a logarithmic grid: pairs of ends, equal for a single root.

    `f` takes arrays. Sign changes are bisected; a peak or trough that bends enough to touch zero between grid points is looked at closely,
    so that a pair of near roots is not stepped over. Where |f| stays within `flat` over neighbouring points the whole interval is one
    answer. Rising order.
    """
    x = np.geomspace(low, high, points)
    y = np.asarray(f(x), float)
    inner = y[1:-1]
    peak = (inner < 0.0) & (inner >= np.maximum(y[:-2], y[2:]))
    trough = (inner > 0.0) & (inner <= np.minimum(y[:-2], y[2:]))
    with np.errstate(invalid="ignore"):
        bend = np.abs(2.0 * inner - y[:-2] - y[2:])  # a parabola gains at most an eighth of it between grid points
    near = (np.abs(inner) > flat) & (np.abs(inner) <= bend)
    for i in (np.flatnonzero((peak | trough) & near) + 1).tolist():
        best = _extremum(f, x[i - 1], x[i + 1], 1.0 if y[i] < 0.0 else -1.0)
        x, y = np.append(x, best), np.append(y, f(best))
    order = np.argsort(x)
    x, y = x[order], y[order]
    y = np.where(np.abs(y) <= flat, 0.0, y)
    found = []
    i = 0
    while i < x.size:
        if y[i] == 0.0:
            last = i
            while last + 1 < x.size and y[last + 1] == 0.0:
                last += 1
            found.append(_flat_ends(f, x, i, last, flat) if last > i + 1 else (float(x[i]), float(x[i])))
            i = last + 1
            continue
        if i + 1 < x.size and y[i] * y[i + 1] < 0.0:
            root = _bisect(f, x[i], x[i + 1], y[i])
            found.append((root, root))
        i += 1
    return found


def _flat_ends(f, x, first, last, flat):
    """Where |f| leaves the flat part that holds x[first] to x[last]."""
    ends = []
    for inside, outside in ((x[first], x[max(first - 1, 0)]), (x[last], x[min(last + 1, x.size - 1)])):
        for _ in range(60):
            middle = np.sqrt(inside * outside)
            inside, outside = (middle, outside) if abs(f(middle)) <= flat else (inside, middle)
        ends.append(float(inside))
    return tuple(ends)


def _extremum(f, low, high, sign):
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = np.log(low), np.log(high)
    for _ in range(60):
        c, d = b - golden * (b - a), a + golden * (b - a)
        if sign * f(np.exp(c)) > sign * f(np.exp(d)):
            b = d
        else:
            a = c
    return np.exp(0.5 * (a + b))


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
