"""Settings drawn from a seed, told twice: as records of the package and in the words of the independent integration."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from math import exp, pi, sqrt

import numpy as np

from curecalc.formulas.beam import Beam, TopHatBeam
from curecalc.formulas.resin import BleachingResin, PowerThresholdResin, Resin
from curecalc.formulas.scan import Scan
from curecalc.units import Quantity as Q

from . import integration as oracle

SPOTS = ("round", "ellipse", "flat")
LAWS = (oracle.Plain, oracle.Bleaching, oracle.Threshold)
PATTERNS = ("line", "lines", "raster", "rasters", "crossed")
CLOSE = 1e-7


@dataclass(frozen=True)
class Kind:
    """One combination: spot, law, pattern, whether the beam leans, whether it is pulsed."""

    spot: str
    law: type
    pattern: str
    leans: bool
    pulsed: bool

    def __str__(self) -> str:
        more = [word for word, is_so in (("leaning", self.leans), ("pulsed", self.pulsed)) if is_so]
        return "-".join([self.spot, self.law.__name__.lower(), self.pattern, *more])

    @property
    def sensible(self) -> bool:
        """Pulses need their length under a power of irradiance, and have no bounds between sharp outlines."""
        return not (self.pulsed and (self.law is oracle.Threshold or self.spot == "flat"))

    @property
    def raster(self) -> bool:
        return "line" not in self.pattern


EVERY = [Kind(*parts) for parts in itertools.product(SPOTS, LAWS, PATTERNS, (False, True), (False, True))]
SENSIBLE = [kind for kind in EVERY if kind.sensible]


@dataclass(frozen=True)
class Case:
    """A setting in the words of the integration."""

    kind: Kind
    spot: oracle.Spot
    law: oracle.Law
    scan: oracle.Scan
    tilt: oracle.Tilt
    layer: float

    @property
    def w(self) -> float:
        return self.law.w if isinstance(self.law, oracle.Threshold) else 1.0

    @property
    def i_ref(self) -> float:
        return self.law.i_ref if isinstance(self.law, oracle.Threshold) else 1.0

    # ------------------------------------------------ what the integration says

    def doses(self, weighted: bool = True, scan: oracle.Scan | None = None) -> oracle.Extremes:
        """Least, greatest and mean dose of the pattern, in the law's terms or as an exposure; bounds over the pulses' phases."""
        w, i_ref = (self.w, self.i_ref) if weighted else (1.0, 1.0)
        scan = scan or self.scan
        if scan.spacing is None and scan.rate is None:
            value = oracle.dose_power((0.0, 0.0), w, i_ref, self.spot, scan, self.tilt)
            return oracle.Extremes(value, value, value)
        if scan.spacing is None:
            return oracle.phase_extremes((0.0, 0.0), self.spot, scan, self.tilt, w, i_ref, independent=True)
        return oracle.extremes(self.spot, scan, self.tilt, w, i_ref, independent=True)

    def depth(self, dose: float) -> float:
        """Depth of a dose at the surface."""
        return oracle.depth(dose, self.law, self.tilt)

    def near(self, depth: float) -> float:
        """How near two depths must lie."""
        return CLOSE * (depth + self.law.dp)

    # ------------------------------------------------ the same as records

    def beam(self) -> Beam:
        own = TopHatBeam if self.spot.flat else Beam
        return own(
            power=Q(self.scan.power, "mW"),
            radius_x=Q(self.spot.wx, "mm"),
            radius_y=None if self.spot.wy is None else Q(self.spot.wy, "mm"),
            angle=Q(self.spot.spot_angle, "deg"),
            pulse_rate=None if self.scan.rate is None else Q(self.scan.rate, "Hz"),
        )

    def resin(self) -> Resin:
        common = {
            "penetration_depth": Q(self.law.dp, "mm"),
            "critical_exposure": Q(self.law.ec, "mJ/mm^2"),
            "refractive_index": self.tilt.n,
        }
        if isinstance(self.law, oracle.Bleaching):
            return BleachingResin(**common, bleaching_exposure=Q(self.law.eb, "mJ/mm^2"))
        if isinstance(self.law, oracle.Threshold):
            return PowerThresholdResin(**common, exponent=self.law.w, reference_irradiance=Q(self.law.i_ref, "mW/mm^2"))
        return Resin(**common)

    def record(self) -> Scan:
        return Scan(
            scan_speed=Q(self.scan.speed, "mm/s"),
            hatch_spacing=None if self.scan.spacing is None else Q(self.scan.spacing, "mm"),
            passes=self.scan.passes,
            cross_hatch=self.scan.crossed,
            track_angle=Q(self.scan.track_angle, "deg"),
            incidence_angle=Q(self.tilt.incidence, "deg"),
            incidence_direction=Q(self.tilt.incidence_direction, "deg"),
            s_polarised_share=self.tilt.s_share,
        )


def drawn(kind: Kind, seed: int = 0) -> Case:
    """A setting of that kind that cures some tenths of a millimetre."""
    r = np.random.default_rng([20263, seed, EVERY.index(kind)])
    dp, ec, wx = r.uniform(0.08, 0.2), r.uniform(0.03, 0.15), r.uniform(0.05, 0.15)
    wy = wx * r.uniform(0.6, 1.6) if kind.spot == "ellipse" else None
    wide, speed = wy or wx, r.uniform(300.0, 3000.0)
    power = speed * max(wx, wide) * ec * exp(r.uniform(0.8, 2.5)) / sqrt(2 / pi)
    bright = 2 * power / (pi * wx * wide)
    law: oracle.Law = oracle.Plain(dp, ec)
    if kind.law is oracle.Bleaching:
        law = oracle.Bleaching(dp, ec, ec * r.uniform(1.0, 8.0))
    elif kind.law is oracle.Threshold:
        law = oracle.Threshold(dp, ec, r.uniform(0.5, 1.4), bright * r.uniform(0.3, 1.0))
    scan = oracle.Scan(power=power, speed=speed, track_angle=r.uniform(-90.0, 180.0), passes=1 if kind.pattern in ("line", "raster") else 3)
    if kind.raster:
        scan = replace(scan, spacing=min(wx, wide) * r.uniform(0.5, 1.4), crossed=kind.pattern == "crossed")
    if kind.pulsed:
        scan = replace(scan, rate=speed / (min(wx, wide) * r.uniform(0.5, 1.5)))
    spot = oracle.Spot(wx, wy, r.uniform(-90.0, 90.0) if wy else 0.0, flat=kind.spot == "flat")
    tilt = (
        oracle.Tilt(r.uniform(5.0, 35.0), r.uniform(-180.0, 180.0), r.uniform(1.4, 1.6), r.uniform(0.0, 1.0))
        if kind.leans
        else oracle.NORMAL
    )
    return Case(kind, spot, law, scan, tilt, dp * r.uniform(0.3, 0.9))
