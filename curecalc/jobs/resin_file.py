"""The resin file: what `fit --save` writes and `recipe --resin` reads, or what a data sheet says, marked unverified."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..calibration.comparing import Lot, lot_from_line
from ..calibration.curve import Fit
from ..calibration.datasheet import from_one_depth, from_two_depths, unverified_line
from ..calibration.findings import varied_settings
from ..calibration.prior import LinePrior, prior_from_lots
from ..errors import QuantityError
from ..files.documents import Document, Field, Schema, document_text, parse_document, read_document, write_text
from ..formulas.resin import BleachingResin, PowerThresholdResin, Resin
from ..statistics.working_line import WorkingLine, covariance, line_of
from ..units import DEGC, G_CM3, MJ_CM2, MM, NM, ONE, Measured, Quantity, Shown, positive, ratio

__all__ = [
    "RESIN",
    "LotResin",
    "lot_from_resin",
    "lot_of_fit",
    "prior_from_resins",
    "read_resin",
    "resin_from_document",
    "resin_text",
    "save_fit",
]


def _length(help: str = "", **more: Any) -> Field:
    return Field("length", help=help, **more)


_FIT = {
    "date": Field("text", help="When the coupons were fitted."),
    "method": Field("text"),
    "confidence": Field("number", low=0.5, high=1.0),
    "coupons": Field("whole", required=True, minimum=3),
    "readings": Field("whole", required=True, minimum=3),
    "degrees_of_freedom": Field("whole", required=True, minimum=1),
    "t_degrees_of_freedom": Field("number", help="Left out where stated uncertainties were taken as known."),
    "residual_sd": _length("Scatter of coupons about the line.", required=True, rule="nonnegative"),
    "coupon_sd": _length("Scatter of one coupon or layer about the line.", required=True, rule="nonnegative"),
    "centre_exposure": Field("exposure", required=True, help="Where height and slope of the line are uncorrelated."),
    "centre_depth_sd": _length("Standard uncertainty of the mean depth there.", required=True, rule="nonnegative"),
    "slope_sd": _length("Standard uncertainty of Dp.", required=True, rule="nonnegative"),
    "exposure_low": Field("exposure", required=True, help="Range of the coupons: the curve holds here."),
    "exposure_high": Field("exposure", required=True),
    "depth_low": _length(required=True),
    "depth_high": _length(required=True),
    "varied": Field("list", item=Field("text"), help="What was varied to change the exposure."),
    "excluded": Field("list", item=Field("text"), help="Coupons left out on request."),
    "prior": Field("list", item=Field("text"), help="Earlier lots that informed this one."),
    "machine": Field("text"),
    "power_meter": Field("text"),
    "gauge": Field("text"),
    "power_scale_uncertainty": Field("fraction", rule="nonnegative", help="Relative; common to all coupons."),
    "beam_radius_scale_uncertainty": Field("fraction", rule="nonnegative"),
    "thickness_bias_uncertainty": _length(rule="nonnegative"),
    "raster": Field("boolean", help="Coupons were rasters: mean exposure, free of the beam radius."),
    "data_file": Field("text"),
    "data_sha256": Field("text", help="Of the coupon table."),
    "warnings": Field("list", item=Field("text")),
    "program": Field("text"),
}

RESIN = Schema(
    "resin",
    {
        "name": Field("text", required=True, help="Shown on sheets.", example='"invented resin"'),
        "lot": Field("text", help="The maker's lot code."),
        "wavelength": Field("wavelength", help="At which the values hold.", example='"355 nm"'),
        "temperature": Field("temperature", help="Of the resin, at which the values hold.", example='"24 degC"', rule="finite"),
        "refractive_index": Field("number", low=1.0, high=4.0, help="Of the liquid; enters where the beam is tilted."),
        "density": Field("density", help="Of the liquid, for mass rates."),
        "source": Field("text", help="Where the values come from."),
        "penetration_depth": _length(
            "Dp and Ec; or leave Dp out and give Ec and one depth; or leave both out and give two depths.\n"
            "Values from a data sheet are unverified: their uncertainty is widened until coupons prove them.",
            uncertain=True,
            example='"0.15 mm"',
        ),
        "critical_exposure": Field("exposure", uncertain=True, example='"8 mJ/cm^2"'),
        "correlation": Field("number", rule="finite", low=-1.0, high=1.0, help="Of Dp and ln Ec."),
        "bleaching_exposure": Field("exposure", uncertain=True, example='"40 mJ/cm^2"', help="Eb of an initiator that bleaches."),
        "exponent": Field(
            "number", low=0.01, high=2.0, example="0.9", help="w of a resin in which reciprocity fails, with reference_irradiance."
        ),
        "exponent_uncertainty": Field("number", rule="nonnegative", high=1.0, help="Standard uncertainty of the exponent."),
        "reference_irradiance": Field("irradiance", example='"500 mW/mm^2"', help="At which the critical exposure holds."),
        "depths": Field(
            "tables",
            help="Exposure for a depth, from a data sheet.",
            fields={
                "depth": _length(required=True, example='"0.1 mm"'),
                "exposure": Field("exposure", required=True, example='"16 mJ/cm^2"'),
            },
        ),
        "fit": Field("table", fields=_FIT, help="Written by curecalc fit --save; do not edit."),
    },
    help="A resin: penetration depth and critical exposure, from coupons or from a data sheet.",
)


@dataclass(frozen=True)
class LotResin(Shown):
    """A resin as the recipe needs it.

    Attributes
    ----------
    resin : Resin
        Dp and Ec with standard uncertainties.
    line : WorkingLine
        Kernel numbers for depths, bounds and assurance (`calibration.working_line`).
    verified : bool
        From coupons; False for a data sheet.
    exposure_range, depth_range : tuple of Quantity or None
        Where the coupons were; None when unverified.
    power_scale_uncertainty, beam_radius_scale_uncertainty : float
        Relative standard uncertainties common to all coupons; they cancel on the `machine` and with the `power_meter` that
        made the coupons, and count elsewhere.
    thickness_bias_uncertainty : Quantity
    """

    resin: Resin
    line: WorkingLine
    verified: bool
    lot: str = ""
    density: Quantity | None = None
    exposure_range: tuple[Quantity, Quantity] | None = None
    depth_range: tuple[Quantity, Quantity] | None = None
    residual_sd: Quantity | None = None
    degrees_of_freedom: int | None = None
    coupons: int | None = None
    machine: str = ""
    power_meter: str = ""
    gauge: str = ""
    date: str = ""
    method: str = ""
    varied: tuple[str, ...] = ()
    raster: bool = False
    power_scale_uncertainty: float = 0.0
    beam_radius_scale_uncertainty: float = 0.0
    thickness_bias_uncertainty: Quantity = Quantity(0.0, MM)  # noqa: RUF009 (a scalar quantity, never changed)
    data_sha256: str = ""
    source: str = ""
    warnings: tuple[str, ...] = ()
    path: str = ""
    sha256: str = ""
    text: str = ""


def read_resin(path: str | Path) -> LotResin:
    """The resin in a file.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, a form that is none of the three, values that disagree.
    """
    return resin_from_document(read_document(path, RESIN))


def resin_from_document(document: Document) -> LotResin:
    """The resin of a document already read with the schema `RESIN`."""
    v = document.values
    fit, depths = v["fit"], v["depths"] or []
    dp, ec = v["penetration_depth"], v["critical_exposure"]
    if fit is not None:
        if dp is None or ec is None or depths:
            raise document.error("fit", "a fitted resin has penetration_depth and critical_exposure and no depths. Save the fit again.")
        return _fitted(document, dp, ec, fit)
    return _unverified(document, dp, ec, depths)


def _common(document: Document) -> dict[str, Any]:
    v = document.values
    return {
        "lot": v["lot"] or "",
        "density": v["density"],
        "source": v["source"] or "",
        "path": document.path,
        "sha256": document.sha256,
        "text": document.text,
    }


NO_WAVELENGTH = "The resin file does not say at which wavelength its values hold: make sure it is this laser's."


def _record(
    document: Document,
    dp: Measured,
    ec: Measured,
    correlation: float,
    *,
    notes: tuple[str, ...] = (),
    depth_range: tuple[Quantity, Quantity] | None = None,
) -> Resin:
    v = document.values
    if v["wavelength"] is None:
        notes = (*notes, NO_WAVELENGTH)
    common: dict[str, Any] = {
        "penetration_depth": dp,
        "critical_exposure": ec,
        "correlation": correlation,
        "wavelength": v["wavelength"],
        "temperature": v["temperature"],
        "name": v["name"],
        "notes": notes,
        "depth_range": depth_range,
        **({} if v["refractive_index"] is None else {"refractive_index": float(v["refractive_index"])}),
    }
    bleaching, exponent, reference = v["bleaching_exposure"], v["exponent"], v["reference_irradiance"]
    if (exponent is None) != (reference is None):
        raise document.error(
            "exponent" if reference is None else "reference_irradiance",
            "exponent and reference_irradiance go together. Give both, or neither.",
        )
    if bleaching is not None and exponent is not None:
        raise document.error("bleaching_exposure", "a resin bleaches or fails reciprocity: give bleaching_exposure or exponent.")
    if bleaching is not None:
        return BleachingResin(**common, bleaching_exposure=bleaching)
    if exponent is not None:
        spread = Quantity(float(v["exponent_uncertainty"] or 0.0), ONE)
        return PowerThresholdResin(**common, exponent=Measured(Quantity(float(exponent), ONE), spread), reference_irradiance=reference)
    return Resin(**common)


def _fitted(document: Document, dp: Measured, ec: Measured, fit: dict[str, Any]) -> LotResin:
    def mm(key: str) -> float:
        return float(fit[key].m_as(MM))

    low, high = fit["exposure_low"], fit["exposure_high"]
    if not low.m_as(MJ_CM2) < high.m_as(MJ_CM2):
        raise document.error(("fit", "exposure_low"), "must be below exposure_high. Save the fit again.")
    line = WorkingLine(
        penetration_depth=float(dp.value.m_as(MM)),
        log_threshold=math.log(ec.value.m_as(MJ_CM2)),
        x_mean=math.log(fit["centre_exposure"].m_as(MJ_CM2)),
        mean_variance=mm("centre_depth_sd") ** 2,
        slope_variance=mm("slope_sd") ** 2,
        coupon_variance=mm("coupon_sd") ** 2,
        t_degrees_of_freedom=math.inf if fit["t_degrees_of_freedom"] is None else float(fit["t_degrees_of_freedom"]),
        x_low=math.log(low.m_as(MJ_CM2)),
        x_high=math.log(high.m_as(MJ_CM2)),
    )
    correlation, depths = float(document["correlation"] or 0.0), (fit["depth_low"], fit["depth_high"])
    return LotResin(
        resin=_record(document, dp, ec, correlation, depth_range=depths),
        line=line,
        verified=True,
        exposure_range=(low, high),
        depth_range=depths,
        residual_sd=fit["residual_sd"],
        degrees_of_freedom=int(fit["degrees_of_freedom"]),
        coupons=int(fit["coupons"]),
        machine=fit["machine"] or "",
        power_meter=fit["power_meter"] or "",
        gauge=fit["gauge"] or "",
        date=fit["date"] or "",
        method=fit["method"] or "",
        varied=tuple(fit["varied"] or ()),
        raster=bool(fit["raster"]),
        power_scale_uncertainty=float(fit["power_scale_uncertainty"] or 0.0),
        beam_radius_scale_uncertainty=float(fit["beam_radius_scale_uncertainty"] or 0.0),
        thickness_bias_uncertainty=fit["thickness_bias_uncertainty"] or Quantity(0.0, MM),
        data_sha256=fit["data_sha256"] or "",
        warnings=tuple(fit["warnings"] or ()),
        **_common(document),
    )


def _unverified(document: Document, dp: Measured | None, ec: Measured | None, depths: list[dict[str, Any]]) -> LotResin:
    forms = "give penetration_depth and critical_exposure, or critical_exposure and one entry of depths, or two entries of depths"
    pairs = [(float(d["depth"].m_as(MM)), math.log(d["exposure"].m_as(MJ_CM2))) for d in depths]
    try:
        if dp is not None and ec is not None and not pairs:
            slope, threshold, how = float(dp.value.m_as(MM)), math.log(ec.value.m_as(MJ_CM2)), "Dp and Ec"
        elif dp is None and ec is not None and len(pairs) == 1:
            threshold = math.log(ec.value.m_as(MJ_CM2))
            slope = from_one_depth(log_threshold=threshold, depth=pairs[0][0], log_exposure=pairs[0][1])
            how = "Ec and the exposure for one depth"
        elif dp is None and ec is None and len(pairs) == 2:
            slope, threshold = from_two_depths(depths=(pairs[0][0], pairs[1][0]), log_exposures=(pairs[0][1], pairs[1][1]))
            how = "the exposures for two depths"
        else:
            given = [n for n, q in (("penetration_depth", dp), ("critical_exposure", ec)) if q is not None]
            given += [f"{len(pairs)} of depths"] if pairs else []
            raise document.error(
                "penetration_depth" if dp is not None else "critical_exposure" if ec is not None else "depths",
                f"got {', '.join(given) or 'none of the three forms'}: {forms}.",
            )
    except QuantityError as error:
        raise document.error("depths", str(error)) from None
    line = unverified_line(
        penetration_depth=slope,
        log_threshold=threshold,
        correlation=float(document["correlation"] or 0.0),
        relative_penetration_depth=dp.relative if dp is not None else 0.0,
        relative_critical_exposure=ec.relative if ec is not None else 0.0,
    )
    u_ec = math.exp(threshold) * _relative_ec(line)
    said = (
        f"Unverified: {how} of a data sheet, taken with {100 * math.sqrt(line.slope_variance) / slope:.0f} % standard uncertainty of Dp "
        f"and {100 * _relative_ec(line):.0f} % of Ec. Expose coupons and save a fit before building parts."
    )
    resin = _record(
        document,
        Measured(Quantity(slope, MM), Quantity(math.sqrt(line.slope_variance), MM)),
        Measured(Quantity(math.exp(threshold), MJ_CM2), Quantity(u_ec, MJ_CM2)),
        float(document["correlation"] or 0.0) if dp is not None else 0.0,
        notes=(said,),
    )
    return LotResin(resin=resin, line=line, verified=False, method=how, warnings=(said,), **_common(document))


def _relative_ec(line: WorkingLine) -> float:
    away = line.log_threshold - line.x_mean
    return math.sqrt(line.mean_variance + away**2 * line.slope_variance) / line.penetration_depth


def prior_from_resins(
    resins: Sequence[LotResin], *, penetration_depth_spread: float = 0.05, critical_exposure_spread: float = 0.15
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
        ratio(name, value, low=0.0, high=1.0)
    return prior_from_lots(
        [r.line.penetration_depth for r in resins],
        [r.line.log_threshold for r in resins],
        [covariance(line_of(r.line)) for r in resins],
        [math.sqrt(r.line.coupon_variance) for r in resins],
        [r.degrees_of_freedom for r in resins],
        slope_between=penetration_depth_spread,
        log_threshold_between=critical_exposure_spread,
    )


def lot_from_resin(resin: LotResin, name: str) -> Lot:
    """A saved lot ready to compare; only a plain least-squares fit holds what the F tests need.

    Raises
    ------
    QuantityError
    """
    if not resin.verified or resin.coupons is None or resin.residual_sd is None or resin.depth_range is None:
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
    )


# ---------------------------------------------------------------- writing


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
        if c.wavelength is not None and abs(number - c.wavelength) > 0.5:
            raise QuantityError(f"wavelength is {number:g} nm, but the coupon table says {c.wavelength:g} nm. Correct one of them.")
    elif c.wavelength is not None:
        wavelength = Quantity(c.wavelength, NM)
    if temperature is None and c.temperature is not None and np.isfinite(c.temperature).any():
        temperature = Quantity(round(float(np.nanmean(c.temperature)), 2), DEGC)
    if density is not None:
        positive("density", density, G_CM3)
    when = date or known.get("date") or datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    table = {
        "date": when,
        "method": fit.method,
        "confidence": fit.confidence,
        "coupons": len(c),
        "readings": int(c.readings.size),
        "degrees_of_freedom": fit.degrees_of_freedom,
        "t_degrees_of_freedom": line.t_degrees_of_freedom if math.isfinite(line.t_degrees_of_freedom) else None,
        "residual_sd": fit.residual_sd,
        "coupon_sd": Quantity(math.sqrt(line.coupon_variance), MM),
        "centre_exposure": Quantity(math.exp(line.x_mean), MJ_CM2),
        "centre_depth_sd": Quantity(math.sqrt(line.mean_variance), MM),
        "slope_sd": Quantity(math.sqrt(line.slope_variance), MM),
        "exposure_low": Quantity(100.0 * float(c.exposure.min()), MJ_CM2),
        "exposure_high": Quantity(100.0 * float(c.exposure.max()), MJ_CM2),
        "depth_low": Quantity(float(c.thickness.min()), MM),
        "depth_high": Quantity(float(c.thickness.max()), MM),
        "varied": varied_settings(c) or None,
        "excluded": list(fit.excluded) or None,
        "prior": list(fit.prior.names) if fit.prior is not None else None,
        "machine": known.get("machine"),
        "power_meter": known.get("power_meter"),
        "gauge": known.get("gauge"),
        "power_scale_uncertainty": fit.scales.power or None,
        "beam_radius_scale_uncertainty": fit.scales.beam_radius or None,
        "thickness_bias_uncertainty": Quantity(fit.scales.thickness, MM) if fit.scales.thickness else None,
        "raster": "hatch_spacing" in c.settings,
        "data_file": Path(c.path).name if c.path else None,
        "data_sha256": c.sha256 or None,
        "warnings": list(fit.warnings) or None,
        "program": f"curecalc {__version__}",
    }
    values = {
        "name": name or known.get("resin") or "resin",
        "lot": known.get("lot"),
        "wavelength": wavelength,
        "temperature": temperature,
        "refractive_index": refractive_index,
        "density": density,
        "source": "coupons",
        "penetration_depth": fit.penetration_depth,
        "critical_exposure": fit.critical_exposure,
        "correlation": fit.correlation,
        "fit": table,
    }
    return document_text(RESIN, values, comment="Written by curecalc fit. Prove recipes on coupons before parts.")


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
    write_text(path, text, overwrite=overwrite)
    return Path(path)


def lot_of_fit(fit: Fit, *, name: str = "", **more: Any) -> LotResin:
    """The resin of a fit as if it had been saved and read again."""
    return resin_from_document(parse_document(resin_text(fit, name=name, **more), RESIN, source="the fit"))
