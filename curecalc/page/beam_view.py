"""The beam: a file of measurements read, its fit, Checks and residuals shown; the record kept and put into the machine."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..errors import CurecalcError, QuantityError
from ..spot.files import KINDS_OF_FILE
from ..spot.words import result_rows
from ..symbols import percent, renamed, symbols
from ..units import MM, MW, Measured, parse, parse_measured, show, show_percent
from .drawing import Board
from .forms import document_of, texts_of
from .work import Scan, Work, file_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..spot.light import PowerMeasurement
    from ..spot.measurement import BeamMeasurement

__all__ = ["BeamView", "OPTIONS"]

OPTIONS: dict[str, tuple[str, str, str]] = {
    "pixel_size": ("Pixel size, for a picture", "length", "4.4 um"),
    "wavelength": ("Wavelength, for a caustic", "wavelength", "355 nm"),
    "slit_width": ("Slit width", "length", "5 um"),
    "pinhole_diameter": ("Pinhole diameter", "length", "10 um"),
    "surface_position": ("Position of the surface, for a caustic", "length", "0 mm"),
    "power": ("Power, for the record or cured lines", "power", "240 mW"),
    "meter_uncertainty": ("Meter's uncertainty, for power readings", "fraction", "2 %"),
    "resolution": ("Last digit of the meter, for power readings", "power", "0.1 mW"),
    "camera_angle": ("Camera's angle, for a picture", "angle", "0.5 deg"),
}
SWITCHES = {"keep_warm_up": "Readings of the warm-up too", "relative_errors": "Errors of a caustic in proportion to the width"}
_TOLD = {"kind": '"What it is"', "moved_image": "--moved-image on the command line"}
_TOLD |= {key: f'"{label}"' for key, label in SWITCHES.items()} | {key: f'"{one[0].partition(",")[0]}"' for key, one in OPTIONS.items()}
KINDS = ("", *(kind for kind in KINDS_OF_FILE if kind != "field"))


def read_scan(work: Work) -> Scan:
    """The file read last; `QuantityError` where there is none."""
    if work.scan is None:
        raise QuantityError("No file was read yet. Choose one.")
    return work.scan


def read_options(scan: Scan) -> dict[str, Any]:
    """The options given with a file, as `measure_file` takes them."""
    values: dict[str, Any] = {}
    for key, text in scan.options:
        if key in OPTIONS:
            label, sort, _ = OPTIONS[key]
            value: Any = parse_measured(label, text, sort) if key == "power" else parse(label, text, sort)
            values[key] = float(value.m_as("")) if sort == "fraction" else value
        else:
            values[key] = text if key == "kind" else True
    return values


class BeamView:
    """The file read last in this browser, measured anew each time."""

    name = "beam"
    title = "Beam"
    panels = ("beam",)
    answers = ("numbers",)

    def __init__(self, board: Board) -> None:
        self.board = board

    @staticmethod
    def measured(work: Work) -> BeamMeasurement | PowerMeasurement:
        """The measurement of the file.

        Raises
        ------
        CurecalcError
        """
        from ..spot.measure import measure_file

        scan = read_scan(work)
        try:
            return measure_file(scan.name, data=scan.data, **read_options(scan))
        except CurecalcError as error:
            error.args = (renamed(str(error), _TOLD, of=": "),)
            raise

    def page(self, query: dict[str, str], work: Work) -> dict[str, Any]:
        """Context for the template."""
        name, _, options = work.scan or Scan("", b"")
        given = dict(options)
        context: dict[str, Any] = {
            "work": work,
            "options": [(key, label, example, given.get(key, "")) for key, (label, _, example) in OPTIONS.items()],
            "switches": [(key, label, key in given) for key, label in SWITCHES.items()],
            "kinds": KINDS,
            "kind": given.get("kind", ""),
            "file": name,
            "problem": "",
            "found": None,
            "drawings": [],
        }
        if work.scan is None:
            return context
        try:
            found = self.measured(work)
        except CurecalcError as error:
            return context | {"problem": str(error)}
        from ..figures.inline import inline_svg
        from ..figures.spot import spot_figure

        power = hasattr(found, "at_meter")
        with self.board.lock:
            drawing = inline_svg(spot_figure(found, 150.0, 125.0), name=f"The measurement with its fit. {_main(found)}", prefix="b-beam")
        return context | {
            "found": found,
            "power": power,
            "tiles": _tiles(found),
            "rows": _rows(found),
            "changes": changes(work, found),
            "budget": [(p.name, show_percent(p.relative)) for p in _best(found).parts],
            "notes": [renamed(one, _TOLD, of=": ") for one in (*found.warnings, *found.notes)],
            "drawings": [("beam", drawing)],
            "commands": [self.command(query, work, "numbers")],
        }

    def record(self, query: dict[str, str], work: Work, which: str) -> dict[str, Any]:
        """The JSON object of `curecalc spot`."""
        return self.measured(work).to_dict()

    def command(self, query: dict[str, str], work: Work, which: str) -> str:
        """The equal command line."""
        import shlex

        self.measured(work)
        file, _, options = read_scan(work)
        words = ["curecalc", "spot", file]
        for name, text in options:
            words += [f"--{name.replace('_', '-')}", *([] if name in SWITCHES else [text])]
        return shlex.join(words)

    def figure(self, query: dict[str, str], work: Work, panel: str) -> Figure:
        """The figure of its own."""
        from ..figures.spot import spot_figure

        return spot_figure(self.measured(work))

    def record_text(self, work: Work) -> str:
        """The beam record, as `curecalc spot --save` writes it.

        Raises
        ------
        QuantityError
            Power readings alone make no beam.
        """
        from ..jobs.beam import BEAM, COMMENT, beam_record
        from ..spot.light import PowerMeasurement

        found = self.measured(work)
        if isinstance(found, PowerMeasurement):
            raise QuantityError("These are power readings, which make no beam record. Put them into the machine.")
        power = dict(read_scan(work).options).get("power")
        known = None if power is None else parse_measured("power", power, "power")
        return BEAM.text(beam_record(found, measured_on=datetime.date.today(), power=known), comment=COMMENT)


def in_machine(work: Work, found: BeamMeasurement | PowerMeasurement) -> Work:
    """The machine with what was measured: a power read today, or the spot's shape.

    A machine with one fixed spot takes the radius itself and how well it is known; one whose spot can be set keeps its range, and how
    well that is known unless this measurement knows its own radius less well.

    Raises
    ------
    CurecalcError
        No machine to put it into, or one that refuses it.
    """
    part, texts = work.parts.get("machine"), _machine_texts(work)
    if part is None:
        raise QuantityError("There is no machine to put it into yet. Give a machine file on the view Recipe first.")
    put = texts | _put(work, texts, found)
    text = document_of(file_of("machine").schema, {name: told for name, told in put.items() if told})
    return work.changed("machine", text, f"{part.source}, with {read_scan(work).name} put in")


def changes(work: Work, found: BeamMeasurement | PowerMeasurement) -> list[tuple[str, str, str]]:
    """What `in_machine` changes: the key in words, its text now and then; nothing where it would be refused."""
    texts = _machine_texts(work)
    try:
        put = _put(work, texts, found) if texts else {}
    except CurecalcError:
        return []
    rows = [(name.partition(".")[2].replace("_", " "), texts.get(name, ""), told) for name, told in put.items()]
    return [(name[0].upper() + name[1:], before or "not stated", then or "left out") for name, before, then in rows if before != then]


def _machine_texts(work: Work) -> dict[str, str]:
    part = work.parts.get("machine")
    return {} if part is None else {n: text for n, text in texts_of(tomllib.loads(part.text)).items() if n != "schema"}


def _put(work: Work, texts: dict[str, str], found: BeamMeasurement | PowerMeasurement) -> dict[str, str]:
    """The machine's keys that a measurement states, as texts; an empty one takes its key out."""
    from ..jobs.beam import beam_record
    from ..jobs.machine import with_spot
    from ..spot.light import PowerMeasurement

    machine, today = work.machine, datetime.date.today()
    assert machine is not None
    put: dict[str, str] = {}
    if isinstance(found, PowerMeasurement):
        best: Measured = found.measured
        put["laser.power"] = f"{float(best.value.m_as(MW)):.6g} mW +- {float(best.standard_uncertainty.m_as(MW)):.3g} mW"
        put["laser.power_reading_date"] = today.isoformat()
    else:
        shaped = with_spot(machine, beam_record(found, measured_on=today, name=read_scan(work).name))
        known = machine.beam_radius_scale_uncertainty
        both = [one.measured for one in (found.radius_x, found.radius_y) if one is not None]
        least_known = max(float(one.relative) for one in both)
        radius, low, high = (float(q.m_as(MM)) for q in (found.radius_x.value, machine.beam_radius_min, machine.beam_radius_max))
        if low == high:
            put |= {k: "" for k in texts if k.endswith(("_min", "_max")) and k.startswith("beam.beam_")}
            put |= {f"beam.beam_radius_{end}": f"{radius:.6g} mm" for end in ("min", "max")}
            known = 0.0
        elif not low * 0.95 <= radius <= high * 1.05:
            raise QuantityError(
                f"The radius of {show(found.radius_x.measured)} lies outside the machine's {show(machine.beam_radius_min)} to "
                f"{show(machine.beam_radius_max)}. Check which spot was measured, or change the machine's range."
            )
        if least_known > known:
            put["beam.beam_radius_scale_uncertainty"] = percent(least_known, ".3g")
        if found.radius_y is not None:
            put["beam.radius_ratio"] = f"{shaped.radius_ratio:.6g}"
            angle, unsure = (float(q.m_as("deg")) for q in (shaped.spot_angle.value, shaped.spot_angle.standard_uncertainty))
            put["beam.spot_angle"] = f"{angle:.4g} deg" + (f" +- {unsure:.3g} deg" if unsure else "")
        if shaped.beam_quality != machine.beam_quality:
            put["beam.beam_quality"] = f"{shaped.beam_quality:.4g}"
        put["beam.spot_measurement"] = shaped.spot_measurement
    return put


