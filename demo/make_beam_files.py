"""Makes the invented beam measurements of this folder from a stated truth: run it to write them again.

Truth: wavelength 355 nm; 240 mW at the resin surface; at the surface 1/e^2 radii 0.116 mm along and 0.104 mm across an axis
turned 20 degrees from x towards y; the caustic has M^2 1.20, a waist of 0.060 mm at 212.0 mm. Nothing here was measured.
"""

import math
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
NOTE = "# invented data, not a measurement; truth: "


def write(name, head, columns, formats):
    rows = [",".join(f.format(v) for f, v in zip(formats, row, strict=True)) for row in zip(*columns, strict=True)]
    (HERE / name).write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")


def step(x, centre, radius):
    return np.array([0.5 * (1 + math.erf(math.sqrt(2) * (v - centre) / radius)) for v in x])


def lab_radius(turn):
    """Radius seen by a scan along a direction, degrees from x."""
    a = math.radians(turn - 20.0)
    return math.hypot(0.116 * math.cos(a), 0.104 * math.sin(a))


def main():
    rng = np.random.default_rng(355)
    x = np.round(np.arange(-0.36, 0.3601, 0.02), 3)
    names, positions, powers = [], [], []
    for axis, turn in (("x", 0.0), ("y", 90.0)):
        clean = 0.6 + (241.0 - 6.0 * x) * step(x, 0.012, lab_radius(turn))
        names += [axis] * x.size
        positions += list(x + (12.5 if axis == "x" else 8.0))
        powers += list(clean + 0.7 * rng.standard_normal(x.size))
    head = [NOTE + f"radius x {lab_radius(0):.4f} mm and y {lab_radius(90):.4f} mm", "axis,position [mm],power [mW]"]
    write("beam_knife_edge.csv", head, (names, positions, powers), ("{}", "{:.3f}", "{:.2f}"))

    x = np.round(np.arange(-0.4, 0.4001, 0.02), 3)
    signal = 3000.0 * (step(x + 0.015, 0.004, lab_radius(0)) - step(x - 0.015, 0.004, lab_radius(0)))
    signal += 12.0 + 4.0 * rng.standard_normal(x.size)
    head = [NOTE + f"radius {lab_radius(0):.4f} mm", "slit width = 30 um", "position [mm],signal [mV]"]
    write("beam_slit.csv", head, (x, signal), ("{:.3f}", "{:.1f}"))

    waist, at, quality = 0.060, 212.0, 1.20
    rayleigh = math.pi * waist**2 / (quality * 355e-6)
    z = np.array([120.0, 132, 144, 198, 204, 210, 216, 222, 228, 276, 290, 304])
    w = np.hypot(waist, waist / rayleigh * (z - at))
    seen = [2000 * (w + 0.0006 * rng.standard_normal(z.size)) for _ in "xy"]
    head = [NOTE + "waist 60 um at 212 mm and M^2 1.20", "wavelength = 355 nm", "position [mm],beam diameter x [um],beam diameter y [um]"]
    write("beam_caustic.csv", head, (z, *seen), ("{:.1f}", "{:.1f}", "{:.1f}"))

    picture(rng)

    t = np.arange(0.0, 400.0, 10.0)
    power = 250.0 * (1 - 0.05 * np.exp(-t / 45.0)) + 0.8 * rng.standard_normal(t.size)
    head = [NOTE + "250 mW at the meter after a warm-up of 5 %; a window takes 4 %: 240 mW at the resin", "time [s],power [mW]"]
    write("beam_power.csv", head, (t, power), ("{:.0f}", "{:.1f}"))

    v = np.array([400.0, 700, 1200, 2000, 3500, 6000, 10000])
    vanishing = math.sqrt(2 / math.pi) * 240.0 / (0.110 * 0.094)
    width, depth = 0.110 * np.sqrt(2 * np.log(vanishing / v)), 0.142 * np.log(vanishing / v)
    columns = (v, 1000 * (width + 0.004 * rng.standard_normal(v.size)), 1000 * (depth + 0.006 * rng.standard_normal(v.size)))
    head = [NOTE + "radius 0.110 mm; Dp 0.142 mm; Ec 9.4 mJ/cm^2", "power = 240 mW", "scan speed [mm/s],line width [um],cure depth [um]"]
    write("beam_cured_lines.csv", head, columns, ("{:.0f}", "{:.0f}", "{:.0f}"))


def picture(rng):
    from PIL import Image

    pixel = 0.0044
    y, x = np.mgrid[:180, :200].astype(float)
    a = math.radians(20.0)
    dx, dy = (x - 98.3) * pixel, (y - 91.6) * pixel
    u, v = dx * math.cos(a) + dy * math.sin(a), -dx * math.sin(a) + dy * math.cos(a)
    light = 200.0 * np.exp(-2 * ((u / 0.116) ** 2 + (v / 0.104) ** 2))
    counts = light + 9.0 + 2.0 * x / 200 + 1.2 * rng.standard_normal(x.shape)
    Image.fromarray(np.clip(np.round(counts), 0, 255).astype(np.uint8)).save(HERE / "beam_image.png", optimize=True)


if __name__ == "__main__":
    main()
