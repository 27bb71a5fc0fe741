"""The recipe on one page to lay beside a machine, as PDF or printable HTML, and its settings as CSV: the JSON's numbers, shown."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

from ..errors import FileError
from ..recipe.record import main_vector
from ..symbols import percent, symbols
from ..units import IN_UM, figure, span

__all__ = ["recipe_columns", "recipe_csv", "recipe_html", "recipe_view"]

_DASH = "–"
_FOR = {"single layer": "each single layer", "mean": "the mean"}


def _n(q: dict[str, Any] | None, digits: int = 4) -> str:
    return _DASH if q is None else figure(q["value"], digits=digits)


def _unsure(q: dict[str, Any]) -> str:
    u = q.get("standard_uncertainty")
    return f"{figure(q['value'], u)} ± {figure(u, u)}" if u else figure(q["value"])


def _um(q: dict[str, Any] | None) -> str:
    return _DASH if q is None else figure(IN_UM * q["value"], digits=3)


def _percent(value: float) -> str:
    # digits enough that 99.95 % is not shown as certainty, and never more than is so
    whole = 100.0 * value
    for places in (1, 2, 3):
        shown = math.floor(whole * 10**places + 1e-6) / 10**places
        if whole - shown < 0.5 * (100.0 - whole):
            break
    return f"{shown:g} %"


SETTINGS = ("scan speed", "power", "beam radius", "spacing", "passes", "cure depth", "assured", "limited by")
UNITS = ("mm/s", "mW", "mm (1/e²)", "mm", "", "mm", "bond", "")


def recipe_columns() -> list[str]:
    """Heads of the settings table with their units, for plain text."""
    return ["kind", *(f"{name} [{unit}]" if unit else name for name, unit in zip(SETTINGS, UNITS))]


def recipe_view(record: dict[str, Any]) -> dict[str, Any]:
    """The texts of the sheet from the recipe's JSON object; nothing else enters."""
    resin, machine = record["resin"], record["machine"]
    settings, effects = [], []
    for v in record["vectors"]:
        passes = str(v["passes"]) + (" + crossed" if v["cross_hatch"] else "")
        settings.append(
            [
                v["kind"],
                _n(v["scan_speed"]),
                _n(v["power"]) + ("" if machine["power_held"] else f" ({percent(v['power_share'], '.1f')})"),
                _n(v["beam_radius"]),
                _n(v["hatch_spacing"]),
                passes,
                _unsure(v["cure_depth"]),
                _percent(v["assurance"]),
                ", ".join(v["limited_by"]),
            ]
        )
        width = v["line_width"]
        effects.append(
            [
                v["kind"],
                _DASH if width is None else _width(width),
                _n(v["contour_offset"], 3),
                _DASH if v["pattern"] == "line" else _um(v["ripple"]),
                _um(v["overcure"]),
                _um(v["print_through"]),
                str(v["compensation_layers"]),
                _n(v["interface_exposure"], 3),
                _um(v["corner_depth_error"]),
                _n(v["corner_reach"], 2),
                _um(v["field_depth_change"]),
            ]
        )
    rates = record["rates"]
    facts = []
    if rates is not None:
        facts.append(f"layer {_n(record['layer_time'], 3)} s: scan {_n(rates['scan_time'], 3)} s, recoat {_n(rates['recoat_time'], 3)} s")
        rate = f"{figure(rates['volume_per_hour']['value'], digits=3)} mL/h"
        if rates["mass_per_hour"] is not None:
            rate += f", {figure(rates['mass_per_hour']['value'], digits=3)} g/h"
        facts.append(rate)
        facts.append(f"{percent(record['light_limit_fraction'], '.0f')} of the light limit; the {rates['bottleneck']} holds the rate back")
        if rates["part_time"] is not None:
            facts.append(f"part of {rates['part_layers']} layers: {rates['part_time']['value'] / 3600.0:.1f} h")
    seam = record["seam"]
    if seam is not None:
        ends = seam["hatch_line_ends"]["value"]
        facts.append(
            f"hatch lines beside the contour: the first {figure(seam['first_hatch_line']['value'], digits=3)} mm from its line "
            f"({_um(seam['first_hatch_line_depth'])} µm deep at least); hatch lines that end at it: "
            f"{figure(abs(ends), digits=3)} mm {'from' if ends >= 0.0 else 'beyond'} its line ({_um(seam['hatch_line_ends_depth'])} µm)"
        )
    validity = [
        f"Dp {_measured(resin['penetration_depth'])}, Ec {_measured(resin['critical_exposure'])}, correlation {resin['correlation']:.2f}"
    ]
    if resin["verified"]:
        validity[0] += f", {resin['coupons']} coupons"
        low, high = resin["depth_range"]
        validity.append(
            f"holds for depths {span(low['value'], high['value'], digits=3)} mm, {_n(resin['wavelength'])} nm"
            + ("" if resin["temperature"] is None else f", {_n(resin['temperature'])} °C")
        )
    else:
        validity.append("UNVERIFIED: from a data sheet, not from coupons")
    return {
        "title": record["name"],
        "head": [
            ("machine", machine["name"]),
            ("resin", resin["name"] + (f", lot {resin['lot']}" if resin["lot"] else "")),
            ("layer", f"{_n(record['layer_thickness'])} mm"),
            ("assured", f"{percent(record['assurance'])} for {_FOR[record['assured_for']]}"),
            ("power read", f"{machine['power_reading_date']}, {_measured(machine['power'])}"),
            *_spot(machine),
            *_retuned(record),
            ("valid until", f"{machine['power_reading_valid_until']}, or a change of lot, vat, laser or beam"),
        ],
        "settings": settings,
        "effects": effects,
        "facts": facts,
        "validity": [*validity, record["systematic_errors"]["sentence"]],
        "budget": _budget(record),
        "proof": _proof(record),
        "spread": SPREAD,
        "sign_off": SIGN_OFF,
        "warnings": [symbols(text) for text in record["warnings"]],
        "assumptions": [symbols(text) for text in record["assumptions"]],
        "cautions": record["cautions"],
        "files": [f"{name} {Path(one['path']).name} {one['sha256'][:16]}" for name, one in record["files"].items()],
        "foot": f"{record['date']}, curecalc {record['version']}" + _head(record),
    }


