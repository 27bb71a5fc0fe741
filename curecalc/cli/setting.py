"""What `depth`, `speed`, `solve` and `stack` share: options to beam, resin and scan; an answer as text."""

from __future__ import annotations

import argparse
import dataclasses
import math
from typing import Any

from ..errors import QuantityError
from ..symbols import clip, percent
from .common import _Once, add_quantities, flag, need, quantities

__all__ = [
    "BEAM_NAMES",
    "add_beam",
    "add_limits",
    "add_resin",
    "add_setting",
    "add_uncertainty",
    "answer_text",
    "beam_resin_scan",
    "limits",
    "monte_carlo",
    "number",
    "whole",
]

_RADII = ("beam_radius", "beam_diameter", "beam_fwhm")
BEAM_NAMES = [*_RADII, "spot_angle", "wavelength", "pulse_rate"]
_SCAN = ["track_angle", "incidence_angle", "incidence_direction"]
_RESIN = ["penetration_depth", "critical_exposure", "bleaching_exposure", "reference_irradiance", "temperature"]
_LIMITS = ["scan_speed_max", "scan_speed_min", "power_max", "power_min"]


def add_setting(parser: argparse.ArgumentParser, *, unknown: str = "") -> None:
    """Options that describe a setting, without the unknown."""
    light = [name for name in ("power", "scan_speed", "hatch_spacing") if name != unknown]
    add_quantities(parser, light, title="setting")
    group = parser.add_argument_group("pattern")
    if unknown != "passes":
        group.add_argument("--passes", metavar="N", action=_Once, help="equal passes over the same lines (1)")
    group.add_argument("--cross-hatch", action="store_true", help="a second raster square to the first")
    add_beam(parser, power=False)
    add_quantities(parser, _SCAN, title="direction")
    parser.add_argument(
        "--s-polarised-share", metavar="S", action=_Once, help="of the light, across the plane in which it leans (0.5: unpolarised)"
    )
    add_resin(parser)


def add_beam(parser: argparse.ArgumentParser, *, power: bool = True) -> None:
    """Options that describe the beam."""
    add_quantities(
        parser,
        [*(["power"] if power else []), *BEAM_NAMES],
        title="beam (exactly one of --beam-radius, --beam-diameter, --beam-fwhm, or a beam file)",
    )
    group = parser.add_argument_group("more about the beam")
    group.add_argument("--radius-ratio", metavar="R", action=_Once, help="y radius over x radius of an elliptical spot (1)")
    group.add_argument("--top-hat", action="store_true", help="even irradiance inside a sharp outline, whose radius or diameter is given")
    group.add_argument("--beam", metavar="FILE", action=_Once, help="a beam record saved by `curecalc spot --save`")


def add_resin(parser: argparse.ArgumentParser) -> None:
    """Options that describe the resin."""
    add_quantities(parser, _RESIN, title="resin (--penetration-depth and --critical-exposure, or a resin file)")
    group = parser.add_argument_group("more about the resin")
    group.add_argument("--resin", metavar="FILE", action=_Once, help="a resin file saved by `curecalc fit --save`")
    group.add_argument(
        "--power-exponent",
        metavar="W",
        action=_Once,
        help='w of the power threshold law; chooses that cure model; may carry a standard uncertainty: "0.9 +- 0.02"',
    )
    group.add_argument("--refractive-index", metavar="N", action=_Once, help="of the liquid, for a tilted beam (1.5)")
    group.add_argument("--correlation", metavar="R", action=_Once, help="of penetration depth and ln critical exposure (0)")


def add_limits(parser: argparse.ArgumentParser) -> None:
    """Limits of the machine."""
    add_quantities(parser, _LIMITS, title="limits (an answer beyond them ends with status 3)")


def add_uncertainty(parser: argparse.ArgumentParser) -> None:
    """Monte Carlo beside the first-order law."""
    group = parser.add_argument_group("uncertainty")
    group.add_argument("--monte-carlo", metavar="DRAWS", action=_Once, help="propagate by Monte Carlo (JCGM 101) as well, like 1000000")
    group.add_argument("--seed", metavar="N", action=_Once, help="of the draws (1)")
    group.add_argument("--confidence", metavar="P", action=_Once, help="coverage of the intervals (0.95)")


