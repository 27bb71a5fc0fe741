"""Machine, resin and needs as files in a folder, from a setting told in the words of the integration."""

from __future__ import annotations

import datetime
from pathlib import Path

from curecalc.jobs.lot import Lot, read_resin
from curecalc.jobs.machine import Machine, read_machine
from curecalc.jobs.needs import Needs, read_needs

from . import integration as oracle
from .cases import Case

TODAY = datetime.date(2026, 1, 2)


def machine_file(folder: Path, case: Case, *, beam: dict[str, str] | None = None, scanner: dict[str, str] | None = None) -> Machine:
    """An invented machine whose spot, power and pulses are the case's, from half its radius to twice."""
    wx, scan = case.spot.wx, case.scan
    ellipse = "" if case.spot.wy is None else f"radius_ratio = {case.spot.wy / wx!r}\nspot_angle = '{case.spot.spot_angle!r} deg'\n"
    pulses = "" if scan.rate is None else f"pulse_rate = '{scan.rate!r} Hz'\npulse_spacing_max = 3.0\n"
    spot, move = ("".join(f"{key} = {value}\n" for key, value in (more or {}).items()) for more in (beam, scanner))
    path = folder / "machine.toml"
    path.write_text(
        f"""schema = 1
name = "invented machine"
[laser]
wavelength = "355 nm"
power = "{2 * scan.power!r} mW +- 1 %"
power_min = "{scan.power / 50!r} mW"
power_reading_date = {TODAY.isoformat()}
power_scale_uncertainty = "1 %"
{pulses}
[beam]
beam_radius_min = "{0.5 * wx!r} mm"
beam_radius_max = "{2 * wx!r} mm"
beam_radius_scale_uncertainty = "1 %"
{ellipse}{spot}
[scanner]
scan_speed_max = "{20 * scan.speed!r} mm/s"
scan_speed_min = "0.1 mm/s"
{move}
[recoater]
layer_thickness_min = "0.005 mm"
layer_thickness_max = "0.3 mm"
recoat_time = "10 s"
""",
        encoding="utf-8",
    )
    return read_machine(path)


def resin_file(folder: Path, case: Case) -> Lot:
    """A resin file of the case's law, from no coupons."""
    law = case.law
    more = f"bleaching_exposure = '{100 * law.eb!r} mJ/cm^2'\n" if isinstance(law, oracle.Bleaching) else ""
    if isinstance(law, oracle.Threshold):
        more = f"exponent = {law.w!r}\nreference_irradiance = '{law.i_ref!r} mW/mm^2'\n"
    path = folder / "resin.toml"
    path.write_text(
        f"""schema = 1
name = "invented resin"
wavelength = "355 nm"
penetration_depth = "{law.dp!r} mm"
critical_exposure = "{100 * law.ec!r} mJ/cm^2"
refractive_index = {case.tilt.n!r}
{more}""",
        encoding="utf-8",
    )
    return read_resin(path)


def needs_file(folder: Path, case: Case, *, turned: bool = True, layers_above: int | None = 3, **vector: str) -> Needs:
    """One kind of vector of the case's pattern; in its direction, or without one."""
    scan = case.scan
    lines = {
        "pattern": '"line"' if scan.spacing is None else '"raster"',
        "cross_hatch": "true" if scan.crossed else None,
        "passes": str(scan.passes),
        "track_angle": f'"{scan.track_angle!r} deg"' if turned else None,
        **vector,
    }
    if "cure_depth" not in lines:
        lines["overcure"] = lines.get("overcure") or '"0.01 mm"'
    path = folder / "needs.toml"
    above = "" if layers_above is None else f"layers_above = {layers_above}\n"
    path.write_text(
        f"""schema = 1
name = "invented part"
layer_thickness = "{case.layer!r} mm"
assurance = "60 %"
{above}
[[vectors]]
kind = "one"
"""
        + "".join(f"{key} = {value}\n" for key, value in lines.items() if value is not None),
        encoding="utf-8",
    )
    return read_needs(path)
