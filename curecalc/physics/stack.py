"""Layers on layers: what a layer gets from those built on it, and how far solid reaches below the first."""

import numpy as np

__all__ = [
    "accumulation", "depth_after_layers", "first_top_total", "layer_totals", "print_through", "stack_exposure",
]  # fmt: skip


def accumulation(n, t, dp):
    """(1 - e^(-n t/Dp))/(1 - e^(-t/Dp)): n equal layers over one, at any depth below all; n may be infinite."""
    return np.expm1(-n * t / dp) / np.expm1(-t / dp)


def stack_exposure(es, z, n, t, dp):
    """Es e^(-z/Dp) times the accumulation, z below the first layer's top."""
    return es * np.exp(-z / dp) * accumulation(n, t, dp)


def depth_after_layers(cd, n, t, dp):
    """Solid below the first layer's top: Cd + Dp ln(accumulation); Cd may be negative (dose below critical)."""
    return cd + dp * np.log(accumulation(n, t, dp))


def print_through(cd, n, t, dp):
    """Solid below the nominal down-facing face, a layer below the first top; negative: the solid ends above it."""
    return depth_after_layers(cd, n, t, dp) - t


def first_top_total(es, pass_on, n, limit=100_000):
    """Total dose at the top of the first of n layers, and whether it settled; n may be infinite; arrays broadcast.

    Settled means that one more layer changes it by less than a part in 1e13; a bleaching resin may never settle.
    """
    total = es
    layers = 1
    while layers < min(n, limit):
        following = es + pass_on(total)
        settled = np.all(np.abs(following - total) <= 1e-13 * total)
        total = following
        layers += 1
        if settled:
            return total, True
    return total, n <= limit


def layer_totals(es, pass_on, n):
    """Total dose at the top of each layer, topmost first: T1 = Es, T(k+1) = Es + pass_on(Tk).

    `pass_on` is the cure model's dose left after one layer thickness; with Beer-Lambert the result is the geometric
    series, with a bleaching resin the exact sum too, since its dose at a depth depends on the total dose above only.
    """
    totals = np.empty(n)
    totals[0] = es
    for k in range(1, n):
        totals[k] = es + pass_on(totals[k - 1])
    return totals
