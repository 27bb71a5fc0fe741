"""The run sheet of a coupon plan to print and write on, and the table with the same labels to fill in."""

from __future__ import annotations

import csv
import io
import math
from html import escape
from typing import Any

from ..calibration.planning import Plan
from ..cautions import CAUTIONS
from ..units import IN_UM, MM, figure, show

__all__ = ["coupon_csv", "run_sheet_html", "run_sheet_text"]

_STYLE = """
@page { size: A4; margin: 14mm; }
body { font-family: sans-serif; font-size: 11pt; color: #111; max-width: 182mm; margin: 8mm auto; }
h1 { font-size: 17pt; margin: 0 0 3mm; }
table { border-collapse: collapse; width: 100%; margin: 3mm 0; }
th, td { border: 1px solid #444; padding: 1.6mm 2mm; text-align: right; font-size: 11pt; }
th { background: #eee; font-size: 9.5pt; }
td.wide { min-width: 18mm; }
td.big { font-size: 13pt; font-weight: bold; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
.line { display: inline-block; border-bottom: 1px solid #444; min-width: 42mm; }
.small { font-size: 9pt; }
p { margin: 2mm 0; }
"""


def _settings(plan: Plan) -> list[tuple[str, str]]:
    m = plan.machine
    if m is None:
        return []
    found = dict(m.settings)
    # a crossed raster brings each place its mean twice
    found["passes"] = found.get("passes", 1.0) * (2.0 if m.cross_hatch else 1.0)
    idle = {"passes": 1.0, "track_angle": 0.0, "spot_angle": 0.0}
    units = {"passes": "", "radius_ratio": "", "power": " mW", "pulse_rate": " Hz", "track_angle": " deg", "spot_angle": " deg"}
    return [
        (name.replace("_", " "), figure(math.degrees(value) if name.endswith("angle") else value) + units.get(name, " mm"))
        for name, value in found.items()
        if value != idle.get(name)
    ]


def coupon_csv(plan: Plan, *, names: dict[str, str] | None = None) -> str:
    """A table ready to fill in: one row a reading, in the order of exposing, the thickness left blank.

    `curecalc fit` reads it once it is filled in; rows still blank are left out with `--skip-blank`.
    """
    out = io.StringIO()
    for name, value in (names or {}).items():
        if value:
            out.write(f"# {name} = {' '.join(str(value).split())}\n")
    for name, value in _settings(plan):
        out.write(f"# {name} = {value}\n")
    writer = csv.writer(out, lineterminator="\n")
    with_speed = plan.machine is not None
    writer.writerow(["coupon", "run order", "scan speed [mm/s]" if with_speed else "exposure [mJ/cm^2]", "thickness [um]", "note"])
    for c in plan.coupons:
        value = f"{c.scan_speed.m:.6g}" if c.scan_speed is not None else f"{c.exposure.m:.6g}"
        for _ in range(plan.readings):
            writer.writerow([c.label, c.run_order, value, "", ""])
    return out.getvalue()


def run_sheet_text(plan: Plan, *, title: str = "Coupon run sheet") -> str:
    """The run sheet as plain text."""
    lines = [title, "=" * len(title), ""]
    lines += ["date ____________   operator ____________   resin and lot ____________________", ""]
    if plan.machine is not None:
        lines.append(", ".join(f"{name} {value}" for name, value in _settings(plan)))
    lines += ["power read before ________ mW   after ________ mW   resin temperature ________ degC", ""]
    blanks = "  ".join(f"reading {i + 1}" for i in range(plan.readings))
    lines.append(f"order  coupon  speed (mm/s)  exposure (mJ/cm^2)  expect (mm)   {blanks}")
    for c in plan.coupons:
        speed = "" if c.scan_speed is None else figure(c.scan_speed.m)
        depth = figure(c.expected_depth.m_as(MM), digits=3)
        row = f"{c.run_order:>5}  {c.label:>6}  {speed:>12}  {figure(c.exposure.m):>18}  {depth:>11}   "
        lines += [row + "  ".join("_" * 9 for _ in range(plan.readings)), ""]
    lines += [*_rules(plan), "", *CAUTIONS]
    return "\n".join(lines) + "\n"


def _rules(plan: Plan) -> list[str]:
    return [
        "Expose in this order: it is random so that drift of power or temperature does not look like a slope.",
        f"Wash and dry all coupons alike. Take {plan.readings} readings on each, spread over it. Write what the gauge shows.",
        "Do not repeat a reading because it looks wrong: write it down and note why.",
    ]


def run_sheet_html(plan: Plan, *, title: str = "Coupon run sheet") -> str:
    """The run sheet as a page to print: order, settings, blanks for the readings."""
    settings = "".join(f"<b>{escape(name)}</b> {escape(value)} &nbsp; " for name, value in _settings(plan))
    blanks = "".join(f"<th scope='col'>reading {i + 1} (µm)</th>" for i in range(plan.readings))
    with_speed = plan.machine is not None
    speed_head = "<th scope='col'>scan speed<br>(mm/s)</th>" if with_speed else ""
    rows = "".join(_row(c, plan.readings, with_speed) for c in plan.coupons)
    rules = "".join(f"<p>{escape(r)}</p>" for r in _rules(plan))
    cautions = "".join(f"<p class='small'>{escape(c)}</p>" for c in CAUTIONS)
    return (
        f"<!DOCTYPE html>\n<html lang='en'><head><meta charset='utf-8'><title>{escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body><h1>{escape(title)}</h1>"
        "<p>date <span class='line'></span> operator <span class='line'></span></p>"
        "<p>resin and lot <span class='line'></span> machine <span class='line'></span></p>"
        f"<p>{settings}</p>"
        "<p>power read before <span class='line'></span> mW, after <span class='line'></span> mW</p>"
        "<p>resin temperature <span class='line'></span> degC</p>"
        f"<table><thead><tr><th scope='col'>order</th><th scope='col'>coupon</th>{speed_head}<th scope='col'>exposure<br>(mJ/cm&sup2;)</th>"
        f"<th scope='col'>expect about<br>(µm)</th>{blanks}</tr></thead><tbody>{rows}</tbody></table>"
        f"{rules}<p class='small'>Guess: Dp {escape(show(plan.penetration_depth))}, Ec {escape(show(plan.critical_exposure))}. "
        f"Random order from seed {plan.seed}.</p>{cautions}</body></html>\n"
    )


def _row(c: Any, readings: int, with_speed: bool) -> str:
    speed = f"<td class='big'>{figure(c.scan_speed.m)}</td>" if with_speed and c.scan_speed is not None else ""
    return (
        f"<tr><td>{c.run_order}</td><td class='big'>{escape(c.label)}</td>{speed}<td>{figure(c.exposure.m)}</td>"
        f"<td>{figure(IN_UM * c.expected_depth.m_as(MM), digits=3)}</td>{'<td class=wide></td>' * readings}</tr>"
    )
