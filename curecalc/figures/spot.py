"""Beam measurements drawn: a scan with its fit and residuals, an image with its axes, a caustic with its waist, power readings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from ..spot.caustic import Caustic
from ..spot.cured import CuredLines
from ..spot.field import FieldMap
from ..spot.image import Spot
from ..spot.light import PowerMeasurement
from ..spot.measurement import BeamMeasurement
from ..units import IN_UM, MM, show
from .style import INK, MARKS, TONES, axes, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_caustic", "draw_image", "draw_lines", "draw_power", "draw_residuals", "draw_scan", "spot_figure"]


def spot_figure(result: BeamMeasurement | PowerMeasurement, width_mm: float = 170.0, height_mm: float = 130.0) -> Figure:
    """A figure of its own for whatever was measured.

    Parameters
    ----------
    result : BeamMeasurement or PowerMeasurement
    width_mm, height_mm : float
        Size on paper.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(width_mm, height_mm)
    if isinstance(result, PowerMeasurement):
        draw_power(axes(figure, (0.13, 0.14, 0.83, 0.74)), result)
    elif result.kind == "field":
        draw_field(figure, result)
    elif result.kind == "image":
        draw_image(figure, result)
    elif result.kind == "caustic":
        draw_caustic(axes(figure, (0.12, 0.14, 0.84, 0.74)), result)
    elif result.kind == "cured-lines":
        draw_lines(figure, result)
    else:
        top = axes(figure, (0.13, 0.40, 0.83, 0.49))
        low = axes(figure, (0.13, 0.12, 0.83, 0.20))
        draw_scan(top, result)
        draw_residuals(low, result)
        low.set_xlim(top.get_xlim())
    return figure


def draw_field(figure: Figure, result: BeamMeasurement) -> None:
    """Radius over the field with the places measured, and the half-width of its 95 % band beside it."""
    from ..statistics.intervals import t_factor

    field: FieldMap = result.fits[0][1]
    x, y = result.fits[0][2], result.fits[0][3]
    size = field.surfaces["size"]
    gx, gy = np.meshgrid(np.linspace(x.min(), x.max(), 41), np.linspace(y.min(), y.max(), 41))
    value, u = (v.reshape(gx.shape) for v in size.at(gx, gy))
    shown = (
        (IN_UM * np.exp(value), "radius (µm)"),
        (100.0 * t_factor(0.95, size.degrees_of_freedom) * np.hypot(u, field.common), "95 % band (+- %)"),
    )
    for k, (z, label) in enumerate(shown):
        ax = axes(figure, (0.11 + 0.47 * k, 0.14, 0.38, 0.74))
        levels = np.linspace(float(z.min()), max(float(z.max()), float(z.min()) * (1.0 + 1e-6)), 9)
        filled = ax.contourf(gx, gy, z, levels=levels, cmap="Blues" if k == 0 else "Greys")
        lines = ax.contour(gx, gy, z, levels=levels[1:-1:2], colors=INK, linewidths=0.8)
        ax.clabel(lines, fontsize=9, fmt="%.4g" if k == 0 else "%.2g")
        ax.plot(x, y, "o", color=TONES["second"], markersize=5, markerfacecolor="white", markeredgewidth=1.4, clip_on=False, zorder=5)
        ax.set_aspect("equal")
        ax.set_xlabel("x (mm)")
        if k == 0:
            ax.set_ylabel("y (mm)")
        ax.set_title(label, loc="left", pad=8)
        filled.set_edgecolor("face")


def _title(result: BeamMeasurement) -> str:
    if result.radius_y is not None:
        return f"1/e² radii {_pair([result.radius_x, result.radius_y])}"
    return f"1/e² radius {show(result.radius_x.measured)}"


def _pair(values: list[Any]) -> str:
    """Two lengths in few characters: `0.1169 and 0.1043 mm`."""
    texts = [show(v.value, digits=4) for v in values]
    return " and ".join([*(t.rsplit(" ", 1)[0] for t in texts[:-1]), texts[-1]])


