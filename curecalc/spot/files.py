"""Files of beam measurements: which kind a file is, and its columns as floats in mm, s, mW.

Scans, caustics, cured lines and power readings are tables (units in the header); pictures are PNG, TIFF or a plain
matrix of readings.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import FileError
from ..files.disk import read_bytes
from ..files.tables import Column, Table, read_table_bytes

__all__ = ["COLUMNS", "IMAGE_ENDINGS", "KINDS_OF_FILE", "Measurement", "read_measurement", "scan_template"]

KINDS_OF_FILE = ("knife-edge", "slit", "pinhole", "image", "caustic", "cured-lines", "power", "field")
IMAGE_ENDINGS = (".png", ".tif", ".tiff", ".bmp", ".pgm")
_LOSSY = {rb"\xff\xd8\xff": "JPEG", rb"GIF8": "GIF", rb"RIFF.{4}WEBP": "WebP"}
_PICTURES = (b"\x89PNG", b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+", b"BM", b"P5", b"P2")
_MOST_FRAMES = 64
_LEAST_SIDE = 12
_LARGEST = 200e6  # bytes

_WIDTH = "As beam_radius; names of radii and diameters always say which."
COLUMNS: dict[str, Column] = {
    "position": Column(
        "length",
        aliases=("x", "z", "distance", "edge_position", "stage_position"),
        about="Of the edge, slit or pinhole; along the beam in a caustic.",
    ),
    "signal": Column(
        "number",
        any_unit=True,
        aliases=("voltage", "reading", "intensity", "counts", "current"),
        about="Of a detector in any unit: only its shape counts.",
    ),
    "power": Column(
        "power",
        once=True,
        aliases=("transmitted_power",),
        about="Read behind the edge, slit or pinhole; of power readings, and of cured lines, on the resin surface.",
    ),
    "axis": Column("text", about="Which axis a row belongs to: x or y, of the spot or the machine."),
    "time": Column("time", about="Of a power reading, from the beginning."),
    "beam_radius": Column(
        "length",
        sign="positive",
        blank=True,
        aliases=("radius",),
        about="At 1/e^2 of the peak, at this position or place. One of radius, diameter and full width; _x and _y where they differ.",
    ),
    "beam_radius_x": Column("length", sign="positive", blank=True, aliases=("radius_x",), about=_WIDTH),
    "beam_radius_y": Column("length", sign="positive", blank=True, aliases=("radius_y",), about=_WIDTH),
    "beam_diameter": Column("length", sign="positive", blank=True, aliases=("diameter", "d4sigma"), about=_WIDTH),
    "beam_diameter_x": Column("length", sign="positive", blank=True, aliases=("diameter_x", "d4sigma_x"), about=_WIDTH),
    "beam_diameter_y": Column("length", sign="positive", blank=True, aliases=("diameter_y", "d4sigma_y"), about=_WIDTH),
    "beam_fwhm": Column("length", sign="positive", blank=True, aliases=("fwhm",), about=_WIDTH),
    "beam_fwhm_x": Column("length", sign="positive", blank=True, aliases=("fwhm_x",), about=_WIDTH),
    "beam_fwhm_y": Column("length", sign="positive", blank=True, aliases=("fwhm_y",), about=_WIDTH),
    "standard_uncertainty": Column("length", sign="positive", once=True, about="Of the width in this row, one standard deviation."),
    "place_x": Column("length", about="Of the measurement in the field, from its middle."),
    "place_y": Column("length", about="Of the measurement in the field, from its middle."),
    "angle": Column("angle", about="From the machine's x axis to the direction of this scan."),
    "scan_speed": Column("speed", sign="positive", about="Of a cured line."),
    "line_width": Column("length", sign="positive", blank=True, about="Of a cured line, at the surface."),
    "cure_depth": Column("length", sign="positive", blank=True, about="Of a cured line."),
    "note": Column("text", blank=True, about="What is worth remembering; not read."),
    "wavelength": Column("wavelength", sign="positive", only_once=True, about="Of the laser."),
    "slit_width": Column("length", sign="positive", only_once=True, about="Full width of the slit that was scanned."),
    "pinhole_diameter": Column("length", sign="positive", only_once=True, about="Of the pinhole that was scanned."),
    "surface_position": Column("length", only_once=True, about="Where the resin surface stands along the caustic."),
    "position_uncertainty": Column("length", sign="positive", only_once=True, about="Of each position, one standard deviation."),
}
_IMAGE_SETTINGS = {
    "pixel_size": Column("length", sign="positive", only_once=True),
    "pixel_size_y": Column("length", sign="positive", only_once=True),
}


@dataclass(frozen=True)
class Measurement:
    """What a file holds: its kind, float columns in lab units, settings stated in it, and where it came from."""

    kind: str
    path: str
    sha256: str
    columns: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, float] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    image: Any = None
    notes: tuple[str, ...] = ()


def read_measurement(path: str | Path, *, kind: str | None = None, data: bytes | None = None) -> Measurement:
    """Read a file of beam measurements and settle its kind.

    Parameters
    ----------
    path : str or Path
    kind : one of `KINDS_OF_FILE`, optional
        Recognised from the ending and the columns when left out.
    data : bytes, optional
        The file's content where it is in memory; `path` is then its name only.

    Returns
    -------
    Measurement

    Raises
    ------
    FileError
        Missing or unreadable file, columns that fit no kind, or a kind that does not fit the columns.
    """
    name = str(path)
    if kind is not None and kind not in KINDS_OF_FILE:
        raise FileError(f"{name}: unknown kind {kind!r}. Choose one of {', '.join(KINDS_OF_FILE)}.")
    if data is None:
        data = read_bytes(path, what="measurement", largest=_LARGEST)
    if not data:
        raise FileError(f"{name}: is empty. Save the measurement again.")
    digest = hashlib.sha256(data).hexdigest()
    if lossy := _lossy(data):
        raise FileError(
            f"{name}: this is a {lossy} picture, whatever its name ends in; it bends the brightness scale, so widths from it mean nothing. "
            "Save the picture as PNG or TIFF, without gamma or compression losses."
        )
    if data.startswith(_PICTURES) or (Path(name).suffix.lower() in IMAGE_ENDINGS and not _is_matrix(data)):
        if kind not in (None, "image"):
            raise FileError(f"{name}: a picture cannot be read as {kind}. Leave kind= out, or name the table of the scan.")
        image, notes = _picture(data, name)
        return Measurement("image", name, digest, image=image, notes=notes)
    if kind == "image" or (kind is None and _is_matrix(data)):
        image, settings = _matrix(data, name)
        return Measurement("image", name, digest, image=image, settings=settings)
    table = read_table_bytes(name, data, COLUMNS)
    return _from_table(table, kind, digest)


def _lossy(data: bytes) -> str:
    """Name of the lossy format that the first bytes show, else empty."""
    return next((name for start, name in _LOSSY.items() if re.match(start, data, re.DOTALL)), "")


# ---------------------------------------------------------------- pictures


def _picture(data: bytes, name: str) -> tuple[Any, tuple[str, ...]]:
    try:
        from PIL import Image
    except ImportError:
        raise FileError(f"{name}: reading pictures needs one more package. Install it with: pip install 'curecalc[image]'") from None
    import io
    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd remarks beside the pixels; the pixels themselves raise
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data)) as opened:
                if lossy := {"jpeg": "JPEG", "webp": "WebP"}.get(str(opened.info.get("compression", "")).replace("tiff_", "")):
                    raise FileError(
                        f"{name}: its pixels are packed as {lossy}, which bends the brightness scale. Save it again without "
                        f"compression losses."
                    )
                count = min(getattr(opened, "n_frames", 1), _MOST_FRAMES + 1)
                mode, frames = opened.mode, []
                for k in range(count):
                    opened.seek(k)
                    # a palette is only a way to write colours
                    frames.append(np.asarray(opened.convert("RGB") if opened.mode in ("P", "1", "CMYK", "YCbCr") else opened))
    except FileError:
        raise
    except (OSError, ValueError, SyntaxError, EOFError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise FileError(
            f"{name}: cannot be read as a picture ({' '.join(str(error).split())[:80]}). Save it again as PNG or TIFF."
        ) from None
    if count > _MOST_FRAMES:
        raise FileError(f"{name}: holds more than {_MOST_FRAMES} pictures. Save the {_MOST_FRAMES} that belong together.")
    if len({f.shape for f in frames}) > 1:
        raise FileError(
            f"{name}: its {count} pictures differ in size, so they are not frames of one beam. Save them as files of their own."
        )
    notes: list[str] = []
    if frames[0].ndim == 3:
        picked = [_one_channel(frame, mode, name) for frame in frames]
        frames, notes = [f for f, _ in picked], [n for n in dict.fromkeys(n for _, n in picked) if n]
    image = frames[0] if count == 1 else np.stack(frames)
    if image.dtype.kind not in "uif" or not np.isfinite(image).all():
        raise FileError(f"{name}: the pixels are not plain numbers. Save the picture as grey PNG or TIFF.")
    return image, tuple(notes)


def _one_channel(image: Any, mode: str, name: str) -> tuple[Any, str]:
    """The channel that holds the beam: all the same, or by far the brightest above its own dark level."""
    colours = image[..., : 1 if mode in ("LA", "La") else 3]
    if (colours == colours[..., :1]).all():
        return colours[..., 0], ""
    light = [float(np.sum(np.maximum(colours[..., c] - float(np.median(colours[..., c])), 0.0))) for c in range(3)]
    best = int(np.argmax(light))
    if light[best] < 0.5 * sum(light):
        raise FileError(
            f"{name}: a colour picture whose channels share the light, perhaps drawn in false colours. "
            "Save the camera's raw grey picture as PNG or TIFF."
        )
    channel = ("red", "green", "blue")[best]
    return colours[..., best], f"a colour picture: its {channel} channel is used. A grey camera without colour filters is better."


def _lines(data: bytes) -> list[str]:
    for coding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(coding).splitlines()
        except UnicodeDecodeError:
            continue
    return []


def _cells(line: str) -> list[str]:
    return [c for c in re.split(r"[;\t]" if ";" in line or "\t" in line else r"[,\s]+", line.strip().strip(",;\t")) if c.strip()]


def _is_matrix(data: bytes) -> bool:
    """Rows of plain numbers only, at least `_LEAST_SIDE` each way: a picture saved as text."""
    if b"\x00" in data:
        return False
    rows = [line for line in _lines(data) if line.strip() and not line.lstrip().startswith("#") and "=" not in line][:_LEAST_SIDE]
    widths = {len(_cells(row)) for row in rows}
    square = len(rows) == _LEAST_SIDE and len(widths) == 1 and widths.pop() >= _LEAST_SIDE
    return square and all(_number(c) is not None for c in _cells(rows[0]))


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _matrix(data: bytes, name: str) -> tuple[Any, dict[str, float]]:
    settings: dict[str, float] = {}
    rows: list[list[float]] = []
    for number, line in enumerate(_lines(data), 1):
        text = line.strip()
        if not text:
            continue
        if text.startswith("#") or "=" in text:
            settings |= _setting(text.lstrip("# "), name, number)
            continue
        cells = _cells(text)
        values = [_number(c) for c in cells]
        if None in values:
            at = values.index(None)
            raise FileError(
                f"{name}:{number}:{at + 1}: cannot read {cells[at][:30]!r}. A picture as text holds rows of plain numbers "
                "with decimal points, without a header."
            )
        if rows and len(values) != len(rows[0]):
            raise FileError(f"{name}:{number}: {len(values)} numbers, but the rows above have {len(rows[0])}. Save the picture again.")
        rows.append([float(v) for v in values if v is not None])
    image = np.array(rows, dtype=np.float64)
    if image.ndim != 2 or not np.isfinite(image).all():
        least = f"{_LEAST_SIDE} x {_LEAST_SIDE}"
        raise FileError(f"{name}: no picture in it. A picture as text holds rows of plain finite numbers, at least {least}.")
    return image, settings


def _setting(text: str, name: str, line: int) -> dict[str, float]:
    from ..errors import QuantityError
    from ..units import KINDS, parse

    found = re.match(r"^([A-Za-z][\w \-]*?)\s*[=:]\s*(.+)$", text)
    key = re.sub(r"[\s\-]+", "_", found[1].strip().lower()) if found else ""
    if not found or key not in _IMAGE_SETTINGS:
        return {}
    try:
        return {key: float(parse(key, found[2].strip(), "length").m_as(KINDS["length"].kernel))}
    except QuantityError as error:
        raise FileError(f"{name}:{line}: {error}") from None


# ---------------------------------------------------------------- tables


def _from_table(table: Table, kind: str | None, digest: str) -> Measurement:
    has = set(table.columns)
    sizes = [c for c in has if c.startswith("beam_")]
    fitting = _fitting(table, has, sizes)
    if kind is None:
        kind = _one_kind(table, fitting, has)
    elif kind not in fitting:
        raise FileError(f"{table.path}: {_needs(kind)}; found {', '.join(sorted(has))}.")
    columns = {name: np.asarray(values) if not isinstance(values, list) else values for name, values in table.columns.items()}
    if kind in ("caustic", "field"):
        columns |= _radii(table, sizes)
    settings = {name: value for name, value in table.settings.items() if not isinstance(value, str)}
    return Measurement(kind, table.path, digest, columns=columns, settings=settings, units=dict(table.units))


_NEEDS = {
    "knife-edge": "a knife-edge scan needs the columns 'position [mm]' and 'power [mW]' (or 'signal [V]')",
    "slit": "a slit profile needs the columns 'position [mm]' and 'signal' (or 'power [mW]')",
    "pinhole": "a pinhole profile needs the columns 'position [mm]' and 'signal' (or 'power [mW]')",
    "image": "an image is a PNG or TIFF file, or rows of plain numbers",
    "caustic": "a caustic needs the columns 'position [mm]' and one of 'beam_radius [um]', 'beam_diameter [um]', "
    "'beam_fwhm [um]', or pairs of them ending in _x and _y",
    "cured-lines": "cured lines need the columns 'scan_speed [mm/s]' and 'line_width [um]' or 'cure_depth [um]'",
    "field": "a map of the field needs the columns 'place_x [mm]', 'place_y [mm]' and one of 'beam_radius [um]', 'beam_diameter [um]', "
    "'beam_fwhm [um]', or pairs of them ending in _x and _y",
    "power": "power readings need the column 'power [mW]', and 'time [s]' where it was kept",
}


def _needs(kind: str) -> str:
    return _NEEDS[kind]


def _fitting(table: Table, has: set[str], sizes: list[str]) -> list[str]:
    fits = []
    if "scan_speed" in has and has & {"line_width", "cure_depth"}:
        fits.append("cured-lines")
    elif {"place_x", "place_y"} <= has and sizes:
        fits.append("field")
    elif "position" in has and sizes:
        fits.append("caustic")
    elif "position" in has and has & {"power", "signal"}:
        fits += ["knife-edge", "slit", "pinhole"]
    elif "power" in has and "position" not in has:
        fits.append("power")
    return fits


def _one_kind(table: Table, fitting: list[str], has: set[str]) -> str:
    if not fitting:
        raise FileError(
            f"{table.path}: these columns fit no kind of beam measurement: {', '.join(sorted(has))}. For example, {_NEEDS['knife-edge']}."
        )
    if len(fitting) == 1:
        return fitting[0]
    if "slit_width" in table.settings:
        return "slit"
    if "pinhole_diameter" in table.settings:
        return "pinhole"
    shape = _step_or_peak(table["position"], table["signal"] if "signal" in has else table["power"])
    if shape is None:
        raise FileError(
            f"{table.path}: cannot tell a knife-edge scan from a slit profile: the readings neither step from one level to "
            "another nor rise to a peak. Say which with kind='knife-edge' or kind='slit'."
        )
    return shape


def _step_or_peak(x: Any, y: Any) -> str | None:
    """`knife-edge` where the ends differ by most of the range, `slit` where both ends lie low."""
    y = np.asarray(y)[np.argsort(x, kind="stable")]
    if y.size < 4:
        return "knife-edge"  # too few for either: the scan itself will say so
    ends = max(1, y.size // 10)
    first, last = float(np.median(y[:ends])), float(np.median(y[-ends:]))
    low, high = float(np.min(y)), float(np.max(y))
    span = high - low
    if abs(last - first) >= 0.6 * span:  # or all alike, which the scan will say
        return "knife-edge"
    if max(first, last) < low + 0.4 * span:
        return "slit"
    return None


def _radii(table: Table, sizes: list[str]) -> dict[str, Any]:
    """Columns of one convention as radii: `radius`, or `radius_x` and `radius_y`."""
    from ..physics.spot import FWHM_PER_RADIUS

    convention = {name.split("_")[1] for name in sizes}
    if len(convention) > 1:
        raise FileError(f"{table.path}: widths in more than one convention: {', '.join(sorted(sizes))}. Keep radius, diameter or FWHM.")
    ends = {name: name[-2:] if name.endswith(("_x", "_y")) else "" for name in sizes}
    if "" in ends.values() and len(ends) > 1:
        raise FileError(f"{table.path}: give either one width column or a pair ending in _x and _y, not both: {', '.join(sorted(sizes))}.")
    factor = {"radius": 1.0, "diameter": 0.5, "fwhm": 1.0 / FWHM_PER_RADIUS}[convention.pop()]
    found = {f"radius{end}": np.asarray(table[name]) * factor for name, end in ends.items()}
    if "standard_uncertainty" in table.columns or "standard_uncertainty" in table.settings:
        found["u_radius"] = np.asarray(table.value("standard_uncertainty")) * factor
    return found


def scan_template() -> str:
    """A table of a knife edge to fill in, from light to dark along two axes; what else a scan may hold stands in its comments."""
    rows = "".join(f"{axis},,\n" * 15 for axis in "xy")
    return (
        "# A knife edge moved through the beam, from full light to dark: one row a position, each axis for itself.\n"
        "# At least seven positions where the light changes, and some at full light and in the dark. The middle need not be known.\n"
        "# A slit or pinhole: state slit width or pinhole diameter above the header. A caustic: position [mm], beam radius [mm].\n"
        "# Cured lines: scan speed [mm/s], line width [mm]. Power readings: time [s], power [mW]. A detector's unit is free: signal [mV].\n"
        "# Places in the field: place x [mm], place y [mm], beam radius [mm].\n"
        "# wavelength = 355 nm\n"
        "axis,position [mm],power [mW]\n" + rows
    )
