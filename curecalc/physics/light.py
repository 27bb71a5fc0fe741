"""The light of a scanned pattern: the dose of any place from power, speed, spot, pattern, direction and pulses.

One line leaves across its track a profile of the spot's own shape, whose total per length is power over speed; rasters, crossed
rasters and passes add lines. The dose is the radiant exposure, or under an exponent w the equivalent exposure (integral of I^w dt
over a reference irradiance to the power w - 1). Which resin it falls on, the light does not know. Floats or arrays.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from . import line, motion, raster, spot

__all__ = ["Gaussian", "Scan", "Spot", "TopHat", "across", "dose", "dose_for_width", "doses", "line_width", "mean", "powers"]

STEP = 1e-4
_FAR = 6.0  # radii beyond which a Gaussian line adds less than 1e-31 of its peak


@dataclass(frozen=True)
class Spot:
    """The spot on the surface: radii along its own axes (one for a round spot), turned by `angle` to the machine's x axis.

    `stretch` is what a tilted beam's footprint has gained along the direction `lean`.
    """

    wx: Any
    wy: Any = None
    angle: Any = 0.0
    stretch: Any = 1.0
    lean: Any = 0.0

    @property
    def plain(self):
        """Whether one radius says it all."""
        return self.wy is None and np.ndim(self.stretch) == 0 and self.stretch == 1.0

    def matrix(self):
        """Elements (xx, xy, yy) of the width matrix on the surface."""
        flat = spot.spot_matrix(self.wx, self.wx if self.wy is None else self.wy, self.angle)
        return spot.stretched(flat, self.stretch, self.lean)

    def radii(self, track):
        """Radius across a track, and along it on its axis."""
        if self.plain:
            return self.wx, self.wx
        matrix = self.matrix()
        return spot.perpendicular_radius(matrix, track), spot.along_radius(matrix, track)

    def shear(self, track):
        """How far along the track the middle of a chord moves for each unit across: not zero for a turned ellipse."""
        if self.plain:
            return 0.0
        xx, xy, yy = self.matrix()
        c, s = np.cos(track), np.sin(track)
        return ((yy - xx) * s * c + xy * (c * c - s * s)) / spot.perpendicular_radius((xx, xy, yy), track) ** 2


@dataclass(frozen=True)
class Gaussian(Spot):
    """Irradiance 2 P/(pi Wx Wy) exp(-2 r^2/W^2); radii at 1/e^2."""

    def peak(self, power, speed, across, along, w, reference):
        """Dose on the axis of one endless line: sqrt(2/pi) P/(W v) for w = 1."""
        if _one(w):
            return line.scan_exposure(power, across, speed)
        return line.equivalent_exposure(power, along, across, speed, w, reference)

    def whole(self, power, w=1.0, reference=1.0):
        """Integral over the surface of what the standing spot adds to the dose per time: P for w = 1."""
        one = 1.0 / np.sqrt(w)  # I^w is a Gaussian of radius W/sqrt(w), so any line it draws carries this per time
        area = math.sqrt(0.5 * math.pi) * one
        wy = self.wx if self.wy is None else self.wy
        return area * wy * self.peak(power, 1.0, wy, self.wx, w, reference)

    def profile(self, u, w):
        """Dose over that of the axis at u radii from it."""
        with np.errstate(under="ignore"):
            return np.exp(-2.0 * w * u * u)

    def half_width(self, share, w):
        """Radii from the axis at which the dose has fallen to a share of the peak."""
        return 0.5 * line.line_width(1.0, share, 1.0 / np.sqrt(w))

    def mean(self, s, w):
        """Mean over a raster of spacing s radii, over the peak of one line."""
        return np.sqrt(0.5 * math.pi / w) / s

    def rows(self, s, w):
        """Least and greatest dose over a raster, over its mean."""
        s = s * np.sqrt(w)
        return raster.valley(s), raster.ridge(s)

    def log_least(self, s, w):
        """ln of the least over the mean, finite however far apart the lines are."""
        return raster.log_valley(s * np.sqrt(w))

    def reach(self, w):
        """Radii beyond which a line adds nothing."""
        return _FAR / np.sqrt(np.min(w))

    def chord(self, u):
        """Half the way over which a place at u radii across is lit, in radii along; None: it fades as a Gaussian."""
        return


@dataclass(frozen=True)
class TopHat(Spot):
    """Irradiance P/(pi Wx Wy) inside the outline, nothing outside."""

    def peak(self, power, speed, across, along, w, reference):
        """2 P/(pi R v) for w = 1: the chord's length over the speed."""
        centre = power / (math.pi * along * across)
        return centre * (centre / reference) ** (w - 1.0) * 2.0 * along / speed

    def profile(self, u, w):
        """The chord: sqrt(1 - u^2)."""
        return np.sqrt(np.maximum((1.0 - u) * (1.0 + u), 0.0))

    def half_width(self, share, w):
        """Radii from the axis at which the chord has fallen to a share of the diameter."""
        return np.sqrt(np.maximum(1.0 - share * share, 0.0))

    def mean(self, s, w):
        """Half a disc's area over the spacing: (pi/2)/s."""
        return 0.5 * math.pi / s

    def rows(self, s, w):
        """Between two outlines the sum is concave and even: least where an outline ends, greatest on a line or half-way."""
        s = np.asarray(s, float)
        edge = 1.0 / s
        ends = (self._sum(edge - np.round(edge), s), self._sum(0.0, s), self._sum(0.5, s))
        mean = self.mean(s, w)
        return ends[0] / mean, np.maximum(ends[1], ends[2]) / mean

    def _sum(self, place, s):
        # dose over the peak of one line at `place` spacings from a line
        total = 0.0
        for k in range(-math.ceil(1.0 / float(np.min(s))) - 1, math.ceil(1.0 / float(np.min(s))) + 2):
            total = total + self.profile((place - k) * s, 1.0)
        return total

    def log_least(self, s, w):
        """ln of the least over the mean; minus infinity where lines do not touch."""
        with np.errstate(divide="ignore"):
            return np.log(self.rows(s, w)[0])

    def reach(self, w):
        """Radii beyond which a line adds nothing."""
        return 1.0

    def chord(self, u):
        """Half the way over which a place at u radii across is lit, in radii along."""
        return self.profile(u, 1.0)