def _curve(kind: str, f: Any, x: Any) -> Any:
    """The fitted curve on a fine grid."""
    from scipy.special import erf

    middle = 0.5 * (x.min() + x.max())
    fine = np.linspace(x.min(), x.max(), 500)
    g = (fine - f.centre) / f.radius
    if kind == "knife-edge":
        step = 0.5 * (1.0 + (1.0 if f.rising else -1.0) * erf(math.sqrt(2.0) * g))
        return fine, f.dark + f.tilt * (fine - middle) + (f.full + f.drift * (fine - middle)) * step
    # behind a slit the fitted points themselves carry its width
    order = np.argsort(x, kind="stable")
    return x[order], f.fitted[order]


def draw_scan(ax: Axes, result: BeamMeasurement) -> None:
    """Readings and fitted curve, each axis scaled to its own full reading; centre and radius marked."""
    for k, (name, f, x, y) in enumerate(result.fits):
        scale = f.full if result.kind == "knife-edge" else f.peak
        tone = (TONES["solid"], TONES["second"])[k]
        fine, curve = _curve(result.kind, f, x)
        many = len(result.fits) > 1
        away = f.centre if many else 0.0  # two scans are laid over each other at their centres
        fine, x = fine - away, x - away
        ax.plot(fine, (curve - f.dark) / scale, color=tone, linewidth=2.0, linestyle=("-", "--")[k], label=f"fit {name}" if many else "fit")
        ax.plot(
            x,
            (y - f.dark) / scale,
            MARKS[k],
            color=tone,
            markersize=5.5,
            markerfacecolor="white",
            markeredgewidth=1.4,
            label=f"readings {name}" if many else "readings",
        )
        if not many:
            ax.axvspan(f.centre - f.radius, f.centre + f.radius, color=TONES["light"], alpha=0.5, linewidth=0, label="centre +- radius")
            ax.axvline(f.centre, color=INK, linewidth=1.0, linestyle=":")
    ax.set_ylabel("share of full reading" if result.kind == "knife-edge" else "share of peak reading")
    ax.tick_params(labelbottom=False)
    ax.legend(frameon=False, fontsize=10, loc="best")
    ax.set_title(_title(result), loc="left", pad=10)


def draw_residuals(ax: Axes, result: BeamMeasurement) -> None:
    """Readings less fit, in per cent of the full reading."""
    for k, (_, f, x, _y) in enumerate(result.fits):
        scale = f.full if result.kind == "knife-edge" else f.peak
        tone = (TONES["solid"], TONES["second"])[k]
        share = 100.0 * f.residuals / scale
        x = x - (f.centre if len(result.fits) > 1 else 0.0)
        ax.vlines(x, 0.0, share, color=tone, linewidth=1.2)
        ax.plot(x, share, MARKS[k], color=tone, markersize=4.5, markerfacecolor="white", markeredgewidth=1.2)
    ax.axhline(0.0, color=INK, linewidth=1.0)
    low, high = ax.get_ylim()
    reach = max(abs(low), abs(high), 1e-6)
    ax.set_ylim(-reach, reach)
    ax.locator_params(axis="y", nbins=4)
    what = "edge" if result.kind == "knife-edge" else result.kind
    ax.set_xlabel(f"{what} from the centre (mm)" if len(result.fits) > 1 else f"position of the {what} (mm)")
    ax.set_ylabel("residual (%)")