def number(option: str, text: str | None, default: Any = None, *, whole: bool = False, kind: str = "number") -> Any:
    """A plain number of an option; with `whole` a whole one, with kind "fraction" also a percentage."""
    from ..units import ONE, parse

    if text is None:
        return default
    if whole:
        try:
            value = float(parse(option, text, "number").m)
        except QuantityError:
            value = math.nan
        if not value.is_integer() or abs(value) >= 2**53:
            raise QuantityError(f"{option} must be a whole number, got {clip(text)}. Write it plainly, like 2.")
        return int(value)
    return float(parse(option, text, kind).m_as(ONE))


def whole(option: str, text: str | None, default: Any = None, *, least: int = 1) -> Any:
    """A whole number of an option, of at least `least`."""
    from ..units import count

    return default if text is None else count(option, number(option, text, whole=True), minimum=least)


def limits(args: argparse.Namespace) -> Any:
    """The stated limits, or None."""
    given = quantities(args, _LIMITS)
    if not given:
        return None
    from ..setting.limits import Limits

    return Limits(**given)


def monte_carlo(args: argparse.Namespace) -> Any:
    """The Monte Carlo options, or None."""
    if args.monte_carlo is None:
        for name in ("seed", "confidence"):
            if getattr(args, name) is not None:
                raise QuantityError(f"--{name} belongs to --monte-carlo. Add --monte-carlo 100000, or leave --{name} out.")
        return None
    from ..setting.answer import MonteCarloOptions

    draws = whole("--monte-carlo", args.monte_carlo, least=1000)
    try:
        return MonteCarloOptions(draws=draws, seed=number("--seed", args.seed, 1, whole=True), confidence=_confidence(args.confidence))
    except QuantityError as error:
        raise QuantityError(str(error).replace("draws must", "--monte-carlo must", 1)) from None


def _confidence(text: str | None) -> float:
    from ..units import ratio

    value = number("--confidence", text, 0.95, kind="fraction")
    return float(ratio("--confidence", value, low=0.5, high=1.0, low_open=False))


def beam_resin_scan(args: argparse.Namespace, *, unknown: str = "") -> tuple[Any, Any, Any]:
    """Beam, resin and scan of the options; what is asked for is left out."""
    from ..formulas.scan import Scan
    from ..units import ratio

    beam = read_beam(args, unknown)
    found = quantities(args, ["scan_speed", "hatch_spacing", *_SCAN])
    if unknown != "scan_speed":
        need(found, ["scan_speed"])
    if "incidence_angle" not in found:
        for name in ("incidence_direction", "refractive_index", "s_polarised_share"):
            if name in found or getattr(args, name) is not None:
                raise QuantityError(f"{flag(name)} changes nothing without a tilt: add --incidence-angle, or leave it out.")
    passes = 1 if unknown == "passes" else whole("--passes", args.passes, 1)
    if args.s_polarised_share is not None:
        share = number("--s-polarised-share", args.s_polarised_share, kind="fraction")
        found["s_polarised_share"] = ratio("--s-polarised-share", share, low=0.0, high=1.0, low_open=False, high_open=False)
    if args.cross_hatch and "hatch_spacing" not in found and unknown != "hatch_spacing":
        raise QuantityError("--cross-hatch needs --hatch-spacing: a single line cannot be crossed.")
    return beam, read_resin(args), Scan(passes=passes, cross_hatch=args.cross_hatch, **found)


