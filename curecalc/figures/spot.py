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
from .style import FINE, HOLLOW, INK, MARKS, PLATE, TALL, TONES, WIDE, new_figure, panels, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_caustic", "draw_image", "draw_lines", "draw_power", "draw_residuals", "draw_scan", "spot_figure"]


def spot_figure(result: BeamMeasurement | PowerMeasurement, width_mm: float = WIDE, height_mm: float = TALL) -> Figure:
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
        (ax,) = panels(figure)
        draw_power(ax, result)
    elif result.kind == "field":
        draw_field(figure, result)
    elif result.kind == "image":
        draw_image(figure, result)
    elif result.kind == "caustic":
        (ax,) = panels(figure)
        draw_caustic(ax, result)
    elif result.kind == "cured-lines":
        draw_lines(figure, result)
    else:
        top, low = panels(figure, 2)
        draw_scan(top, result)
        draw_residuals(low, result)
        low.set_xlim(top.get_xlim())
    return figure


def draw_field(figure: Figure, result: BeamMeasurement) -> None:
    """Radius over the field with the places measured, and the half-width of its 95 % band beside it."""
    from ..statistics.intervals import t_factor

    field: FieldMap
    ((_, field, x, y),) = result.fits
    size = field.surfaces["size"]
    gx, gy = np.meshgrid(*(np.linspace(at.min(), at.max()) for at in (x, y)))
    value, u = (v.reshape(gx.shape) for v in size.at(gx, gy))
    radius, band = panels(figure, columns=2)
    for ax, z, tones, form, label in (
        (radius, IN_UM * np.exp(value), "Blues", "%.4g", "radius (µm)"),
        (band, 100.0 * t_factor(0.95, size.degrees_of_freedom) * np.hypot(u, field.common), "Greys", "%.2g", "95 % band (+- %)"),
    ):
        filled = ax.contourf(gx, gy, z, levels=8, cmap=tones)
        lines = ax.contour(gx, gy, z, levels=4, colors=INK, linewidths=0.8)
        ax.clabel(lines, fontsize=9, fmt=form)
        ax.plot(x, y, "o", color=TONES["second"], markersize=5, clip_on=False, zorder=5, **HOLLOW)
        ax.set_aspect("equal")
        ax.set_xlabel("x (mm)")
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

    fine = np.linspace(x.min(), x.max(), FINE)
    middle = float(np.median(fine))
    g = (fine - f.centre) / f.radius
    if kind == "knife-edge":
        step = 0.5 * (1.0 + (1.0 if f.rising else -1.0) * erf(math.sqrt(2.0) * g))
        return fine, f.dark + f.tilt * (fine - middle) + (f.full + f.drift * (fine - middle)) * step
    # behind a slit the fitted points themselves carry its width
    order = np.argsort(x, kind="stable")
    return x[order], f.fitted[order]


_LOOKS = tuple(zip(("solid", "second"), ("-", "--"), MARKS))  # of the first and the second axis


def draw_scan(ax: Axes, result: BeamMeasurement) -> None:
    """Readings and fitted curve, each axis scaled to its own full reading; centre and radius marked."""
    many = len(result.fits) > 1
    for (name, f, x, y), (tone, dash, mark) in zip(result.fits, _LOOKS):
        fine, curve = _curve(result.kind, f, x)
        away = f.centre if many else 0.0  # two scans are laid over each other at their centres
        of = f" {name}" if many else ""
        ax.plot(fine - away, (curve - f.dark) / _full(result, f), color=TONES[tone], linewidth=2.0, linestyle=dash, label=f"fit{of}")
        ax.plot(x - away, (y - f.dark) / _full(result, f), mark, color=TONES[tone], markersize=5.5, label=f"readings{of}", **HOLLOW)
        if not many:
            ax.axvspan(f.centre - f.radius, f.centre + f.radius, color=TONES["light"], alpha=0.5, linewidth=0, label="centre +- radius")
            ax.axvline(f.centre, color=INK, linewidth=1.0, linestyle=":")
    ax.set_ylabel("share of full reading" if result.kind == "knife-edge" else "share of peak reading")
    ax.tick_params(labelbottom=False)
    ax.legend(frameon=False, fontsize=10, loc="best")
    ax.set_title(_title(result), loc="left", pad=10)


