"""Lots and coupons: a fit as a resin file or as the lot it would be, earlier lots as a prior, a saved lot to compare."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..calibration.comparing import Lot as Compared
from ..calibration.comparing import lot_from_line
from ..calibration.conditions import SAME_WAVELENGTH, Conditions
from ..calibration.findings import varied_settings
from ..calibration.fit import Fit
from ..calibration.prior import LinePrior, prior_from_lots
from ..errors import QuantityError
from ..files.disk import write_bytes
from ..statistics.working_line import covariance, line_of
from ..units import DEGC, G_CM3, IN_CM2, MJ_CM2, MM, NM, Quantity, positive, ratio
from .lot import RESIN, Lot

__all__ = ["lot_from_resin", "lot_of_fit", "prior_from_resins", "resin_text", "save_fit"]


def prior_from_resins(
    resins: Sequence[Lot], *, penetration_depth_spread: float = 0.05, critical_exposure_spread: float = 0.15
) -> LinePrior:
    """A prior for the next lot from earlier ones (`calibration.prior.prior_from_lots`).

    The spreads are relative standard deviations from lot to lot (defaults: common practice, no source); with three lots or
    more the observed spread counts where larger.

    Raises
    ------
    QuantityError
        A resin that is not from coupons, or an earlier fit without scatter.
    """
    if not resins:
        raise QuantityError("prior: no earlier lot is named. Give at least one resin file.")
    for resin in resins:
        if not resin.verified:
            raise QuantityError(f"prior: {resin.path}: an unverified data sheet is no earlier lot. Give a file saved by fit.")
        if not resin.line.coupon_variance > 0 or not resin.degrees_of_freedom:
            raise QuantityError(f"prior: {resin.path}: the earlier fit shows no scatter, so it has no weight to give.")
    spreads = {"penetration_depth_spread": penetration_depth_spread, "critical_exposure_spread": critical_exposure_spread}
    for name, value in spreads.items():
        ratio(name, value, high=1.0)
    prior = prior_from_lots(
        [r.line.penetration_depth for r in resins],
        [r.line.log_threshold for r in resins],
        [covariance(line_of(r.line)) for r in resins],
        [math.sqrt(r.line.coupon_variance) for r in resins],
        [r.degrees_of_freedom for r in resins],
        slope_between=penetration_depth_spread,
        log_threshold_between=critical_exposure_spread,
    )
    return replace(prior, conditions=tuple(_conditions(r) for r in resins))


def _conditions(resin: Lot) -> Conditions:
    wavelength = None if resin.wavelength is None else float(resin.wavelength.m_as(NM))
    warm = None if resin.temperature is None else float(resin.temperature.m_as(DEGC))
    return Conditions(resin.lot or resin.name, wavelength, resin.machine, resin.power_meter, resin.gauge, warm)


def lot_from_resin(resin: Lot, name: str) -> Compared:
    """A saved lot ready to compare; only a plain least-squares fit holds what the F tests need.

    Raises
    ------
    QuantityError
    """
    if resin.coupons is None or resin.residual_sd is None or resin.depth_range is None:
        raise QuantityError(f"{resin.path or name}: an unverified resin cannot be compared. Give a coupon table or a saved fit.")
    if not resin.method.startswith("ordinary least squares") or "earlier lots" in resin.method:
        raise QuantityError(
            f"{resin.path or name}: this resin was fitted with {resin.method.split(' ', 1)[0]} weights or earlier lots, so it cannot "
            "be compared from its file. Give its coupon table."
        )
    return lot_from_line(
        name,
        resin.line,
        coupons=resin.coupons,
        residual_sd=float(resin.residual_sd.m_as(MM)),
        depth_low=float(resin.depth_range[0].m_as(MM)),
        depth_high=float(resin.depth_range[1].m_as(MM)),
        wavelength=None if resin.resin.wavelength is None else float(resin.resin.wavelength.m_as(NM)),
        machine=resin.machine,
    )


def resin_text(
    fit: Fit,
    *,
    name: str,
    wavelength: Quantity | None = None,
    temperature: Quantity | None = None,
    density: Quantity | None = None,
    refractive_index: float | None = None,
    names: dict[str, str] | None = None,
    date: str | None = None,
) -> str:
    """The text of the resin file of a fit; what is left out is taken from the coupon table."""
    from .. import __version__

    c, line = fit.coupons, fit.working_line
    known = _agreed(c.names, {k: v for k, v in (names or {}).items() if v})
    if wavelength is not None:
        number = positive("wavelength", wavelength, NM)
        if c.wavelength is not None and abs(number - c.wavelength) > SAME_WAVELENGTH:
            raise QuantityError(f"wavelength is {number:g} nm, but the coupon table says {c.wavelength:g} nm. Correct one of them.")
    elif c.wavelength is not None:
        wavelength = Quantity(c.wavelength, NM)
    if temperature is None and c.mean_temperature is not None:
        temperature = Quantity(round(float(c.mean_temperature.m_as(DEGC)), 2), DEGC)
    if density is not None:
        positive("density", density, G_CM3)
    lot = Lot(
        name=name or known.get("resin") or "resin",
        lot=known.get("lot", ""),
        wavelength=wavelength,
        temperature=temperature,
        refractive_index=refractive_index,
        density=density,
        source="coupons",
        penetration_depth=fit.penetration_depth,
        critical_exposure=fit.critical_exposure,
        correlation=fit.correlation,
        date=date or known.get("date") or datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        method=fit.method,
        confidence=fit.confidence,
        coupons=len(c),
        readings=int(c.readings.size),
        degrees_of_freedom=fit.degrees_of_freedom,
        t_degrees_of_freedom=line.t_degrees_of_freedom if math.isfinite(line.t_degrees_of_freedom) else None,
        residual_sd=fit.residual_sd,
        coupon_sd=Quantity(math.sqrt(line.coupon_variance), MM),
        centre_exposure=Quantity(math.exp(line.x_mean), MJ_CM2),
        centre_depth=Quantity(line.penetration_depth * (line.x_mean - line.log_threshold), MM),
        centre_depth_sd=Quantity(math.sqrt(line.mean_variance), MM),
        slope_sd=Quantity(math.sqrt(line.slope_variance), MM),
        exposure_low=Quantity(IN_CM2 * float(c.exposure.min()), MJ_CM2),
        exposure_high=Quantity(IN_CM2 * float(c.exposure.max()), MJ_CM2),
        depth_low=Quantity(float(c.thickness.min()), MM),
        depth_high=Quantity(float(c.thickness.max()), MM),
        varied=tuple(varied_settings(c)),
        excluded=tuple(f"{coupon.label}: {coupon.reason}" for coupon in fit.left_out),
        prior=tuple(fit.prior.names) if fit.prior is not None else (),
        machine=known.get("machine", ""),
        power_meter=known.get("power_meter", ""),
        gauge=known.get("gauge", ""),
        power_scale_uncertainty=fit.scales.power,
        beam_radius_scale_uncertainty=fit.scales.beam_radius,
        thickness_bias_uncertainty=Quantity(fit.scales.thickness, MM),
        raster="hatch_spacing" in c.settings,
        data_file=Path(c.path).name if c.path else "",
        data_sha256=c.sha256,
        warnings=tuple(fit.warnings),
        program=f"curecalc {__version__}",
    )
    return RESIN.text(lot, comment="Written by curecalc fit. Prove recipes on coupons before parts.")


def _agreed(table: dict[str, str], given: dict[str, str]) -> dict[str, str]:
    """What the table says and what was given, which must not contradict each other."""
    for name, value in given.items():
        if table.get(name, value) != value:
            raise QuantityError(f"{name} is {value!r}, but the coupon table says {table[name]!r}. Correct one of them.")
    return table | given


def save_fit(path: str | Path, fit: Fit, *, name: str = "", overwrite: bool = False, **more: Any) -> Path:
    """Write the resin file of a fit, in one step.

    Parameters
    ----------
    path : str or Path
    fit : Fit
    name : str
        Of the resin; the table's `resin` when left out.
    overwrite : bool
        Whether a file that stands may be replaced.
    more : optional
        `wavelength`, `temperature`, `density`, `refractive_index`, `names`, `date` as in `resin_text`.

    Returns
    -------
    Path

    Raises
    ------
    FileError, QuantityError
    """
    text = resin_text(fit, name=name, **more)
    write_bytes(path, text, overwrite=overwrite)
    return Path(path)


def lot_of_fit(fit: Fit, *, name: str = "", **more: Any) -> Lot:
    """The resin of a fit as if it had been saved and read again."""
    return RESIN.parse(resin_text(fit, name=name, **more), source="the fit")