def draw_image(figure: Figure, result: BeamMeasurement) -> None:
    """The image in grey with 1/e^2 ellipse and axes, and the cuts through the centre against the fitted Gaussian."""
    spot: Spot = result.fits[0][1]
    x, y, z = spot.profile_x, spot.profile_y, spot.profile
    top = max(spot.bell.peak, float(z.max()) * 0.5)
    ax = axes(figure, (0.10, 0.14, 0.50, 0.72))
    ax.grid(visible=False)
    half_x, half_y = 0.5 * spot.pixel[0], 0.5 * spot.pixel[1]
    ax.imshow(
        z,
        extent=(x[0] - half_x, x[-1] + half_x, y[-1] + half_y, y[0] - half_y),
        cmap="Greys",
        vmin=-0.05 * top,
        vmax=1.05 * top,
        aspect="equal",
        interpolation="nearest",
    )
    a = spot.axes
    t = np.linspace(0.0, 2.0 * math.pi, 181)
    c, s = math.cos(a.angle), math.sin(a.angle)
    u, v = a.radius_x * np.cos(t), a.radius_y * np.sin(t)
    ax.plot(c * u - s * v, s * u + c * v, color=TONES["second"], linewidth=2.0)
    for radius, dx, dy, name in ((a.radius_x, c, s, "x"), (a.radius_y, -s, c, "y")):
        ax.plot([-radius * dx, radius * dx], [-radius * dy, radius * dy], color=TONES["second"], linewidth=1.4, linestyle="--")
        ax.annotate(
            name,
            (1.25 * radius * dx, 1.25 * radius * dy),
            color=INK,
            fontsize=12,
            ha="center",
            va="center",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )
    ax.set_xlabel("x from the centre (mm)")
    ax.set_ylabel("y from the centre (mm)")
    ax.set_title(_title(result), loc="left", pad=10)
    cut = axes(figure, (0.70, 0.14, 0.27, 0.72))
    _cuts(cut, spot)