def _full(result: BeamMeasurement, f: Any) -> float:
    return float(f.full if result.kind == "knife-edge" else f.peak)


def draw_residuals(ax: Axes, result: BeamMeasurement) -> None:
    """Readings less fit, in per cent of the full reading."""
    many = len(result.fits) > 1
    for (_, f, x, _y), (tone, _dash, mark) in zip(result.fits, _LOOKS):
        share = 100.0 * f.residuals / _full(result, f)
        x = x - (f.centre if many else 0.0)
        ax.vlines(x, 0.0, share, color=TONES[tone], linewidth=1.2)
        ax.plot(x, share, mark, color=TONES[tone], markersize=4.5, **HOLLOW)
    ax.axhline(0.0, color=INK, linewidth=1.0)
    reach = max(map(abs, ax.get_ylim()))
    ax.set_ylim(-reach, reach)
    what = "edge" if result.kind == "knife-edge" else result.kind
    ax.set_xlabel(f"{what} from the centre (mm)" if many else f"position of the {what} (mm)")
    ax.set_ylabel("residual (%)")


def draw_image(figure: Figure, result: BeamMeasurement) -> None:
    """The image in grey with 1/e^2 ellipse and axes, and the cuts through the centre against the fitted Gaussian."""
    spot: Spot
    ((_, spot, *_),) = result.fits
    x, y, z = spot.profile_x, spot.profile_y, spot.profile
    ax, cut = panels(figure, columns=2, wspace=20.0)
    ax.grid(visible=False)
    half_x, half_y = 0.5 * np.array(spot.pixel)
    extent = (x.min() - half_x, x.max() + half_x, y.max() + half_y, y.min() - half_y)
    ax.imshow(z, extent=extent, cmap="Greys", interpolation="nearest")
    a = spot.axes
    t = np.linspace(0.0, 2.0 * math.pi, FINE)
    c, s = math.cos(a.angle), math.sin(a.angle)
    u, v = a.radius_x * np.cos(t), a.radius_y * np.sin(t)
    ax.plot(c * u - s * v, s * u + c * v, color=TONES["second"], linewidth=2.0)
    for radius, dx, dy, name in ((a.radius_x, c, s, "x"), (a.radius_y, -s, c, "y")):
        ax.plot([-radius * dx, radius * dx], [-radius * dy, radius * dy], color=TONES["second"], linewidth=1.4, linestyle="--")
        ax.annotate(name, (1.25 * radius * dx, 1.25 * radius * dy), color=INK, fontsize=12, ha="center", va="center", bbox=PLATE)
    ax.set_xlabel("x from the centre (mm)")
    ax.set_ylabel("y from the centre (mm)")
    ax.set_title(_title(result), loc="left", pad=10)
    _cuts(cut, spot)


def _cuts(ax: Axes, spot: Spot) -> None:
    """Pixel rows and columns through the centre, and the Gaussian fit along them."""
    b = spot.bell
    xx, xy, yy = b.variance
    det = xx * yy - xy**2
    row = spot.profile[np.argmin(np.abs(spot.profile_y))]
    column = spot.profile[:, np.argmin(np.abs(spot.profile_x))]
    cuts = ((spot.profile_x, row, yy, "x", 0.0), (spot.profile_y, column, xx, "y", 1.3))
    for (q, values, across, name, lift), (tone, dash, _mark) in zip(cuts, _LOOKS):
        ax.plot(q, values / b.peak + lift, ".", color=TONES[tone], markersize=3)
        ax.plot(q, np.exp(-0.5 * q * q * across / det) + lift, color=INK, linewidth=1.4, linestyle=dash)
        ax.text(q.min(), lift + 1.02, f"along {name}", fontsize=10, color=INK)
    ax.set_yticks([0.0, 0.5, 1.0, 1.3, 1.8, 2.3], ["0", "0.5", "1", "0", "0.5", "1"])
    ax.set_ylim(-0.2, 2.6)
    ax.set_xlabel("from the centre (mm)")
    ax.set_title("Cuts and Gaussian fit", loc="left", pad=10)
    ax.set_ylabel("share of peak")


