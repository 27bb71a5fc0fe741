"""What the direction of the tracks does to a setting with an elliptical spot: the range over half a turn."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from .model import Problem, model

__all__ = ["range_over_directions"]

_STEPS = 36


def range_over_directions(given: Problem) -> dict[str, tuple[float, float, float, float]]:
    """Least and greatest value of each output over all track directions, and the track angles (radians) where they stand.

    Empty for a round spot, and where the inputs are arrays.

    Directions are sampled every five degrees and along the spot's own axes, where the extremes
    of an elliptical spot at normal incidence are exact.

    >>> from curecalc.formulas.beam import Beam
    >>> from curecalc.formulas.resin import Resin
    >>> from curecalc.formulas.scan import Scan
    >>> from curecalc.setting.model import problem
    >>> from curecalc.units import Quantity as Q
    >>> beam = Beam(power=Q(30.0, "mW"), radius_x=Q(125.0, "um"), radius_y=Q(100.0, "um"))
    >>> resin = Resin(penetration_depth=Q(150.0, "um"), critical_exposure=Q(8.0, "mJ/cm^2"))
    >>> low, high, *_ = range_over_directions(problem(beam=beam, resin=resin, scan=Scan(scan_speed=Q(1.0, "m/s"))))["cure_depth"]
    >>> f"{high - low:.5f} {0.15 * math.log(1.25):.5f}"
    '0.03347 0.03347'
    """
    if given.form.round or given.shape:
        return {}
    own = float(given.form.spot_angle)
    angles = np.array(sorted({*(math.pi * k / _STEPS for k in range(_STEPS)), own % math.pi, (own + 0.5 * math.pi) % math.pi}))
    with np.errstate(under="ignore"):
        out = model(given.x, replace(given.form, track_angle=angles))
    found = {}
    for name, values in out.items():
        values = np.broadcast_to(values, angles.shape)
        low, high = int(np.argmin(values)), int(np.argmax(values))
        found[name] = (float(values[low]), float(values[high]), float(angles[low]), float(angles[high]))
    return found
