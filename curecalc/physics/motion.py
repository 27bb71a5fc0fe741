"""The scanner in motion: time for a vector from rest to rest, and what share of the steady line's dose falls where along it."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

__all__ = ["RUN_UPS", "Ends", "Stretch", "share", "speed_up_distance", "stop_factor", "stop_profile", "stretches", "vector_time"]

_ROOT_HALF_PI = math.sqrt(0.5 * math.pi)
_REACH = 4.3  # radii beyond the nearest place of the way, over root w, where a Gaussian has fallen to the last digit


# What the beam does while the spot speeds up: the power of speed that the light follows; None: off, the run-up lies outside the vector.
RUN_UPS: dict[str, float | None] = {"off": None, "on": 0.0, "follows speed": 1.0}


@dataclass(frozen=True)
class Ends:
    """How a vector of a length begins and ends.

    `acceleration` None: at full speed throughout, the run-up lies outside the vector with the beam off. Else from the speed `slowest`
    (rest, or that of a corner) and back inside the vector, the power falling with speed to the power `follows` (0: it stays on; 1:
    it follows speed), not below the share `least`.
    """

    length: Any
    acceleration: Any = None
    follows: float = 0.0
    least: Any = 0.0
    slowest: Any = 0.0


@dataclass(frozen=True)
class Stretch:
    """A stretch of vectors in its own time 0 to `time`: place = start + sign (speed t + acceleration t^2/2). One that brakes runs back."""

    start: Any
    sign: float
    speed: Any
    acceleration: Any
    time: Any

    def place(self, t):
        """Distance along the vector at time t."""
        return self.start + self.sign * (self.speed + 0.5 * self.acceleration * t) * t

    def lit(self, t, v, ends):
        """Power at time t over that at full speed v."""
        if not ends.follows:
            return np.ones_like(t)
        return np.maximum(((self.speed + self.acceleration * t) / v) ** ends.follows, ends.least)

    def dim(self, v, ends):
        """Time until the power begins to follow; zero where it does from the start."""
        if not ends.follows or not np.any(ends.least):
            return np.zeros_like(self.time)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (ends.least ** (1.0 / ends.follows) * v - self.speed) / self.acceleration
        return np.clip(np.nan_to_num(t), 0.0, self.time)


def stretches(v, ends, first=0.0, last=0.0):
    """Speeding up, steady, slowing down: the motion of vectors whose speeds at their ends are `first` and `last` (0: rest).

    The ends' speeds must be within reach of each other. Without an acceleration there is the steady stretch alone.
    """
    v, length = np.broadcast_arrays(np.asarray(v, float), np.asarray(ends.length, float))
    if ends.acceleration is None:
        return (Stretch(np.zeros_like(v), 1.0, v, 0.0, length / v),)
    a = ends.acceleration
    top = np.minimum(v, np.sqrt(length * a + 0.5 * (first**2 + last**2)))
    up, down = ((top**2 - np.square(end)) / (2.0 * a) for end in (first, last))
    steady = np.maximum(length - up - down, 0.0)
    return (
        Stretch(np.zeros_like(v), 1.0, first + np.zeros_like(v), a, np.maximum(top - first, 0.0) / a),
        Stretch(up, 1.0, top, 0.0, np.where(steady > 1e-12 * length, steady / np.maximum(top, 1e-300), 0.0)),
        Stretch(length, -1.0, last + np.zeros_like(v), a, np.maximum(top - last, 0.0) / a),
    )


def speed_up_distance(v, a):
    """v^2/(2 a), the way from rest to full speed."""
    return v * v / (2.0 * a)


def vector_time(length, v, a):
    """Time for a straight vector from rest to rest: L/v + v/a, or 2 sqrt(L/a) where full speed is never reached."""
    return np.where(length * a >= v * v, length / v + v / a, 2.0 * np.sqrt(length / a))[()]


def share(s, v, radius, ends, w=1.0, chord=None):
    """Dose at s past the start of a vector, over that of the endless steady line.

    `radius` is the spot's along the track (1/e^2; of a top hat its outline, with `chord` the lit half-way in radii), `w` the exponent of
    irradiance. At a hard end, where speed is full or power follows it, 1/2 for w = 1.
    """
    s, v, radius, length = (np.asarray(q, float) for q in (s, v, radius, ends.length))
    if ends.acceleration is None:
        return _steady(s, 0.0, length, radius, w, chord)[()]
    a, slow = ends.acceleration, np.minimum(ends.slowest, v)
    top = np.minimum(v, np.sqrt(slow * slow + length * a))
    way = speed_up_distance(top, a) - speed_up_distance(slow, a)
    least, half = np.asarray(ends.least, float), np.asarray(0.0 if chord is None else chord)
    evenly = ends.follows * w == 1.0
    if evenly:  # as much light on every length as at full speed, and near rest what the least power adds
        total = _steady(s, 0.0, length, radius, w, chord)
        if not least.any():
            return total[()]
        top = np.clip(least**w * v, slow, np.maximum(top, slow))
        way = speed_up_distance(top, a) - speed_up_distance(slow, a)
    else:
        total = np.where(top < v, 0.0, _steady(s, way, length - way, radius, w, chord))
    none = np.zeros(np.broadcast_shapes(total.shape, *(q.shape for q in (v, slow, top, radius, least, half))))
    v, slow, top, radius, least, half = (q + none for q in (v, slow, top, radius, least, half))
    for place in (s + none, length - s + none):
        near = place < way + (_REACH / np.sqrt(w) if chord is None else chord) * radius
        if near.any():
            part = np.zeros(near.shape)
            beam = (radius[near], least[near], half[near])
            part[near] = _speeding_up(place[near], v[near], slow[near], top[near], *beam, a, ends.follows, w, chord is not None, evenly)
            total = total + part
    return total[()]


def _steady(s, start, end, radius, w, chord):
    """The part from start to end at full speed."""
    if chord is not None:
        half = np.maximum(chord * radius, 1e-300)
        lit = np.minimum(end, s + half) - np.maximum(start, s - half)
        return np.maximum(lit, 0.0) / (2.0 * half)
    from scipy.special import erf, erfc

    # inside a sum of two positive terms; outside written with erfc so that tails keep their digits
    root = np.sqrt(2.0 * w) / radius
    a, b = root * (s - start), root * (end - s)
    found = np.asarray(0.5 * (erf(a) + erf(b)))
    outside = np.minimum(a, b) < 0.0
    if outside.any():
        a, b = (np.broadcast_to(q, found.shape)[outside] for q in (a, b))
        found[outside] = 0.5 * (erfc(np.maximum(-a, -b)) - erfc(np.maximum(a, b)))
    return found


@cache
def _gauss():
    return np.polynomial.legendre.leggauss(48)


def _speeding_up(s, v, slow, top, radius, least, chord, a, follows, w, flat, evenly):
    """What comes from the way from the speed `slow` at 0 to the speed `top`: of a top hat (`flat`) along its chord.

    By quadrature in the root of time from rest, where t^w is smoother. `evenly`: what the least power adds there to the light of full
    speed.
    """
    s, v, slow, top, radius, least, chord = (q[..., None] for q in (s, v, slow, top, radius, least, chord))
    # only times at which the place is lit, or within reach of the spot
    wide = (chord if flat else np.hypot(np.minimum(s / radius, 0.0), _REACH / np.sqrt(w))) * radius
    s = s + speed_up_distance(slow, a)
    first, last = (np.clip(np.sqrt(2.0 * np.maximum(s + d, 0.0) / a), slow / a, top / a) for d in (-wide, wide))
    cuts = [first, last]
    if follows and not evenly and np.any(least > 0.0):
        cuts.insert(1, np.clip(least ** (1.0 / follows) * v / a, first, last))
    cuts = [np.sqrt(t) for t in cuts]
    (nodes, weights), total = _gauss(), 0.0
    for start, end in zip(cuts, cuts[1:]):
        half = 0.5 * (end - start)
        root = start + half * (1.0 + nodes)
        t = root * root
        lit = (a * t / v) ** follows if follows else np.ones_like(t)
        energy = least**w - lit**w if evenly else np.maximum(lit, least) ** w
        if not flat:
            with np.errstate(under="ignore"):
                energy = energy * np.exp(-2.0 * w * ((0.5 * a * t * t - s) / radius) ** 2)
        total = total + (half * weights * 2.0 * root * energy).sum(-1)
    steady = np.maximum(2.0 * chord[..., 0], 1e-300) if flat else _ROOT_HALF_PI / np.sqrt(w)
    return total * v[..., 0] / (steady * radius[..., 0])


def stop_factor(v, a, w0, w=1.0):
    """Exposure where a line stops and goes on (a sharp corner) at constant power, over that of the steady line.

    The turn's angle does not matter: the corner lies on the axis of both arms.
    """
    return stop_profile(0.0, v, a, w0, w)


def stop_profile(s, v, a, w0, w=1.0):
    """As `stop_factor`, at distance s along one arm of a line that stops at s = 0 and goes straight on."""
    ends = Ends(math.inf, a)
    return share(s, v, w0, ends, w) + share(-np.asarray(s, float), v, w0, ends, w)