def read_beam(args: argparse.Namespace, unknown: str = "") -> Any:
    """The beam of the options, from a file where one is named."""
    from ..formulas.beam import Beam, TopHatBeam, radius_of
    from ..units import MM, Quantity, ratio

    found = quantities(args, ["power", *BEAM_NAMES])
    sizes = [name for name in _RADII if name in found]
    if args.beam is not None:
        said = [flag(s) for s in (*sizes, *(n for n in ("spot_angle",) if n in found))]
        said += [flag(n) for n in ("radius_ratio", "top_hat") if getattr(args, n)]
        if said:
            raise QuantityError(f"--beam gives the spot already: leave out {', '.join(said)}.")
        return _beam_from_file(args.beam, found, unknown)
    if unknown != "power":
        need(found, ["power"])
    if unknown == "beam_radius":
        if sizes:
            raise QuantityError(f"{flag(sizes[0])} is what is asked for here: leave it out.")
        radius: Any = None
    elif unknown == "spot" and not sizes:  # a raster's mean does not ask for it
        radius = None
    elif len(sizes) != 1:
        given = " and ".join(flag(s) for s in sizes) if sizes else "none"
        raise QuantityError(f"give exactly one of --beam-radius, --beam-diameter, --beam-fwhm (or --beam FILE), got {given}.")
    else:
        (size,) = sizes
        radius = radius_of(size, found[size])
    other = None
    share = number("--radius-ratio", args.radius_ratio)
    if share is None and "spot_angle" in found:
        raise QuantityError("--spot-angle turns an elliptical spot: add --radius-ratio, or leave it out.")
    if share is not None:
        # where the radius is asked for, any size will do to say the shape
        radius = Quantity(1.0, MM) if radius is None else radius
        other = _scaled(radius, ratio("--radius-ratio", share))
    if args.top_hat and "beam_fwhm" in sizes:
        raise QuantityError("--beam-fwhm says nothing of a top hat's outline: give --beam-radius or --beam-diameter of it.")
    return (TopHatBeam if args.top_hat else Beam)(
        power=found.get("power"),
        radius_x=radius,
        radius_y=other,
        radius_correlation=0.0 if other is None else 1.0,
        wavelength=found.get("wavelength"),
        pulse_rate=found.get("pulse_rate"),
        **({"angle": found["spot_angle"]} if "spot_angle" in found else {}),
    )


def _scaled(size: Any, factor: float) -> Any:
    from ..units import Measured

    return Measured(size.value * factor, size.standard_uncertainty * factor) if isinstance(size, Measured) else size * factor


def _beam_from_file(path: str, found: dict[str, Any], unknown: str) -> Any:
    from ..jobs.beam import read_beam as read_file

    beam = read_file(path, power=found.get("power"), needs_power=unknown != "power")
    changes = {name: found[name] for name in ("wavelength", "pulse_rate") if name in found}
    return dataclasses.replace(beam, **changes)


def read_resin(args: argparse.Namespace) -> Any:
    """The resin of the options, from a file where one is named; the cure model follows from what is given."""
    from ..formulas.resin import BleachingResin, PowerThresholdResin, Resin
    from ..units import parse_measured, ratio

    found = quantities(args, _RESIN)
    exponent = None
    if args.power_exponent is not None:
        exponent = parse_measured("--power-exponent", args.power_exponent, "number")
        ratio("--power-exponent", exponent.value, low=0.0, high=2.0, high_open=False)
    more: dict[str, Any] = {}
    if args.refractive_index is not None:
        more["refractive_index"] = ratio("--refractive-index", number("--refractive-index", args.refractive_index), low=1.0, low_open=False)
    if args.correlation is not None:
        more["correlation"] = number("--correlation", args.correlation)
    if "bleaching_exposure" in found and exponent is not None:
        raise QuantityError("--bleaching-exposure and --power-exponent are two cure models: choose one.")
    if ("reference_irradiance" in found) != (exponent is not None):
        raise QuantityError("--power-exponent and --reference-irradiance go together: give both, or neither.")
    if "temperature" in found:
        more["temperature"] = found["temperature"]
    if args.resin is not None:
        given = [flag(n) for n in ("penetration_depth", "critical_exposure") if n in found]
        given += ["--correlation"] if args.correlation is not None else []
        if given:
            raise QuantityError(f"--resin gives the working curve already: leave out {', '.join(given)}.")
        base = _resin_from_file(args.resin)
        if "bleaching_exposure" not in found and exponent is None:
            return dataclasses.replace(base, **more)
        more = {field.name: getattr(base, field.name) for field in dataclasses.fields(Resin)} | more
    else:
        need(found, ["penetration_depth", "critical_exposure"])
        more |= {name: found[name] for name in ("penetration_depth", "critical_exposure")}
    if "bleaching_exposure" in found:
        return BleachingResin(**more, bleaching_exposure=found["bleaching_exposure"])
    if exponent is not None:
        return PowerThresholdResin(**more, exponent=exponent, reference_irradiance=found["reference_irradiance"])
    return Resin(**more)