@dataclass(frozen=True)
class Scan:
    """A pattern of equal lines: one, or a raster of the spacing; crossed by a second raster; so many passes; pulsed or not.

    `track` is the angle of the lines to the machine's x axis. `ends` says how a vector begins and ends (`motion.Ends`); None is an
    endless line.
    """

    power: Any
    speed: Any
    spot: Any
    spacing: Any = None
    passes: Any = 1.0
    crossed: bool = False
    track: Any = 0.0
    pulse_rate: Any = None
    ends: motion.Ends | None = None

    @property
    def tracks(self):
        """Directions of the lines."""
        return (self.track, self.track + 0.5 * math.pi) if self.crossed else (self.track,)


def _one(w):
    return np.ndim(w) == 0 and w == 1.0


def line_width(scan, peak, needed, w=1.0):
    """Full width of a line of that peak dose where the dose still is what is needed; zero where it never is."""
    across, _ = scan.spot.radii(scan.track)
    with np.errstate(over="ignore", divide="ignore"):
        return 2.0 * across * scan.spot.half_width(np.minimum(needed / peak, 1.0), w)


def dose_for_width(scan, width, needed, w=1.0):
    """Peak dose of a line that wide where the dose has fallen to what is needed."""
    across, _ = scan.spot.radii(scan.track)
    with np.errstate(divide="ignore"):
        return needed / scan.spot.profile(0.5 * width / across, w)


def mean(scan):
    """Mean exposure of a raster, P/(v h) whatever the spot; of a single line the mean along its axis."""
    if scan.spacing is None:
        return doses(scan)["mean"]
    return raster.mean_exposure(scan.power, scan.speed, scan.spacing) * scan.passes * len(scan.tracks)


def _parts(scan, w, reference):
    """For each direction: peak of one line with its passes, spacing in radii, pulse distance in radii."""
    for track in scan.tracks:
        across, along = scan.spot.radii(track)
        peak = scan.passes * scan.spot.peak(scan.power, scan.speed, across, along, w, reference)
        pitch = None if scan.pulse_rate is None else scan.speed / (scan.pulse_rate * along)
        yield peak, None if scan.spacing is None else scan.spacing / across, pitch


