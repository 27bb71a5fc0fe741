"""The resin lot and its file: what `fit --save` writes and `recipe --resin` reads, or a data sheet's values, marked unverified."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any, Self

from ..calibration.datasheet import from_one_depth, from_two_depths, unverified_line
from ..errors import QuantityError
from ..files.places import KeyPath
from ..files.records import Key, Origin, RecordFile, documented
from ..formulas.resin import BleachingResin, PowerThresholdResin, Resin
from ..statistics.working_line import WorkingLine
from ..symbols import percent
from ..units import MJ_CM2, MM, ONE, Measured, Quantity

__all__ = ["NO_WAVELENGTH", "RESIN", "Lot", "SheetDepth", "read_resin"]

NO_WAVELENGTH = "The resin file does not say at which wavelength its values hold: make sure it is this laser's."
_FORMS = "give penetration_depth and critical_exposure, or critical_exposure and one entry of depths, or two entries of depths"
_SHEETS = {("penetration_depth", "critical_exposure"): 0, ("critical_exposure",): 1, (): 2}  # how many depths go with them
_NO_LENGTH = Quantity(0.0, MM)
_SAME = 1e-4  # numbers of one fit, saved to the last digit, agree far better
_fit = partial(Key, table="fit")
_texts = partial(Key, "list", item=Key("text"), table="fit")
_scatter = partial(Key, "length", table="fit", rule="nonnegative")


@dataclass(frozen=True, kw_only=True)
class SheetDepth:
    """The exposure a data sheet names for a depth."""

    depth: Annotated[Quantity, Key("length", example="0.1 mm")]
    exposure: Annotated[Quantity, Key("exposure", example="16 mJ/cm^2")]


@documented
@dataclass(frozen=True, kw_only=True)
class Lot(Origin):
    """A resin lot as its file states it; every `resin=` of this package takes one.

    Its common scale uncertainties (power meter, beam radius) cancel on the `machine` and with the `power_meter` that made the
    coupons, and count elsewhere. What follows from the file: `resin`, `line`, `verified`, `exposure_range`, `depth_range`.
    """

    name: Annotated[str, Key("text", "Shown on sheets.", "invented resin")]
    lot: Annotated[str, Key("text", "The maker's lot code.")] = ""
    wavelength: Annotated[Quantity | None, Key("wavelength", "At which the values hold.", "355 nm")] = None
    temperature: Annotated[
        Quantity | None, Key("temperature", "Of the resin, at which the values hold.", "24 degC", rule="finite", start=True)
    ] = None
    refractive_index: Annotated[float | None, Key("number", "Of the liquid; enters where the beam is tilted.", low=1.0, high=4.0)] = None
    density: Annotated[Quantity | None, Key("density", "Of the liquid, for mass rates.")] = None
    source: Annotated[str, Key("text", "Where the values come from.")] = ""
    penetration_depth: Annotated[
        Measured | None,
        Key(
            "length",
            "Dp and Ec; or leave Dp out and give Ec and one depth; or leave both out and give two depths.\n"
            "Values from a data sheet are unverified: their uncertainty is widened until coupons prove them.",
            "0.15 mm",
            uncertain=True,
            start="0.15 mm +- 5 %",
        ),
    ] = None
    critical_exposure: Annotated[Measured | None, Key("exposure", uncertain=True, example="8 mJ/cm^2", start="8 mJ/cm^2 +- 10 %")] = None
    correlation: Annotated[float, Key("number", "Of Dp and ln Ec.", rule="finite", low=-1.0, high=1.0)] = 0.0
    bleaching_exposure: Annotated[Measured | None, Key("exposure", "Eb of an initiator that bleaches.", "40 mJ/cm^2", uncertain=True)] = (
        None
    )
    exponent: Annotated[
        float | None, Key("number", "w of a resin in which reciprocity fails, with reference_irradiance.", "0.9", low=0.01, high=2.0)
    ] = None
    exponent_uncertainty: Annotated[float, Key("number", "Standard uncertainty of the exponent.", rule="nonnegative", high=1.0)] = 0.0
    reference_irradiance: Annotated[Quantity | None, Key("irradiance", "At which the critical exposure holds.", "500 mW/mm^2")] = None
    depths: Annotated[tuple[SheetDepth, ...], Key("tables", "Exposure for a depth, from a data sheet.", of=SheetDepth)] = ()
    date: Annotated[str, _fit("text", "When the coupons were fitted.")] = ""
    method: Annotated[str, _fit("text")] = ""
    confidence: Annotated[float | None, _fit("number", low=0.5, high=1.0)] = None
    coupons: Annotated[int | None, _fit("whole", required=True, minimum=3)] = None
    readings: Annotated[int | None, _fit("whole", required=True, minimum=3)] = None
    degrees_of_freedom: Annotated[int | None, _fit("whole", required=True, minimum=1)] = None
    t_degrees_of_freedom: Annotated[float | None, _fit("number", "Left out where stated uncertainties were taken as known.")] = None
    residual_sd: Annotated[Quantity | None, _scatter("Scatter of coupons about the line.", required=True)] = None
    coupon_sd: Annotated[Quantity | None, _scatter("Scatter of one coupon or layer about the line.", required=True)] = None
    centre_exposure: Annotated[Quantity | None, _fit("exposure", "Where height and slope of the line are uncorrelated.", required=True)] = (
        None
    )
    centre_depth: Annotated[Quantity | None, _fit("length", "Mean depth there; by it a value that was changed by hand shows.")] = None
    centre_depth_sd: Annotated[Quantity | None, _scatter("Standard uncertainty of the mean depth there.", required=True)] = None
    slope_sd: Annotated[Quantity | None, _scatter("Standard uncertainty of Dp.", required=True)] = None
    exposure_low: Annotated[Quantity | None, _fit("exposure", "Range of the coupons: the curve holds here.", required=True)] = None
    exposure_high: Annotated[Quantity | None, _fit("exposure", required=True)] = None
    depth_low: Annotated[Quantity | None, _fit("length", required=True)] = None
    depth_high: Annotated[Quantity | None, _fit("length", required=True)] = None
    varied: Annotated[tuple[str, ...], _texts("What was varied to change the exposure.")] = ()
    excluded: Annotated[tuple[str, ...], _texts("Coupons left out, and why.")] = ()
    prior: Annotated[tuple[str, ...], _texts("Earlier lots that informed this one.")] = ()
    machine: Annotated[str, _fit("text")] = ""
    power_meter: Annotated[str, _fit("text")] = ""
    gauge: Annotated[str, _fit("text")] = ""
    power_scale_uncertainty: Annotated[float, _fit("fraction", "Relative; common to all coupons.", rule="nonnegative")] = 0.0
    beam_radius_scale_uncertainty: Annotated[float, _fit("fraction", rule="nonnegative")] = 0.0
    thickness_bias_uncertainty: Annotated[Quantity, _scatter()] = _NO_LENGTH
    raster: Annotated[bool, _fit("boolean", "Coupons were rasters: mean exposure, free of the beam radius.")] = False
    data_file: Annotated[str, _fit("text")] = ""
    data_sha256: Annotated[str, _fit("text", "Of the coupon table.")] = ""
    warnings: Annotated[tuple[str, ...], _texts()] = ()
    program: Annotated[str, _fit("text")] = ""

    @property
    def verified(self) -> bool:
        """From coupons; no for a data sheet."""
        return self.coupons is not None

    @property
    def exposure_range(self) -> tuple[Quantity, Quantity] | None:
        """Where the coupons were; None when unverified."""
        return None if self.exposure_low is None or self.exposure_high is None else (self.exposure_low, self.exposure_high)

    @property
    def depth_range(self) -> tuple[Quantity, Quantity] | None:
        """Where the coupons were; None when unverified."""
        return None if self.depth_low is None or self.depth_high is None else (self.depth_low, self.depth_high)

    @cached_property
    def _sheet(self) -> tuple[float, float, str]:
        """Dp in mm and ln Ec (mJ/cm^2) as stated, and from what."""
        dp, ec = self.penetration_depth, self.critical_exposure
        pairs = [(float(d.depth.m_as(MM)), math.log(d.exposure.m_as(MJ_CM2))) for d in self.depths]
        if dp is None and ec is None:
            depths, log_exposures = zip(*pairs)
            slope, threshold = from_two_depths(depths=depths, log_exposures=log_exposures)
            return slope, threshold, "the exposures for two depths"
        assert ec is not None
        threshold = math.log(ec.value.m_as(MJ_CM2))
        if dp is not None:
            return float(dp.value.m_as(MM)), threshold, "Dp and Ec"
        ((depth, log_exposure),) = pairs
        slope = from_one_depth(log_threshold=threshold, depth=depth, log_exposure=log_exposure)
        return slope, threshold, "Ec and the exposure for one depth"

    @cached_property
    def line(self) -> WorkingLine:
        """Kernel numbers for depths, bounds and assurance (`statistics.working_line`)."""
        dp, ec = self.penetration_depth, self.critical_exposure
        slope, threshold, _ = self._sheet
        if self.centre_exposure is None or self.exposure_range is None:
            return unverified_line(
                penetration_depth=slope,
                log_threshold=threshold,
                correlation=self.correlation,
                relative_penetration_depth=dp.relative if dp is not None else 0.0,
                relative_critical_exposure=ec.relative if ec is not None else 0.0,
            )
        low, high = (math.log(end.m_as(MJ_CM2)) for end in self.exposure_range)
        return WorkingLine(
            penetration_depth=slope,
            log_threshold=threshold,
            x_mean=math.log(self.centre_exposure.m_as(MJ_CM2)),
            mean_variance=_variance(self.centre_depth_sd),
            slope_variance=_variance(self.slope_sd),
            coupon_variance=_variance(self.coupon_sd),
            t_degrees_of_freedom=math.inf if self.t_degrees_of_freedom is None else self.t_degrees_of_freedom,
            x_low=low,
            x_high=high,
        )

    @property
    def _edited(self) -> bool:
        """Whether Dp, Ec or their correlation cannot be those of the fit that the table describes (plain curves)."""
        if self.bleaching_exposure is not None or self.exponent is not None or self.penetration_depth is None:
            return False
        line, u = self.line, float(self.penetration_depth.standard_uncertainty.m_as(MM))
        relative, slope = _relative_ec(line), math.sqrt(line.slope_variance)
        depth = line.penetration_depth * (line.x_mean - line.log_threshold)
        if self.centre_depth is not None and abs(depth - self.centre_depth.m_as(MM)) > _SAME * line.penetration_depth:
            return True
        if slope == 0.0:
            return False
        correlation = (line.x_mean - line.log_threshold) * slope / (line.penetration_depth * relative)
        return abs(correlation - self.correlation) > _SAME or abs(u / slope - 1.0) > _SAME

    @cached_property
    def resin(self) -> Resin:
        """The resin for calculations: Dp and Ec with standard uncertainties, in the cure law that the file states."""
        dp, ec, correlation = self.penetration_depth, self.critical_exposure, self.correlation
        if not self.verified:
            slope, threshold, _ = self._sheet
            correlation = correlation if dp is not None else 0.0
            dp = Measured(Quantity(slope, MM), Quantity(math.sqrt(self.line.slope_variance), MM))
            critical = math.exp(threshold)
            ec = Measured(Quantity(critical, MJ_CM2), Quantity(critical * _relative_ec(self.line), MJ_CM2))
        common: dict[str, Any] = {
            "penetration_depth": dp,
            "critical_exposure": ec,
            "correlation": correlation,
            "wavelength": self.wavelength,
            "temperature": self.temperature,
            "name": self.name,
            "notes": (*(() if self.verified else self.warnings), *(() if self.wavelength is not None else (NO_WAVELENGTH,))),
            "depth_range": self.depth_range,
            **({} if self.refractive_index is None else {"refractive_index": self.refractive_index}),
        }
        if self.bleaching_exposure is not None:
            return BleachingResin(**common, bleaching_exposure=self.bleaching_exposure)
        if self.exponent is not None and self.reference_irradiance is not None:
            exponent = Measured(Quantity(self.exponent, ONE), Quantity(self.exponent_uncertainty, ONE))
            return PowerThresholdResin(**common, exponent=exponent, reference_irradiance=self.reference_irradiance)
        return Resin(**common)

    def problems(self) -> Iterator[tuple[str | KeyPath, str]]:
        """What disagrees between fields."""
        given = [name for name in ("penetration_depth", "critical_exposure") if getattr(self, name) is not None]
        if self.verified:
            if len(given) < 2 or self.depths:
                yield ("fit",), "a fitted resin has penetration_depth and critical_exposure and no depths. Save the fit again."
            if self.exposure_range is not None and not self.exposure_range[0] < self.exposure_range[1]:
                yield "exposure_low", "must be below exposure_high. Save the fit again."
        elif _SHEETS.get(tuple(given)) != len(self.depths):
            named = ", ".join(given + ([f"{len(self.depths)} of depths"] if self.depths else []))
            yield given[0] if given else "depths", f"got {named or 'none of the three forms'}: {_FORMS}."
        else:
            try:
                self._sheet  # noqa: B018
            except QuantityError as error:
                yield "depths", str(error)
        if (self.exponent is None) != (self.reference_irradiance is None):
            odd = "exponent" if self.reference_irradiance is None else "reference_irradiance"
            yield odd, "exponent and reference_irradiance go together. Give both, or neither."
        if self.depths and (self.bleaching_exposure is not None or self.exponent is not None):
            yield "depths", "an exposure for a depth is read by the plain curve: give penetration_depth and critical_exposure instead."
        if self.bleaching_exposure is not None and self.exponent is not None:
            yield "bleaching_exposure", "a resin bleaches or fails reciprocity: give bleaching_exposure or exponent."

    def completed(self) -> Self:
        """A data sheet with the sentence that it is unverified; whatever the resin refuses is refused here."""
        done = self
        if self.verified and self._edited:
            said = (
                "Dp, Ec and their correlation do not agree with the [fit] table of the same file: one of them was changed by hand since. "
                "Save the fit again."
            )
            done = replace(self, warnings=(*self.warnings, said))
        if not self.verified:
            line, how = self.line, self._sheet[2]
            of_depth = percent(math.sqrt(line.slope_variance) / line.penetration_depth, ".0f")
            said = (
                f"Unverified: {how} of a data sheet, taken with {of_depth} standard uncertainty of Dp and "
                f"{percent(_relative_ec(line), '.0f')} of Ec. Expose coupons and save a fit before building parts."
            )
            done = replace(self, method=how, warnings=(said,))
        done.resin  # noqa: B018
        return done


def _variance(sd: Quantity | None) -> float:
    return 0.0 if sd is None else float(sd.m_as(MM)) ** 2


def _relative_ec(line: WorkingLine) -> float:
    away = line.log_threshold - line.x_mean
    return math.sqrt(line.mean_variance + away**2 * line.slope_variance) / line.penetration_depth


RESIN = RecordFile(
    Lot,
    "resin",
    help="A resin: penetration depth and critical exposure, from coupons or from a data sheet.",
    tables={"fit": "Written by curecalc fit --save; do not edit."},
)


def read_resin(path: str | Path) -> Lot:
    """The resin in a file.

    Raises
    ------
    FileError
        Unreadable, unknown or missing key, a form that is none of the three, values that disagree.
    """
    return RESIN.read(path)
