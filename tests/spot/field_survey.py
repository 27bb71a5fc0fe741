"""Share of places at which the 95 % band of a map holds the surface it was made from; the surfaces are written here.

`python field_survey.py FIELDS SEED` writes `reference/simulations/fields.toml`, FIELDS maps of each kind.
"""

from pathlib import Path

import numpy as np

from curecalc.spot.surface import surface
from curecalc.statistics.intervals import t_factor

KINDS = ("plane", "bowl", "optics", "bump")
RECORD = Path(__file__).parents[2] / "reference" / "simulations" / "fields.toml"


def grid(n, half=100.0):
    g = np.linspace(-half, half, n)
    return [(float(x), float(y)) for x in g for y in g]


def coverage(kind, fields, seed, sides=(3, 4, 5)):
    """Over `fields` maps of nine to twenty-five places, each asked at a hundred places drawn inside; `sides` places a side."""
    rng = np.random.default_rng([seed, len(kind)])
    held = []
    for _ in range(fields):
        x, y = np.array(grid(int(rng.choice(sides)))).T
        at = rng.uniform(-100, 100, (2, 100))
        c = rng.standard_normal(8)

        def truth(x, y, c=c):
            u, v = x / 100, y / 100
            z = 0.03 * (c[0] * u + c[1] * v)
            if kind == "bowl":
                z = z + 0.05 * (c[2] * u * u + c[3] * u * v + c[4] * v * v)
            if kind == "optics":
                z = np.log(np.hypot(1, 0.3 * c[0] + 0.3 * c[1] * u + 0.3 * c[2] * v + 0.6 * abs(c[3]) * (u * u + v * v)))
            if kind == "bump":
                z = z + 0.03 * (u * u + v * v) + 0.08 * np.exp(-((u - 0.4 * c[5]) ** 2 + (v - 0.4 * c[6]) ** 2) / 0.5)
            return z

        got = surface(x, y, truth(x, y) + 10 ** rng.uniform(-2.3, -1.5) * rng.standard_normal(x.size))
        value, u = got.at(*at)
        held.append(np.mean(np.abs(value - truth(*at)) < t_factor(0.95, got.degrees_of_freedom) * u))
    return float(np.mean(held))


if __name__ == "__main__":
    import sys

    each, chosen = int(sys.argv[1]), int(sys.argv[2])
    shares = {kind: coverage(kind, each, chosen) for kind in KINDS}
    shares["all"] = float(np.mean(list(shares.values())))
    lines = [
        "# Share of places at which the 95 % band of a map holds the true surface, with a seed at which nothing was chosen.",
        "# Written by tests/spot/field_survey.py, where the surfaces stand. `fields` are maps of each kind.",
        f"fields = {each}",
        f"seed = {chosen}",
        "",
        "[coverage]",
        *(f"{kind} = {share:.4f}" for kind, share in shares.items()),
    ]
    RECORD.write_text("\n".join(lines) + "\n")
    print(shares)
