"""An invented lot: coupon tables with a stated truth and stated noise, one mis-measured coupon and one typing slip.

Nothing here was measured. Machine, resin and lots do not exist.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..physics import laws
from ..units import IN_CM2, IN_UM

__all__ = ["EARLIER_LOT", "MISMEASURED_COUPON", "NEW_LOT", "TYPING_SLIP", "InventedTruth", "corrected_table", "coupon_table"]

MISMEASURED_COUPON = "5"
"""Measured over a burr."""
TYPING_SLIP = "3"
"""One reading was typed with two digits exchanged."""
_SPEEDS = (14000.0, 9000.0, 5600.0, 3500.0)  # mm/s
_POWER, _RADIUS, _SPACING = 240.0, 0.110, 0.1  # mW, mm, mm
_BETWEEN, _WITHIN, _READINGS = 0.0035, 0.002, 3  # mm, mm
_BURR = 0.027  # mm


@dataclass(frozen=True)
class InventedTruth:
    """What the tables were made from: Dp (mm), Ec (mJ/cm^2), seed, and what is written above the table."""

    lot: str
    penetration_depth: float
    critical_exposure: float
    seed: int
    date: str
    temperature: float
    faults: bool


EARLIER_LOT = InventedTruth("6", 0.142, 8.9, 608, "2026-03-02", 24.1, False)
NEW_LOT = InventedTruth("7", 0.142, 9.4, 712, "2026-06-15", 24.4, True)


def coupon_table(truth: InventedTruth) -> str:
    """The coupon table of an invented lot, as a technician would save it: semicolons, readings to 1 um.

    Model: thickness = Dp ln(E/Ec), E = P/(v h); coupons differ by 3.5 um and readings by 2 um (normal, standard deviations).
    """
    rng = np.random.default_rng(truth.seed)
    speeds = np.repeat(_SPEEDS, 2)
    exposure = IN_CM2 * _POWER / (speeds * _SPACING)
    depth = laws.Plain(truth.penetration_depth, truth.critical_exposure).height(exposure) + rng.normal(0.0, _BETWEEN, speeds.size)
    readings = depth[:, None] + rng.normal(0.0, _WITHIN, (speeds.size, _READINGS))
    order = rng.permutation(speeds.size)
    lines = [
        "# invented data: this machine, resin and lot do not exist",
        f"# resin = invented resin; lot = {truth.lot}; machine = invented machine, bay 2; date = {truth.date}",
        "# power meter = meter 1; gauge = micrometer 4; wavelength = 355 nm",
        f"# power = {_POWER:g} mW; beam radius = {_RADIUS:g} mm; hatch spacing = {_SPACING:g} mm; temperature = {truth.temperature:g} degC",
        "coupon;run order;scan speed [mm/s];thickness [um]",
    ]
    for place, i in enumerate(order):
        label = str(i + 1)
        row = np.rint(IN_UM * (readings[i] + (_BURR if truth.faults and label == MISMEASURED_COUPON else 0.0))).astype(int)
        texts = [str(v) for v in row]
        if truth.faults and label == TYPING_SLIP:
            texts[1] = texts[1][0] + texts[1][2] + texts[1][1]
        lines += [f"{label};{place + 1};{speeds[i]:g};{t}" for t in texts]
    return "\n".join(lines) + "\n"


def corrected_table() -> str:
    """The new lot's table after the technician read both coupons again."""
    return coupon_table(replace(NEW_LOT, faults=False))