def _spot(machine: dict[str, Any]) -> list[tuple[str, str]]:
    """The shape of the spot where it is an ellipse or was measured."""
    ratio, told = machine["radius_ratio"], machine["spot_measurement"]
    shape = "round" if ratio == 1.0 else f"elliptical, y radius {figure(ratio, digits=3)} of x, x at {_n(machine['spot_angle'], 3)}°"
    return [("spot", shape + (f" ({told})" if told else ""))] if told or ratio != 1.0 else []


def _retuned(record: dict[str, Any]) -> list[tuple[str, str]]:
    """That this sheet takes the place of another, and of which."""
    old = record.get("retuned_from")
    return [] if old is None else [("retuned", f"{record['date']}, in place of {Path(old['path']).name} {old['sha256'][:8]}")]


def _head(record: dict[str, Any]) -> str:
    """The head of the logbook that keeps this recipe: a sheet on paper is a place to note it."""
    return f"; logbook head: entry {record['log_entry']}, {record['log_sha256']}" if "log_entry" in record else ""


EFFECTS = ("line width", "offset", "ripple", "overcure", "print-through", "leave out", "interface", "corner", "reach", "field edge")
EFFECT_UNITS = ("mm", "mm", "µm", "µm", "µm", "layers", "mJ/cm²", "µm deeper", "mm", "µm")


def _width(q: dict[str, Any]) -> str:
    return _unsure(q | {"standard_uncertainty": q["expanded_uncertainty"] / q["coverage_factor"]})


SPREAD = "Behind ± stands one standard uncertainty, everywhere on this sheet."
SIGN_OFF = ("proof coupon read", "released by", "date", "taken back by")


def _proof(record: dict[str, Any]) -> str:
    """The coupon that shows whether the recipe holds today, its thickness and what to do where it misses."""
    v = main_vector(record["vectors"])
    low, thickness, high = (figure(v[f"coupon_{name}"]["value"], digits=3) for name in ("low", "thickness", "high"))
    return (
        f"Proof coupon: expose one free layer with the settings of {v['kind']}. Expected {thickness} mm. Between {low} and {high} mm "
        "(95 %) build; outside do not: read the power, record the coupon, fit again."
    )


def _measured(q: dict[str, Any]) -> str:
    return f"{_unsure(q)} {symbols(q['unit'])}"


def _budget(record: dict[str, Any]) -> str:
    """The parts of the uncertainty of depth for the first kind, greatest first."""
    v, *_ = record["vectors"]
    parts = sorted(v["budget"].items(), key=lambda item: -item[1]["value"])
    said = ", ".join(f"{name} {figure(IN_UM * q['value'], digits=2)}" for name, q in parts)
    return f"{v['kind']}, standard uncertainties of depth in µm: {said}"


def recipe_csv(record: dict[str, Any]) -> str:
    """The settings as a table with units in the header, full precision."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = (
        "scan_speed",
        "power",
        "beam_radius",
        "hatch_spacing",
        "cure_depth",
        "cure_depth_assured",
        "overcure",
        "line_width",
        "contour_offset",
        "ripple",
        "print_through",
        "exposure_mean",
        "exposure_min",
    )
    units = {n: next((v[n]["unit"] for v in record["vectors"] if v[n] is not None), "mm") for n in names}
    writer.writerow(
        [
            "kind",
            "pattern",
            "passes",
            "cross hatch",
            *(f"{n.replace('_', ' ')} [{units[n]}]" for n in names),
            "assurance",
            "compensation layers",
            "limited by",
        ]
    )
    for v in record["vectors"]:
        row = ["" if v[n] is None else repr(v[n]["value"]) for n in names]
        writer.writerow(
            [
                v["kind"],
                v["pattern"],
                v["passes"],
                "yes" if v["cross_hatch"] else "no",
                *row,
                repr(v["assurance"]),
                v["compensation_layers"],
                "; ".join(v["limited_by"]),
            ]
        )
    return out.getvalue()


def recipe_html(record: dict[str, Any], svg: str) -> str:
    """The printable page; needs the extra `pdf` or `page` (for its templates)."""
    try:
        from jinja2 import Environment, PackageLoader
    except ImportError:
        raise FileError("an HTML sheet needs one more package. Install it with: pip install 'curecalc[pdf]'") from None
    view = recipe_view(record)
    environment = Environment(loader=PackageLoader("curecalc.sheets"), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    heads = list(zip(("kind", *SETTINGS), ("", *UNITS)))
    effect_heads = list(zip(("kind", *EFFECTS), ("", *EFFECT_UNITS)))
    return environment.get_template("recipe.html").render(view=view, heads=heads, effect_heads=effect_heads, svg=svg[svg.index("<svg") :])