def stored_scan(given: Mapping[str, str], name: str, data: bytes, work: Work) -> Work:
    """The work with a file just uploaded and the options beside it, those left empty left out."""
    options = tuple((key, given[key].strip()) for key in ("kind", *OPTIONS, *SWITCHES) if given.get(key, "").strip())
    return replace(work, scan=Scan(name, data, options))


def _best(found: Any) -> Any:
    return found.power if hasattr(found, "at_meter") else found.beam_radius


def _main(found: Any) -> str:
    return ", ".join(f"{label} {text}" for label, text in _tiles(found)) + "."


def _tiles(found: Any) -> list[tuple[str, str]]:
    if hasattr(found, "at_meter"):
        return [("Power at the surface", show(found.measured))]
    if found.radius_y is None:
        return [("Beam radius (1/e^2)", show(found.radius_x.measured))]
    return [("Beam radius x (1/e^2)", show(found.radius_x.measured)), ("Beam radius y (1/e^2)", show(found.radius_y.measured))]


def _rows(found: Any) -> list[tuple[str, str]]:
    parts = {p.name for p in _best(found).parts}  # they have a table of their own
    rows = [(label.strip(), text) for label, text in result_rows(found)]
    return [(symbols(label[0].upper() + label[1:]), text) for label, text in rows if label not in parts]
