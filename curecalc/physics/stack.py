"""Layers on layers: what a layer gets from those built on it, and how far solid reaches below the first. Any cure law."""

import numpy as np

__all__ = ["accumulation", "compensation", "depth_after_layers", "layer_totals", "print_through", "stack_exposure", "total"]

_LIMIT = 100_000


def accumulation(n, t, dp):
    """(1 - e^(-n t/Dp))/(1 - e^(-t/Dp)): n equal layers over one, at any depth below all; n may be infinite."""
    return np.expm1(-n * t / dp) / np.expm1(-t / dp)


def stack_exposure(es, z, n, t, dp):
    """Es e^(-z/Dp) times the accumulation, z below the first layer's top."""
    return es * np.exp(-z / dp) * accumulation(n, t, dp)


def depth_after_layers(cd, n, t, dp):
    """Solid below the first layer's top: Cd + Dp ln(accumulation), for the plain law."""
    return cd + dp * np.log(accumulation(n, t, dp))


def total(law, dose, t, n, above=None):
    """Dose in all at the top of the first of n layers; n may be infinite; infinite where it grows without bound.

    The first layer gets `dose`, each of those on it `above` (the same when None). Doses of layers add where they fall off as an
    exponential; else each layer passes on what the law leaves of all that fell on it.
    """
    above = dose if above is None else above
    if n < 1:
        return np.zeros_like(np.asarray(dose, float))
    if n == 1:
        return dose
    if law.reach is not None:
        return dose + law.below(above, t) * accumulation(n - 1, t, law.reach)
    # what a layer keeps grows with what falls on it: where it keeps less than `above` even of so much, no number of layers settles
    much = _LIMIT * np.asarray(above, float)
    endless = (n > _LIMIT) & np.asarray(above + law.below(much, t) > much)
    passing, settled = np.asarray(above, float), endless
    for _ in range(int(min(n - 1, _LIMIT)) - 1):
        following = above + law.below(passing, t)
        settled = endless | (np.abs(following - passing) <= 1e-13 * passing)
        passing = following
        if settled.all():
            break
    else:
        endless = endless | ((n > _LIMIT) & ~settled)
    return np.where(endless, np.inf, dose + law.below(passing, t))[()]


def print_through(law, dose, t, n, above=None):
    """Solid below the nominal down-facing face, a layer below the first top; negative: the solid ends above it."""
    reached = total(law, dose, t, n, above)
    with np.errstate(invalid="ignore", over="ignore"):
        depth = law.depth(np.where(np.isfinite(reached), reached, 1.0))
    return np.where(np.isfinite(reached), depth, np.inf)[()] - t


def compensation(law, dose, t, n, above=None):
    """Layers to leave out at the face so that it ends nearest to its place, and the print-through that remains. Scalars."""
    best, left = 0, float(print_through(law, dose, t, n, above))
    for out in range(1, int(min(n - 1, max(2.0, left / t + 2.0), _LIMIT)) + 1):
        remains = float(print_through(law, dose, t, n - out, above)) - out * t
        if abs(remains) < abs(left):
            best, left = out, remains
        if remains < 0.0:
            break
    return best, left


def layer_totals(law, dose, t, n):
    """Dose in all at the top of each of n equal layers, topmost first: what fell on it and what those above passed on."""
    totals = [dose]
    for _ in range(1, int(n)):
        totals.append(dose + law.below(totals[-1], t))
    return np.array(totals)