def draw_caustic(ax: Axes, result: BeamMeasurement) -> None:
    """Radii against position with the fitted hyperbola, waist and Rayleigh range."""
    worded, many = [], len(result.fits) > 1
    for (name, c, z, w), (tone, dash, mark) in zip(result.fits, _LOOKS):
        assert isinstance(c, Caustic)
        first = c is result.fits[0][1]
        fine = np.linspace(min(z.min(), c.position), max(z.max(), c.position), FINE)
        of = f" {name}" if many else ""
        ax.plot(fine, IN_UM * c.radius_at(fine), color=TONES[tone], linewidth=2.0, linestyle=dash, label=f"fit{of}")
        ax.plot(z, IN_UM * w, mark, color=TONES[tone], markersize=7, label=f"measured{of}", **HOLLOW)
        ax.plot([c.position], [IN_UM * c.waist_radius], "*", color=INK, markersize=11, label="waist" if first else None)
        if first:
            ends = (c.position - c.rayleigh_range, c.position + c.rayleigh_range)
            ax.axvspan(*ends, color=TONES["light"], alpha=0.5, linewidth=0, label="one Rayleigh length")
            low, high = fine.min(), fine.max()
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
    f: CuredLines
    ((_, f, speed, (width, depth)),) = result.fits
    fine = np.geomspace(speed.min(), f.vanishing_speed, FINE)
    over = np.log(f.vanishing_speed / fine)
    drawn = [("line width squared (mm^2)", width**2, 2.0 * f.radius**2, _title(result))]  # type: ignore[operator]
    if depth is not None and f.penetration_depth is not None:
        drawn.append(("cure depth (mm)", depth, f.penetration_depth, f"Dp {f.penetration_depth:.3f} mm"))
    for ax, (name, values, slope, title), (tone, dash, mark) in zip(panels(figure, len(drawn), hspace=30.0), drawn, _LOOKS):
        ax.plot(fine, slope * over, color=TONES[tone], linewidth=2.0, linestyle=dash)
        ax.plot(speed, values, mark, color=TONES[tone], markersize=7, **HOLLOW)
        ax.set_ylabel(name)
        ax.set_title(title, loc="left", pad=10)
        plain_log(ax.xaxis)
        ax.set_xlim(0.85 * speed.min(), 1.15 * f.vanishing_speed)
        ax.set_xlabel("scan speed (mm/s, log scale)")
        ax.set_ylim(0.0, None)


def draw_power(ax: Axes, result: PowerMeasurement) -> None:
    """Readings in time; those left out as warm-up hollow, the mean with its interval."""
    r = result.reading
    order = np.argsort(result.time, kind="stable")
    t, y = np.asarray(result.time)[order], np.asarray(result.readings)[order]
    cut = r.left_out
    ax.plot(t[cut:], y[cut:], "o", color=TONES["solid"], markersize=6, label="used")
    if cut:
        ax.plot(t[:cut], y[:cut], "s", color=TONES["second"], markersize=6, label="left out as warm-up", **HOLLOW)
    ax.axhline(r.mean, color=INK, linewidth=1.6, label="mean of those used")
    ax.axhspan(r.mean - 2 * r.type_a, r.mean + 2 * r.type_a, color=TONES["light"], alpha=0.7, linewidth=0, label="mean +- 2 u (Type A)")
    ax.set_xlabel("time (s)" if result.time.dtype.kind == "f" else "reading number")
    ax.set_ylabel("meter reading (mW)")
    ax.legend(frameon=False, fontsize=10, loc="best")
    ax.set_title(f"Power at the resin {show(result.measured)}", loc="left", pad=10)