def _cuts(ax: Axes, spot: Spot) -> None:
    """Pixel rows and columns through the centre, and the Gaussian fit along them."""
    b = spot.bell
    j, i = int(np.argmin(np.abs(spot.profile_y))), int(np.argmin(np.abs(spot.profile_x)))
    rows = (
        (spot.profile_x, spot.profile[j], b.variance[0], b.variance[2], "x", 0.0),
        (spot.profile_y, spot.profile[:, i], b.variance[2], b.variance[0], "y", 1.3),
    )
    det = b.variance[0] * b.variance[2] - b.variance[1] ** 2
    for q, values, _own, other, name, lift in rows:
        step = max(1, q.size // 120)
        tone = TONES["solid"] if name == "x" else TONES["second"]
        ax.plot(q[::step], values[::step] / b.peak + lift, ".", color=tone, markersize=3)
        ax.plot(q, np.exp(-0.5 * q * q * other / det) + lift, color=INK, linewidth=1.4, linestyle="-" if name == "x" else "--")
        ax.text(q[0], lift + 1.02, f"along {name}", fontsize=10, color=INK)
    ax.set_yticks([0.0, 0.5, 1.0, 1.3, 1.8, 2.3], ["0", "0.5", "1", "0", "0.5", "1"])
    ax.set_ylim(-0.2, 2.6)
    ax.set_xlabel("from the centre (mm)")
    ax.set_title("Cuts and Gaussian fit", loc="left", pad=10)
    ax.set_ylabel("share of peak")


def draw_caustic(ax: Axes, result: BeamMeasurement) -> None:
    """Radii against position with the fitted hyperbola, waist and Rayleigh range."""
    worded = []
    for k, (name, c, z, w) in enumerate(result.fits):
        assert isinstance(c, Caustic)
        tone = (TONES["solid"], TONES["second"])[k]
        fine = np.linspace(min(z.min(), c.position), max(z.max(), c.position), 400)
        many = len(result.fits) > 1
        ax.plot(
            fine, IN_UM * c.radius_at(fine), color=tone, linewidth=2.0, linestyle=("-", "--")[k], label=f"fit {name}" if many else "fit"
        )
        ax.plot(
            z,
            IN_UM * w,
            MARKS[k],
            color=tone,
            markersize=7,
            markerfacecolor="white",
            markeredgewidth=1.6,
            label=f"measured {name}" if many else "measured",
        )
        ax.plot([c.position], [IN_UM * c.waist_radius], "*", color=INK, markersize=11, label="waist" if k == 0 else None)
        if k == 0:
            ax.axvspan(
                c.position - c.rayleigh_range,
                c.position + c.rayleigh_range,
                color=TONES["light"],
                alpha=0.5,
                linewidth=0,
                label="one Rayleigh length",
            )
            low, high = fine[0], fine[-1]
        worded.append(f"{c.beam_quality:.3f}")
    if (surface := result.details.get("surface_position")) is not None:
        at = float(surface.m_as(MM))
        ax.axvline(at, color=TONES["limit"], linewidth=1.6, linestyle="--", label="resin surface")
        low, high = min(low, at), max(high, at)
    ax.set_xlim(low - 0.03 * (high - low), high + 0.03 * (high - low))
    ax.set_ylim(0.0, 1.08 * max(IN_UM * float(w.max()) for _, _, _, w in result.fits))
    ax.set_xlabel("position along the beam (mm)")
    ax.set_ylabel("1/e² radius (µm)")
    ax.legend(frameon=False, fontsize=10, loc="best")
    waists = _pair(list(result.details["waist_radius"].values()))
    ax.set_title(f"M^2 {' and '.join(worded)}; waist radius {waists}", loc="left", pad=10)


def draw_lines(figure: Figure, result: BeamMeasurement) -> None:
    """Width squared and depth of cured lines against speed, with the fitted lines to the speed at which both vanish."""
    f: CuredLines = result.fits[0][1]
    speed, (width, depth) = result.fits[0][2], result.fits[0][3]
    panels = [("width", width)]
    if depth is not None and f.penetration_depth is not None:
        panels.append(("depth", depth))
    room = 0.84 if len(panels) == 1 else 0.36
    fine = np.geomspace(speed.min(), f.vanishing_speed, 300)
    over = np.log(f.vanishing_speed / fine)
    for k, (name, values) in enumerate(panels):
        ax = axes(figure, (0.12 + 0.49 * k, 0.14, room, 0.72))
        tone = (TONES["solid"], TONES["second"])[k]
        if name == "width":
            ax.plot(fine, 2.0 * f.radius**2 * over, color=tone, linewidth=2.0)  # type: ignore[operator]
            ax.plot(speed, values**2, MARKS[k], color=tone, markersize=7, markerfacecolor="white", markeredgewidth=1.6)
            ax.set_ylabel("line width squared (mm^2)")
            ax.set_title(_title(result), loc="left", pad=10)
        else:
            ax.plot(fine, f.penetration_depth * over, color=tone, linewidth=2.0, linestyle="--")
            ax.plot(speed, values, MARKS[k], color=tone, markersize=7, markerfacecolor="white", markeredgewidth=1.6)
            ax.set_ylabel("cure depth (mm)")
            ax.set_title(f"Dp {f.penetration_depth:.3f} mm", loc="left", pad=10)
        _speed_axis(ax, float(speed.min()), f.vanishing_speed)
        ax.set_ylim(0.0, None)


def _speed_axis(ax: Axes, low: float, high: float) -> None:
    from matplotlib.ticker import LogLocator

    from .style import plain_log

    plain_log(ax.xaxis)
    if high > 12.0 * low:
        ax.xaxis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 3.0)))
    ax.minorticks_off()
    ax.set_xlim(0.85 * low, 1.15 * high)
    ax.set_xlabel("scan speed (mm/s, log scale)")


def draw_power(ax: Axes, result: PowerMeasurement) -> None:
    """Readings in time; those left out as warm-up hollow, the mean with its interval."""
    r = result.reading
    order = np.argsort(result.time, kind="stable")
    t, y = np.asarray(result.time)[order], np.asarray(result.readings)[order]
    cut = r.left_out
    ax.plot(t[cut:], y[cut:], "o", color=TONES["solid"], markersize=6, label="used")
    if cut:
        ax.plot(
            t[:cut],
            y[:cut],
            "s",
            color=TONES["second"],
            markersize=6,
            markerfacecolor="white",
            markeredgewidth=1.5,
            label="left out as warm-up",
        )
    ax.axhline(r.mean, color=INK, linewidth=1.6, label="mean of those used")
    ax.axhspan(r.mean - 2 * r.type_a, r.mean + 2 * r.type_a, color=TONES["light"], alpha=0.7, linewidth=0, label="mean +- 2 u (Type A)")
    ax.set_xlabel("time (s)" if result.time.dtype.kind == "f" else "reading number")
    ax.set_ylabel("meter reading (mW)")
    ax.legend(frameon=False, fontsize=10, loc="best")
    ax.set_title(f"Power at the resin {show(result.measured)}", loc="left", pad=10)
