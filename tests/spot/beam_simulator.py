"""Invented beams and invented faults, apart from the program: numpy and scipy only, nothing of ours is imported.

Every function returns what a shop would hold (positions and readings, a picture, widths) and the truth behind it. A
`fault` is planted by name; `GOOD` names data without one. Units mm; radii at 1/e^2.
"""

import math

import numpy as np
from scipy.special import erf, eval_genlaguerre, eval_hermite

SCAN_GOOD = ("plain", "drift", "bright noise", "jitter", "8 bit", "12 bit", "few readings")
SCAN_FAULTS = ("saturated", "cut at zero", "4 bit", "wild reading", "backlash", "strong drift, few", "top hat", "two lobes")
IMAGE_GOOD = ("gaussian 8 bit", "gaussian 12 bit", "ellipse 16 bit", "linear gradient", "light noise", "off centre")
IMAGE_FAULTS = (
    "curved background",
    "hot clusters",
    "two spots",
    "near spots",
    "halo",
    "top hat",
    "hermite 10",
    "laguerre 01",
    "saturated",
    "dark cut",
    "cut by the sensor",
)
CAUSTIC_GOOD = ("scatter", "stated", "stated and rounded")
CAUSTIC_FAULTS = ("understated", "wild width", "no far positions")


def edge(x, w):
    return 0.5 * (1.0 + erf(math.sqrt(2.0) * x / w))


def slit_profile(x, w, s):
    if s == 0.0:
        return np.exp(-2.0 * (x / w) ** 2)
    return (edge(x + s / 2, w) - edge(x - s / 2, w)) * w * math.sqrt(math.pi / 2) / s


def pinhole_profile(x, w, d):
    """Mean of a round Gaussian over a disc, by polar quadrature (the program uses chords)."""
    r, wr = np.polynomial.legendre.leggauss(24)
    r, wr = 0.25 * d * (r + 1), 0.25 * d * wr
    a = np.arange(48) * 2 * math.pi / 48
    px, py = (r[:, None] * np.cos(a)).ravel(), (r[:, None] * np.sin(a)).ravel()
    weight = np.repeat(wr * r, 48)
    return (np.exp(-2 * ((x[:, None] + px) ** 2 + py**2) / w**2) @ weight) / weight.sum()


def top_hat_edge(x, radius):
    u = np.clip(x / radius, -1, 1)
    return 0.5 + (u * np.sqrt(1 - u * u) + np.arcsin(u)) / math.pi


def scan(rng, kind, fault):
    """Positions, readings, truth of a knife-edge, slit or pinhole scan; `opening` is the slit's or pinhole's width."""
    w = 10 ** rng.uniform(-1.7, -0.3)
    few = "few" in fault
    n = int(rng.integers(9, 12)) if few else int(rng.integers(21, 51))
    reach = rng.uniform(2.2, 3.2)
    x = np.linspace(-reach, reach, n) * w
    direction = np.ones(n)
    if fault == "backlash":
        x = np.concatenate([x, x[::-1]])
        direction = np.concatenate([np.ones(n), -np.ones(n)])
    centre = rng.uniform(-0.3, 0.3) * w
    noise = 10 ** rng.uniform(-3, -2)
    true_x = x - centre
    if fault == "jitter":
        true_x = true_x + 0.05 * w * rng.standard_normal(x.size)
    if fault == "backlash":
        true_x = true_x - direction * rng.uniform(0.08, 0.3) * w
    opening = 0.0 if kind == "knife-edge" else rng.uniform(0.0, 2.0) * w if kind == "slit" else rng.uniform(0.2, 1.6) * w
    if kind == "knife-edge":
        if fault == "top hat":
            shape = top_hat_edge(true_x, w)
        elif fault == "two lobes":
            shape = 0.5 * (edge(true_x - 0.7 * w, 0.5 * w) + edge(true_x + 0.7 * w, 0.5 * w))
        else:
            shape = edge(true_x, w)
        if rng.random() < 0.5:
            shape = 1 - shape
    elif kind == "slit":
        if fault == "top hat":
            opening = 0.0
            shape = np.sqrt(np.maximum(1 - (true_x / w) ** 2, 0))
        elif fault == "two lobes":
            opening = 0.0
            shape = slit_profile(true_x - 0.7 * w, 0.5 * w, 0.0) + slit_profile(true_x + 0.7 * w, 0.5 * w, 0.0)
        else:
            shape = slit_profile(true_x, w, opening)
    else:
        if fault in ("top hat", "two lobes"):
            opening = 0.3 * w
            shape = 1.0 * (abs(true_x) < w) if fault == "top hat" else pinhole_profile(true_x - 0.7 * w, 0.5 * w, opening)
            if fault == "two lobes":
                shape = shape + pinhole_profile(true_x + 0.7 * w, 0.5 * w, opening)
        else:
            shape = pinhole_profile(true_x, w, opening)
    shape = shape / shape.max()
    t = np.arange(x.size) / x.size - 0.5
    source = 1 + (rng.uniform(-0.06, 0.06) if fault == "drift" else rng.choice([-0.3, 0.3]) if "strong drift" in fault else 0.0) * t
    y = 0.04 + source * shape
    y = y + noise * rng.standard_normal(x.size) * (1 + (2 * shape if fault == "bright noise" else 0))
    if fault == "saturated":
        y = np.minimum(y, 0.04 + rng.uniform(0.6, 0.97))
    if fault == "cut at zero":
        y = np.maximum(y - 0.04 - rng.uniform(0.03, 0.3), 0.0)
    bits = {"8 bit": 8, "12 bit": 12, "4 bit": 4}.get(fault, 14)
    y = np.round(y / 1.15 * 2**bits) / 2**bits * 1.15
    if fault == "wild reading":
        at = int(rng.integers(0, n))
        y[at] = y[at] + rng.choice([-1, 1]) * rng.uniform(0.15, 1.0)
    return x, y, w, opening