def _resin_from_file(path: str) -> Any:
    from ..jobs.lot import read_resin as read_file

    return read_file(path).resin


_LABELS = {
    "exposure_peak": "exposure on the axis",
    "exposure_mean": "exposure, mean",
    "exposure_min": "exposure, weakest place",
    "exposure_max": "exposure, strongest place",
    "cure_depth": "cure depth",
    "cure_depth_mean": "cure depth, at the mean",
    "cure_depth_min": "cure depth, weakest place",
    "cure_depth_max": "cure depth, strongest place",
    "line_width": "line width at the surface",
    "line_width_at_layer": "line width at the layer's bottom",
    "overcure": "overcure",
}


def answer_rows(answer: Any) -> list[tuple[str, str]]:
    """Outputs of an answer as rows of text; what repeats another row is left out."""
    from ..setting.answer import output_kind

    skip = set()
    if not answer.scan.raster and "cure_depth_min" not in answer.outputs:
        skip = {"exposure_mean", "exposure_min", "exposure_max"}
    elif not answer.scan.raster:
        skip = {"exposure_mean", "cure_depth_min"}
    labels = _LABELS
    if answer.beam.pulse_rate is not None and not answer.scan.raster:
        labels = labels | {"exposure_peak": "exposure on the axis, mean along it", "cure_depth": "cure depth, weakest place"}
    rows = []
    for name in answer.outputs:
        if name in skip:
            continue
        label = labels.get(name) or name.replace("_", " ").replace("equivalent", "equivalent exposure,")
        rows.append((label, answer.text(name)))
        if name in answer.monte_carlo:
            rows.append(("   Monte Carlo", mc_text(answer.monte_carlo[name], output_kind(name))))
    return rows


def _direction_rows(answer: Any) -> list[tuple[str, str]]:
    from ..units import show, show_span

    rows = []
    for name in ("exposure_peak", "exposure_min", "cure_depth", "cure_depth_min", "line_width", "overcure"):
        if name in answer.over_directions and (name != "exposure_min" or answer.scan.raster):
            low, high, at_low, at_high = answer.over_directions[name]
            where = f"(tracks at {show(at_low, digits=3)} and {show(at_high, digits=3)})"
            rows.append((f"  {_LABELS.get(name, name)}", f"{show_span(low, high)} {where}"))
    return rows


def mc_text(mc: Any, kind: str) -> str:
    """A Monte Carlo summary (kernel units of the kind) as one line."""
    from ..units import KINDS, Quantity, show_kernel, show_span

    *ends, u = (Quantity(number, KINDS[kind].kernel) for number in (*mc.interval, mc.standard_uncertainty))
    return f"{show_kernel(mc.mean, kind, mc.standard_uncertainty)}, {percent(mc.confidence, '.4g')} in {show_span(*ends, u=u)}"


def answer_text(answer: Any, first: list[tuple[str, str]]) -> str:
    """The whole text answer: what was asked, what the setting does, what moves it, warnings."""
    from ..units import show
    from .common import show_rows

    text = show_rows([*first, *answer_rows(answer)])
    if answer.standard_uncertainty:
        text += "\n(+- is one standard uncertainty)"
    moved = [
        (f"  {k.replace('_', ' ')}", f"{'+' if v.m > 0 else ''}{show(v, digits=3)}")
        for k, v in answer.sensitivity.items()
        if v is not None and abs(float(v.m_as("mm"))) > 1e-8
    ]
    if moved:
        place = " of the weakest place" if answer.scan.raster or answer.beam.pulse_rate is not None else ""
        text += f"\n\n1 % more of this moves the cure depth{place} by\n" + show_rows(moved)
    if answer.over_directions:
        text += "\n\nelliptical spot, over all track directions\n" + show_rows(_direction_rows(answer))
    for note in answer.warnings:
        text += f"\n\nnote: {note}"
    if answer.resin.temperature is not None:
        text += f"\n\nresin temperature {show(answer.resin.temperature)} (recorded, not modelled)"
    return text
