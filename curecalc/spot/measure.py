"""One call from a file to its answer: the kind is recognised, settings in the file and options are brought together."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError
from ..units import MM, MM_S, MW, NM, Measured, Quantity, QuantityError, S, show
from .field import Place
from .files import Measurement, read_measurement
from .focus import caustic_beam
from .indirect import cured_line_beam
from .light import Loss, PowerMeasurement, beam_power
from .mapping import field_beam
from .measurement import BeamMeasurement
from .openings import pinhole_beam, slit_beam
from .pictures import image_beam
from .scans import knife_edge_beam

__all__ = ["OPTIONS_OF", "measure_file"]

_SCAN = {"scale_uncertainty", "keep_straight", "position_uncertainty"}
OPTIONS_OF: dict[str, set[str]] = {
    "knife-edge": _SCAN | {"clip_level"},
    "slit": _SCAN | {"slit_width"},
    "pinhole": _SCAN | {"pinhole_diameter"},
    "image": {"pixel_size", "pixel_size_y", "full_scale", "camera_angle", "mirrored", "moved_image", "moved", "penetration_depth"},
    "caustic": {"wavelength", "position_uncertainty", "surface_position", "wanted_radius", "relative_errors"},
    "field": {"scale_uncertainty"},
    "cured-lines": {"power", "model_uncertainty"},
    "power": {"meter_uncertainty", "meter_degrees_of_freedom", "dark_reading", "resolution", "losses", "keep_warm_up"},
}
"""Which options speak to which kind of measurement; `wavelength` and `power` may also go with any, for the beam record."""

_FROM_FILE = {
    "wavelength": NM,
    "position_uncertainty": MM,
    "slit_width": MM,
    "pinhole_diameter": MM,
    "surface_position": MM,
    "pixel_size": MM,
    "pixel_size_y": MM,
    "power": MW,
}


def measure_file(
    path: str | Path,
    *,
    kind: str | None = None,
    data: bytes | None = None,
    wavelength: Quantity | None = None,
    power: Measured | Quantity | None = None,
    slit_width: Measured | Quantity | None = None,
    pinhole_diameter: Measured | Quantity | None = None,
    pixel_size: Measured | Quantity | None = None,
    pixel_size_y: Measured | Quantity | None = None,
    full_scale: float | None = None,
    camera_angle: Measured | Quantity | None = None,
    mirrored: bool | None = None,
    moved_image: str | Path | None = None,
    moved: tuple[Quantity, Quantity] | None = None,
    penetration_depth: Measured | Quantity | None = None,
    surface_position: Quantity | None = None,
    wanted_radius: Quantity | None = None,
    relative_errors: bool | None = None,
    clip_level: float | None = None,
    position_uncertainty: Quantity | None = None,
    scale_uncertainty: float | None = None,
    keep_straight: bool | None = None,
    model_uncertainty: float | None = None,
    meter_uncertainty: float | None = None,
    meter_degrees_of_freedom: float | None = None,
    dark_reading: Quantity | None = None,
    resolution: Quantity | None = None,
    losses: Sequence[Loss] | None = None,
    keep_warm_up: bool | None = None,
    confidence: float = 0.95,
) -> BeamMeasurement | PowerMeasurement:
    """Beam radius (or power) from a file of measurements.

    Parameters
    ----------
    path : str or Path
        A table of a scan, a caustic, cured lines or power readings, or a picture.
    kind : str, optional
        knife-edge, slit, pinhole, image, caustic, cured-lines or power; recognised from the file when left out.
    data : bytes, optional
        The file's content where it is in memory; `path` is then its name only.
    wavelength, power, slit_width, pinhole_diameter, pixel_size, pixel_size_y, full_scale : optional
        As in `slit_beam`, `pinhole_beam` and `image_beam`; an option that does not belong to the kind of the file is refused.
    camera_angle, mirrored, moved_image, moved : optional
        As in `image_beam`; `moved_image` is a file.
    penetration_depth, surface_position, wanted_radius, relative_errors : optional
        As in `cured_line_beam` and `caustic_beam`.
    clip_level, position_uncertainty, scale_uncertainty : optional
        As in `cured_line_beam`, `caustic_beam` and `knife_edge_beam`.
    keep_straight : bool, optional
        Leave tilt and drift out of a scan's fit.
    model_uncertainty, meter_uncertainty, meter_degrees_of_freedom, dark_reading, resolution, losses, keep_warm_up : optional
        As in `cured_line_beam` and `beam_power`.
    confidence : float
        Of the intervals.

    Returns
    -------
    BeamMeasurement or PowerMeasurement

    Raises
    ------
    FileError
        The file, or data in it that cannot give an answer; the message says what to measure instead.
    QuantityError
        An option out of range or one that does not belong here.
    """
    given = {k: v for k, v in locals().items() if k not in ("path", "kind", "data", "confidence") and v is not None}
    found = read_measurement(path, kind=kind, data=data)
    options = _options(found, given)
    run: Any = {
        "knife-edge": _knife_edge,
        "slit": _slit,
        "pinhole": _pinhole,
        "image": _image,
        "caustic": _caustic,
        "field": _field,
        "cured-lines": _cured_lines,
        "power": _power,
    }[found.kind]
    try:
        result: BeamMeasurement | PowerMeasurement = run(found, options, confidence)
    except QuantityError as error:
        if str(error).split(" ")[0] in given:  # an option out of range, no fault of the file
            raise
        raise FileError(f"{found.path}: {error}") from None
    more: dict[str, Any] = {"source": Path(found.path).name, "sha256": found.sha256, "notes": found.notes + result.notes}
    if isinstance(result, BeamMeasurement):
        more["wavelength"] = options.get("wavelength")
    return dataclasses.replace(result, **more)


def _options(found: Measurement, given: dict[str, Any]) -> dict[str, Any]:
    """Options with what the file states put in; refused where they do not belong or disagree."""
    allowed = OPTIONS_OF[found.kind] | {"wavelength", "power"}
    if found.kind == "power":
        allowed -= {"power"}
    for name in given:
        if name not in allowed:
            kinds = " or ".join(k for k, names in OPTIONS_OF.items() if name in names)
            raise QuantityError(
                f"{name} does not belong to a file of kind {found.kind}, but to {kinds or 'another'}. Leave it out, or say what the file "
                "is with kind=."
            )
    options = dict(given)
    for name, value in found.settings.items():
        if name not in _FROM_FILE or name not in allowed:
            continue
        stated = Quantity(value, _FROM_FILE[name])
        if name in options:
            mine = options[name].value if isinstance(options[name], Measured) else options[name]
            if not math.isclose(float(mine.m_as(_FROM_FILE[name])), value):
                raise QuantityError(f"{name} is {show(mine)} here, but the file {found.path} states {show(stated)}. Correct one of them.")
        else:
            options[name] = stated
    return options


def _reading(found: Measurement) -> Any:
    if "power" in found.columns and "signal" in found.columns:
        raise QuantityError("both a power and a signal column are given. Keep the one that was measured.")
    return found.columns["power"] if "power" in found.columns else found.columns["signal"]


def _given(options: dict[str, Any], *names: str) -> dict[str, Any]:
    """The options of these names that are stated; what is left out keeps its default."""
    return {n: options[n] for n in names if n in options}


def _radii(columns: dict[str, Any]) -> tuple[Any, Any]:
    """The radii along one axis, and those along the other where they are measured."""
    one, two = ([columns[n] for n in ("radius", "radius_x", "radius_y") if n in columns] + [None])[:2]
    return one, two


def _scan(found: Measurement, options: dict[str, Any], confidence: float) -> dict[str, Any]:
    return {
        "position": Quantity(found.columns["position"], MM),
        "reading": _reading(found),
        "axis": found.columns.get("axis"),
        "confidence": confidence,
        **_given(options, "position_uncertainty", "scale_uncertainty"),
    }


def _knife_edge(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    straight = options.get("keep_straight", False)
    return knife_edge_beam(**_scan(found, options, confidence), drift=not straight, **_given(options, "clip_level"))


def _slit(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    straight = options.get("keep_straight", False)
    return slit_beam(**_scan(found, options, confidence), tilt=not straight, **_given(options, "slit_width"))


def _pinhole(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    if "pinhole_diameter" not in options:
        raise QuantityError("pinhole_diameter is missing. Give pinhole_diameter=, or state it above the header.")
    straight = options.get("keep_straight", False)
    return pinhole_beam(**_scan(found, options, confidence), pinhole_diameter=options["pinhole_diameter"], tilt=not straight)


def _image(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    if "pixel_size" not in options:
        raise QuantityError(
            "pixel_size= is missing: a picture does not say how large its pixels are. Give pixel_size=, like pixel_size='4.4um', "
            "from the camera's data sheet, divided by the magnification of any lens."
        )
    names = ("pixel_size", "pixel_size_y", "full_scale", "camera_angle", "mirrored", "penetration_depth", "moved")
    more = _given(options, *names)
    if "moved_image" in options:
        more["moved_image"] = read_measurement(options["moved_image"], kind="image").image
    return image_beam(image=found.image, confidence=confidence, **more)


def _caustic(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    if "wavelength" not in options:
        raise QuantityError("wavelength is missing: M^2 needs it. Give wavelength=, or write 'wavelength = 355 nm' above the header.")
    columns = found.columns
    x, y = _radii(columns)
    return caustic_beam(
        position=Quantity(columns["position"], MM),
        radius_x=Quantity(x, MM),
        radius_y=None if y is None else Quantity(y, MM),
        wavelength=options["wavelength"],
        standard_uncertainty=Quantity(columns["u_radius"], MM) if "u_radius" in columns else None,
        confidence=confidence,
        **_given(options, "surface_position", "wanted_radius", "relative_errors", "position_uncertainty"),
    )


def _field(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    columns, n = found.columns, len(found.columns["place_x"])
    one, two = _radii(columns)
    if not np.isfinite(one).all() or (two is not None and not np.isfinite(two).all()):
        raise QuantityError("a place states no radius. Measure it, or leave its line out.")
    u = np.broadcast_to(columns["u_radius"], n) if "u_radius" in columns else np.zeros(n)
    angle = columns.get("angle", np.zeros(n))
    places = [
        Place(
            x=float(columns["place_x"][k]),
            y=float(columns["place_y"][k]),
            radius_x=float(one[k]),
            radius_y=None if two is None else float(two[k]),
            angle=float(angle[k]),
            power=float(columns["power"][k]) if "power" in columns else None,
            relative=float(u[k] / one[k]),
        )
        for k in range(n)
    ]
    return field_beam(places, common=options.get("scale_uncertainty", 0.0), confidence=confidence)


def _cured_lines(found: Measurement, options: dict[str, Any], confidence: float) -> BeamMeasurement:
    columns = found.columns
    power = options.get("power")
    if "power" in columns:
        mean = float(columns["power"].mean())
        if not np.allclose(columns["power"], mean):
            raise QuantityError("the power changes from line to line. Draw all lines at one power, and change the speed alone.")
        power = power if power is not None else Quantity(mean, MW)
    lengths: dict[str, Any] = {n: Quantity(columns[n], MM) for n in ("line_width", "cure_depth") if n in columns}
    return cured_line_beam(
        scan_speed=Quantity(columns["scan_speed"], MM_S),
        power=power,
        confidence=confidence,
        **lengths,
        **_given(options, "model_uncertainty"),
    )


def _power(found: Measurement, options: dict[str, Any], confidence: float) -> PowerMeasurement:
    names = ("meter_uncertainty", "meter_degrees_of_freedom", "dark_reading", "resolution", "losses", "keep_warm_up")
    time = Quantity(found.columns["time"], S) if "time" in found.columns else None
    return beam_power(reading=Quantity(found.columns["power"], MW), time=time, confidence=confidence, **_given(options, *names))
