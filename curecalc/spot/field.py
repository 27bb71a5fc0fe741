"""The beam over the whole field: measured places to a map of radius, ellipse and power with its uncertainty; what optics
alone would give; and which places to measure.

Plain float64, mm, radians. The logarithm of the spot's matrix is mapped, so both radii stay positive and the angle may turn
freely where the spot is nearly round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ..physics import spot as _spot
from ..statistics.intervals import t_factor
from ..statistics.uncertainty import combined
from ..symbols import percent
from .moments import ANYWHERE
from .surface import Surface, surface

__all__ = ["FieldMap", "FieldSpot", "Parting", "Place", "optics_spot", "parting", "plan_places"]


@dataclass(frozen=True, kw_only=True)
class Place:
    """The beam at one place of the field; `relative` is the relative standard uncertainty of its radii (0: not stated)."""

    x: float
    y: float
    radius_x: float
    radius_y: float | None = None
    angle: float = 0.0
    power: float | None = None
    relative: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FieldSpot:
    """The map read at one place.

    `covariance` is of (ln radius_x, ln radius_y, angle, ln power_factor), of the map and not of one more reading. `power_factor` is the
    power over its mean over the places measured (1 where it was not measured). `factor` is Student's for the interval.
    """

    x: float
    y: float
    radius_x: float
    radius_y: float
    angle: float
    power_factor: float
    covariance: Any
    factor: float
    extrapolated: bool

    @property
    def radius(self) -> float:
        """Of the round spot of the same area."""
        return math.sqrt(self.radius_x * self.radius_y)

    @property
    def relative(self) -> float:
        """Relative standard uncertainty of `radius`."""
        return combined((0.5, 0.5), self.covariance[:2, :2])


@dataclass(frozen=True, kw_only=True)
class FieldMap:
    """A map through `places`; `common` is the relative standard uncertainty that all radii share (stage or pixel).

    >>> grid = [(x, y) for x in (-50.0, 0.0, 50.0) for y in (-50.0, 0.0, 50.0)]
    >>> field = FieldMap(places=tuple(Place(x=x, y=y, radius_x=0.1 + 1e-6 * (x * x + y * y)) for x, y in grid))
    >>> f"{field.at(30.0, 25.0).radius:.4f}"
    '0.1015'
    """

    places: tuple[Place, ...]
    common: float = 0.0

    @property
    def round(self) -> bool:
        """Whether one radius a place was measured."""
        return all(p.radius_y is None for p in self.places)

    @cached_property
    def surfaces(self) -> dict[str, Surface]:
        """Surfaces of ln radius, of the two parts of the ellipse, and of ln power, as far as measured."""
        x, y = np.array([p.x for p in self.places]), np.array([p.y for p in self.places])
        u = np.array([p.relative for p in self.places])
        noise = u if (u > 0).all() else None
        one = np.log([p.radius_x for p in self.places])
        two = np.log([p.radius_x if p.radius_y is None else p.radius_y for p in self.places])
        turn = 2.0 * np.array([p.angle for p in self.places])
        found = {"size": surface(x, y, 0.5 * (one + two), noise)}
        if not self.round:
            found["plus"] = surface(x, y, 0.5 * (one - two) * np.cos(turn), noise)
            found["cross"] = surface(x, y, 0.5 * (one - two) * np.sin(turn), noise)
        if all(p.power is not None for p in self.places):
            power = np.log(np.array([p.power for p in self.places], dtype=np.float64))
            found["power"] = surface(x, y, power - power.mean())
        return found

    def inside(self, x: float, y: float) -> bool:
        """Whether a place stands within the places measured (their convex hull, a twentieth of its size allowed beyond)."""
        corners = np.array([[p.x, p.y] for p in self.places])
        middle = corners.mean(axis=0)
        q = middle + (np.array([x, y]) - middle) / 1.05
        away = corners - q
        angles = np.sort(np.arctan2(away[:, 1], away[:, 0]))
        return bool(np.max(np.diff(np.concatenate([angles, [angles[0] + 2.0 * math.pi]]))) <= math.pi)

    def at(self, x: float, y: float) -> FieldSpot:
        """The spot at a place of the field."""
        read = {name: tuple(float(v[0]) for v in s.at([x], [y])) for name, s in self.surfaces.items()}
        size, u_size = read["size"]
        b, u_b = read.get("plus", (0.0, 0.0))
        c, u_c = read.get("cross", (0.0, 0.0))
        power, u_power = read.get("power", (0.0, 0.0))
        way = math.copysign(1.0, b)  # the first axis is the one nearest to x
        angle, stretch = 0.5 * math.atan2(way * c, abs(b)), way * math.hypot(b, c)
        size_part = np.array([1.0, 1.0, 0.0, 0.0])
        shape = np.zeros((4, 2))
        if stretch:
            slope = np.array([b, c]) / stretch
            shape = np.array([slope, -slope, [-0.5 * c / stretch**2, 0.5 * b / stretch**2], [0.0, 0.0]])
        covariance = (u_size**2 + self.common**2) * np.outer(size_part, size_part) + (shape * np.square([u_b, u_c])) @ shape.T
        covariance[2, 2] = min(covariance[2, 2] if stretch else math.inf, ANYWHERE**2) if not self.round else 0.0
        covariance[3, 3] = u_power**2
        return FieldSpot(
            x=x,
            y=y,
            radius_x=math.exp(size + stretch),
            radius_y=math.exp(size - stretch),
            angle=angle,
            power_factor=math.exp(power),
            covariance=covariance,
            factor=t_factor(0.95, self.surfaces["size"].degrees_of_freedom),
            extrapolated=not self.inside(x, y),
        )


def optics_spot(
    x: float,
    y: float,
    *,
    waist_radius: float,
    beam_quality: float,
    wavelength: float,
    throw: float,
    focus_held: bool = False,
    focus_offset: float = 0.0,
) -> tuple[float, float, float]:
    """Radius along the tilt, across it, and the direction of the tilt, that optics alone gives at a place of a flat field.

    Parameters
    ----------
    x, y : float, mm
        From the foot of the scanner's axis.
    waist_radius, wavelength : float, mm
    beam_quality : float
    throw : float, mm
        From the scanner's pivot to the surface, straight down.
    focus_held : bool
        The optics keep the focus in the surface over the field.
    focus_offset : float, mm
        How far the waist stands above the surface in the middle.

    Source: `iso11146` for the radius along the beam; derived for the path, throw/cos theta, and the footprint, W/cos theta.

    >>> along, across, _ = optics_spot(300.0, 0.0, waist_radius=0.0625, beam_quality=1.3, wavelength=355e-6, throw=1000.0)
    >>> f"{along:.4f} {across:.4f}"
    '0.1262 0.1209'
    """
    away = math.hypot(x, y)
    path = math.hypot(throw, away)
    gone = focus_offset + (0.0 if focus_held else path - throw)
    reach = float(_spot.rayleigh_range(waist_radius, beam_quality, wavelength))
    w = float(_spot.caustic_radius(gone, waist_radius, reach))
    return w * path / throw, w, math.atan2(y, x)


@dataclass(frozen=True)
class Parting:
    """Where a measured map and the optics part: ln(measured/predicted) as offset and slopes per mm, with t for each."""

    offset: float
    slope: tuple[float, float]
    t: tuple[float, float, float]
    worst: Place
    worst_ratio: float
    sentences: tuple[str, ...]


def parting(field: FieldMap, predicted: Any) -> Parting:
    """Compare measured places with `predicted(x, y)`, a function like `optics_spot` without its options."""
    x, y = np.array([p.x for p in field.places]), np.array([p.y for p in field.places])
    seen = np.array([math.log(p.radius_x * (p.radius_y or p.radius_x)) / 2.0 for p in field.places])
    gap = seen - np.array([math.log(along * across) / 2.0 for along, across, _ in (predicted(p.x, p.y) for p in field.places)])
    basis = np.column_stack([np.ones_like(x), x, y])
    solution = np.linalg.lstsq(basis, gap, rcond=None)[0]
    left = gap - basis @ solution
    inverse = np.linalg.inv(basis.T @ basis)
    stated = float(np.sqrt(np.mean([p.relative**2 for p in field.places])))
    dof = x.size - 3  # of a map: five places at least
    noise = max(math.sqrt(float(left @ left) / dof), stated)
    t = solution / np.sqrt(np.diag(inverse)) / max(noise, 1e-12)
    limit, told = t_factor(0.99, dof), []
    grown = math.hypot(solution[1], solution[2]) * float(max(np.ptp(x), np.ptp(y)))
    if abs(t[0]) > limit and abs(solution[0]) > 0.01:
        told.append(
            f"the spot differs by {percent(math.expm1(solution[0]), '+.1f')} from what optics give over the whole field: focus, "
            "waist or M^2 is not as stated."
        )
    if max(abs(t[1]), abs(t[2])) > limit and grown > 0.01:
        way = math.degrees(math.atan2(solution[2], solution[1]))
        told.append(
            f"it grows by {percent(grown, '.1f')} across the field towards {way:.0f} deg, which no centred "
            "optics do: a tilted lens or window, or a surface that is not level."
        )
    k = int(np.argmax(np.abs(left)))
    if abs(left[k]) > 0.02 and abs(left[k]) > 3.5 * noise:
        told.append(f"the place at {x[k]:g}, {y[k]:g} mm parts most, by {percent(math.expm1(gap[k]), '+.1f')}: measure it again.")
    return Parting(
        float(solution[0]),
        (float(solution[1]), float(solution[2])),
        (float(t[0]), float(t[1]), float(t[2])),
        field.places[k],
        math.exp(float(gap[k])),
        tuple(told),
    )


def plan_places(*, size_x: float, size_y: float, relative: float, to: float, bend: float = 0.05) -> tuple[list[tuple[float, float]], float]:
    """Fewest places, on a square grid, at which the map's 95 % band is within `to` everywhere; and the width it then reaches.

    Parameters
    ----------
    size_x, size_y : float, mm
        Of the field, its middle at zero.
    relative : float
        Relative standard uncertainty of one measured radius.
    to : float
        Wanted half-width of the band, as a share of the radius.
    bend : float
        Largest bend of ln radius expected beyond a plane, from middle to edge.

    Raises
    ------
    ValueError
        No grid up to nine by nine is enough: the single readings must get better.

    >>> places, reached = plan_places(size_x=200.0, size_y=200.0, relative=0.005, to=0.02)
    >>> len(places) >= 9, reached < 0.02
    (True, True)
    """

    def grid(n: int) -> tuple[Any, Any]:
        x, y = np.meshgrid(np.linspace(-0.5, 0.5, n) * size_x, np.linspace(-0.5, 0.5, n) * size_y)
        return x.ravel(), y.ravel()

    for n in range(3, 10):
        x, y = grid(n)
        bowl = 2.0 * bend * ((x / size_x) ** 2 + (y / size_y) ** 2)
        # fields of that bend measured ten times over with such readings: the mean of the widths that the map would state
        widths = []
        for off in np.random.default_rng(1).standard_normal((10, x.size)) * relative:
            found = surface(x, y, bowl + off)
            widths.append(t_factor(0.95, found.degrees_of_freedom) * found.at(*grid(15))[1].max())
        reached = float(np.mean(widths))
        if reached <= to:
            return [(float(a), float(b)) for a, b in zip(x, y, strict=True)], reached
    raise ValueError(
        f"{n * n} places reach {percent(reached, '.2g')}, not {percent(to, '.2g')}. Measure each place more exactly: "
        f"{percent(relative * to / reached, '.2g')} or better."
    )
