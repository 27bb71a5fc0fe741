"""The columns of a coupon table: what each is called, what it means, what must not be put there. Help, template and complaints read it."""

from __future__ import annotations

from ..files.tables import Column, explained

__all__ = ["COLUMNS", "coupon_template"]


def _setting(kind: str, about: str, *hints: str, never: str = "") -> Column:
    return Column(kind, sign="positive", once=True, hints=hints, about=about, never=never)


def _once(kind: str, about: str, *, sign: str = "any") -> Column:
    return Column(kind, sign=sign, only_once=True, about=about)


_WIDTH = "Of the beam at 1/e^2 of its peak, at the resin surface. Give one of radius, diameter, full width at half maximum."
COLUMNS: dict[str, Column] = {
    "coupon": Column(
        "text",
        required=True,
        aliases=("coupon label",),
        hints=("sample", "specimen", "id", "label", "part"),
        about="Label of the coupon. Rows with one label are readings of one coupon, and count once.",
    ),
    "thickness": Column(
        "length",
        required=True,
        sign="positive",
        hints=("depth", "cure depth", "height", "cured thickness"),
        about="One reading of the cured, washed and dried coupon, as the gauge shows it.",
    ),
    "exposure": _setting(
        "exposure",
        "Energy per area on the surface: the mean of a raster, the peak of a single line. Left out, it follows from the settings.",
        *("dose", "energy", "energy density", "fluence", "radiant exposure", "light dose"),
    ),
    "power": _setting("power", "Power that reaches the resin surface, not that on the laser's plate.", "laser power", "laser", "watt"),
    "scan_speed": _setting("speed", "Speed of the spot on the surface.", "speed", "velocity", "laser speed", "scan velocity"),
    "beam_radius": _setting(
        "length", _WIDTH, "radius", "spot radius", "spot size", "spot", "w0", never="Never a diameter, which is twice as large."
    ),
    "beam_diameter": _setting("length", _WIDTH, "diameter", "spot diameter"),
    "beam_fwhm": _setting("length", _WIDTH),
    "radius_ratio": _setting("number", "y radius over x radius of an elliptical spot.", "ellipticity", "axis ratio"),
    "spot_angle": Column("angle", once=True, about="From x to the first axis of an elliptical spot."),
    "track_angle": Column("angle", once=True, hints=("scan angle", "hatch angle", "direction"), about="From x to the tracks."),
    "pulse_rate": _setting("frequency", "Of a pulsed laser.", "repetition rate", "pulse frequency"),
    "incidence_angle": Column(
        "angle", once=True, hints=("tilt", "slant"), about="Of the beam from the vertical: 0, straight below the mirror."
    ),
    "hatch_spacing": _setting(
        "length",
        "Between neighbouring lines of a raster; left out, coupons are single lines.",
        *("spacing", "hatch", "pitch", "line spacing", "hatch distance"),
    ),
    "passes": _setting("whole", "How often each line was drawn."),
    "thickness_standard_uncertainty": _setting(
        "length",
        "By how much the mean of a coupon may differ from the line for reasons of its own, one standard deviation: how it was exposed, "
        "washed and handled, and how it was read.",
        never="Never the scatter of readings on one coupon, a tolerance, or the gauge's error that all coupons share: leave it out then.",
    ),
    "exposure_standard_uncertainty": _setting(
        "exposure",
        "By how much the exposure of a coupon may differ from the stated one, independently of the others, one standard deviation.",
        never="Never the power meter's scale error or that of the beam radius, which all coupons share: they are stated once.",
    ),
    "temperature": Column("temperature", once=True, blank=True, about="Of the resin when the coupon was exposed."),
    "run_order": Column("whole", blank=True, hints=("order", "run", "sequence"), about="1 for the coupon exposed first."),
    "note": Column("text", blank=True, once=True, about="Anything worth keeping."),
    "reason": Column(
        "text",
        blank=True,
        hints=("excluded", "left out", "reject", "exclusion"),
        about="Why the coupon is left out of the fit; it is named with its reason wherever the lot is shown.",
        never="Never for a coupon that only looks wrong.",
    ),
    "wavelength": _once("wavelength", "Of the laser.", sign="positive"),
    "resin": _once("text", "Name of the resin."),
    "lot": _once("text", "The maker's lot code."),
    "machine": _once("text", "Where the coupons were exposed."),
    "power_meter": _once("text", "What the power was read with."),
    "gauge": _once("text", "What the thickness was read with."),
    "gauge_resolution": _once("length", "Step of the gauge's display.", sign="positive"),
    "date": _once("text", "Of the exposures."),
    "operator": _once("text", "Who exposed and read them."),
}


def coupon_template() -> str:
    """A coupon table to fill in: every column explained in comments, the usual ones in the header, eight coupons of three readings."""
    comments = "\n".join(f"# {line}".rstrip() for line in explained(COLUMNS))
    rows = "".join(f"{k},,,,,\n" * 3 for k in range(1, 9))
    return (
        "# Coupons of one lot: one row a reading. Everything about one unit stands in the header, none in the cells.\n"
        "# Other columns, or what is the same for all coupons, may be added as explained here:\n"
        f"{comments}\n"
        "coupon,run order,exposure [mJ/cm^2],thickness [um],temperature [degC],note\n" + rows
    )