def doses(scan, w=1.0, reference=1.0):
    """Peak of one line and mean, least and greatest dose of the pattern, far from the ends of its vectors.

    With pulses, least and greatest are bounds over where the pulses fall: lines know nothing of each other's. Crossed rasters meet
    everywhere, so least meets least.
    """
    found: tuple[Any, ...] = ()
    for peak, s, pitch in _parts(scan, w, reference):
        mean, low, high = peak, 1.0, 1.0
        if s is not None:
            mean = peak * scan.spot.mean(s, w)
            low, high = scan.spot.rows(s, w)
        if pitch is not None:
            beads = scan.spot.rows(pitch, 1.0)
            low, high = low * beads[0], high * beads[1]
        one = peak, mean, mean * low, mean * high
        found = tuple(a + b for a, b in zip(found, one)) if found else one
    return dict(zip(("peak", "mean", "min", "max"), found))


def powers(scan, w=1.0, reference=1.0, step=0.0):
    """Powers with which power, speed, radius (both axes alike) and spacing enter the least dose: d ln dose/d ln each.

    The valley between lines falls ever faster as they move apart. `step` is the relative error over which the slope is taken,
    towards wider spacing; zero gives the local one.
    """
    step = np.maximum(step, STEP)
    weight, total = 0.0, [0.0, 0.0, 0.0]
    for peak, s, pitch in _parts(scan, w, reference):
        speed, radius, spacing, low = -1.0, 1.0 - 2.0 * w, 0.0, np.log(peak)
        if s is not None:
            across = _slope(scan.spot, s, w, step)
            radius, spacing = radius + 1.0 - across, across - 1.0
            low = low + np.log(scan.spot.mean(s, w)) + scan.spot.log_least(s, w)
        if pitch is not None:
            along = _slope(scan.spot, pitch, 1.0, step)
            speed, radius = speed + along, radius - along
            low = low + scan.spot.log_least(pitch, 1.0)
        if len(scan.tracks) == 1:
            return {"power": w, "scan_speed": speed, "beam_radius": radius, "hatch_spacing": spacing}
        share = np.exp(low - np.log(peak))
        weight = weight + share
        total = [t + share * p for t, p in zip(total, (speed, radius, spacing))]
    speed, radius, spacing = (t / weight for t in total)
    return {"power": w, "scan_speed": speed, "beam_radius": radius, "hatch_spacing": spacing}


def _slope(shape, s, w, step):
    return (shape.log_least(s * np.exp(step), w) - shape.log_least(s, w)) / step


def dose(scan, y, s=None, w=1.0, reference=1.0):
    """Dose at y across the tracks (0 on a line) and s along them from the start of the vectors; pulses averaged.

    Lines of a raster lie at all multiples of the spacing and begin and end side by side. A second, crossing raster is endless, with
    one of its lines through the first one's y = 0, s = 0.
    """
    total = _lines(scan, scan.track, y, s, w, reference)
    if scan.crossed:
        total = total + _lines(scan, scan.tracks[1], 0.0 if s is None else -np.asarray(s), None, w, reference)
    return total


def across(scan, y, w=1.0, reference=1.0):
    """Least dose along the tracks at y across the first of them: between two pulses, and in the valleys of a crossing raster."""
    total = _lines(scan, scan.track, y, None, w, reference)
    if scan.pulse_rate is not None:
        total = total * scan.spot.rows(scan.speed / (scan.pulse_rate * scan.spot.radii(scan.track)[1]), 1.0)[0]
    if scan.crossed:
        total = total + doses(replace(scan, crossed=False, track=scan.tracks[1]), w, reference)["min"]
    return total


def _lines(scan, track, place, far, w, reference):
    """Dose of all lines of one direction at a place across them, and along them where they have ends."""
    across, along = scan.spot.radii(track)
    peak = scan.passes * scan.spot.peak(scan.power, scan.speed, across, along, w, reference)
    numbers, nearest, spacing = np.zeros(1), 0.0, 0.0
    if scan.spacing is not None:
        reach = scan.spot.reach(w) * np.max(across / scan.spacing) + 1.0
        numbers, nearest, spacing = (np.arange(-math.ceil(reach), math.ceil(reach) + 1.0), np.round(place / scan.spacing), scan.spacing)
    total = 0.0
    for k in numbers:
        off = place - (nearest + k) * spacing
        one = peak * scan.spot.profile(off / across, w)
        if scan.ends is not None and far is not None:
            at = far - scan.spot.shear(track) * off
            one = one * motion.share(at, scan.speed, along, scan.ends, w, scan.spot.chord(off / across))
        total = total + one
    return total