def mode_picture(kind, u, v, w):
    """Light of one beam of nominal radius w and the true second-moment radii along u and v."""
    g = np.exp(-2 * (u * u + v * v) / w**2)
    if kind == "hermite 10":
        a, b = eval_hermite(1, math.sqrt(2) * u / w) ** 2 / 2, 1.0
        return 0.7 * g + 0.6 * g * a * b, None
    if kind == "laguerre 01":
        r2 = 2 * (u * u + v * v) / w**2
        return g * (0.35 + r2 * eval_genlaguerre(0, 1, r2) ** 2), None
    if kind == "top hat":
        return 1.0 / (1.0 + np.exp((np.hypot(u, v) - w) * 3.0)), (w, w)
    return g, (w, w)


def picture(rng, fault, size=160):
    """Picture in counts, truth (radius along x, radius along y; None where no single radius is true)."""
    bits = 8 if "8 bit" in fault else 16 if "16 bit" in fault else 12
    top = 2**bits - 1
    wx = rng.uniform(10, 0.125 * size)
    wy = wx * rng.uniform(0.7, 1.3) if "ellipse" in fault else wx
    cx, cy = size / 2 + rng.uniform(-6, 6, 2)
    if fault == "off centre":
        cx += 0.12 * size
    if fault == "cut by the sensor":
        cx = rng.uniform(1.1, 1.7) * wx
    y, x = np.mgrid[:size, :size].astype(float)
    u, v = x - cx, y - cy
    truth = (wx, wy)
    light = np.exp(-2 * (u * u / wx**2 + v * v / wy**2))
    if fault in ("top hat", "hermite 10", "laguerre 01"):
        light, _ = mode_picture(fault, u, v, wx)
        light = light / light.max()
        total, mx, my = light.sum(), (light * x).sum() / light.sum(), (light * y).sum() / light.sum()
        truth = tuple(2 * math.sqrt((light * q**2).sum() / total) for q in (x - mx, y - my))
    if fault == "two spots":
        a, d = rng.uniform(0, 2 * math.pi), rng.uniform(3.0, 4.0) * wx
        light = light + rng.uniform(0.05, 1.0) * np.exp(-2 * ((u - d * math.cos(a)) ** 2 + (v - d * math.sin(a)) ** 2) / wx**2)
    if fault == "near spots":
        a, d = rng.uniform(0, 2 * math.pi), rng.uniform(1.4, 2.5) * wx
        light = light + rng.uniform(0.1, 0.9) * np.exp(-2 * ((u - d * math.cos(a)) ** 2 + (v - d * math.sin(a)) ** 2) / (0.6 * wx) ** 2)
    if fault == "halo":
        k = rng.uniform(2.0, 3.0)
        light = light + rng.uniform(0.01, 0.06) * np.exp(-2 * (u * u + v * v) / (k * wx) ** 2)
    peak = (0.75 if fault != "saturated" else rng.uniform(1.05, 1.8)) * top
    sd = top / rng.uniform(200, 1000)
    dark = (0.08 if fault == "linear gradient" else 0.03) * top + 4 * sd
    if fault == "dark cut":
        dark = -rng.uniform(0.5, 3.0) * sd
    z = dark + peak * light / light.max()
    if fault == "linear gradient":
        z = z + 0.05 * top * ((x - y) / size)
    if fault == "curved background":
        rr = ((x - size * rng.uniform(0.2, 0.8)) ** 2 + (y - size * rng.uniform(0.2, 0.8)) ** 2) / size**2
        z = z + rng.uniform(0.03, 0.12) * top * (rr if rng.random() < 0.5 else np.exp(-2 * rr))
    if fault == "hot clusters":
        for _ in range(int(rng.integers(3, 15))):
            j, i = rng.integers(0, size - 2, 2)
            z[j : j + 2, i : i + 2] += rng.uniform(0.2, 0.9) * top
    grow = 3.0 if fault == "light noise" else 0.0
    z = z + sd * np.sqrt(1 + grow**2 * light / light.max()) * rng.standard_normal(z.shape)
    return np.clip(np.round(z), 0, top).astype(np.uint8 if bits == 8 else np.uint16), truth, top


def caustic(rng, fault):
    """Positions, radii, stated standard uncertainty or None, and (waist, M^2); wavelength 355 nm."""
    w0, m2 = 10 ** rng.uniform(-1.5, -0.7), rng.uniform(1.05, 2.0)
    zr = math.pi * w0**2 / (m2 * 355e-6)
    far = int(rng.integers(3, 6))
    z = zr * np.concatenate([rng.uniform(-0.9, 0.9, int(rng.integers(5, 8))), rng.uniform(2, 4, far), -rng.uniform(2, 4, far)])
    if fault == "no far positions":
        z = np.clip(z, -1.2 * zr, 1.2 * zr) * rng.uniform(0.8, 1, z.size)
    w = np.hypot(w0, w0 / zr * z)
    sd = w0 * 10 ** rng.uniform(-2.3, -1.5)
    w_read = w + sd * rng.standard_normal(z.size)
    if fault == "wild width":
        at = int(rng.integers(0, z.size))
        w_read[at] *= 1 + rng.choice([-1, 1]) * rng.uniform(0.15, 0.5)
    stated = None if fault in ("scatter", "wild width", "no far positions") else sd / 5 if fault == "understated" else sd
    if fault == "stated and rounded":
        w_read = np.round(w_read, 4)
    return z, w_read, stated, (w0, m2)
