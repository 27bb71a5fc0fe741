"""The simulated beams measured by the program, counted: coverage where nothing is called out, faults found, false alarms.

`python beam_survey.py COUNT SEED` writes `reference/simulations/beams.toml`; a third word surveys the kinds that hold it and only prints.
"""

import warnings
from collections import defaultdict
from pathlib import Path

import beam_simulator as sim
import numpy as np

from curecalc.errors import QuantityError
from curecalc.spot.focus import caustic_beam
from curecalc.spot.openings import pinhole_beam, slit_beam
from curecalc.spot.pictures import image_beam
from curecalc.spot.scans import knife_edge_beam
from curecalc.units import MM
from curecalc.units import Quantity as Q

RECORD = Path(__file__).parents[2] / "reference" / "simulations" / "beams.toml"


def _scan(rng, kind, fault):
    x, y, w, opening = sim.scan(rng, kind, fault)
    if kind == "knife-edge":
        got = knife_edge_beam(position=Q(x, "mm"), reading=y)
    elif kind == "slit":
        got = slit_beam(position=Q(x, "mm"), reading=y, slit_width=Q(opening, "mm") if opening else Q(1e-6 * w, "mm"))
    else:
        got = pinhole_beam(position=Q(x, "mm"), reading=y, pinhole_diameter=Q(opening, "mm"))
    return got, [(got.radius_x, w)]


def _image(rng, fault):
    z, truth, top = sim.picture(rng, fault)
    got = image_beam(image=z, pixel_size=Q(1.0, "mm"), full_scale=float(top))
    return got, [] if truth is None else [(got.radius_x, truth[0]), (got.radius_y, truth[1])]


def _caustic(rng, fault):
    z, w, u, (w0, m2) = sim.caustic(rng, fault)
    got = caustic_beam(
        position=Q(z, "mm"),
        radius_x=Q(w, "mm"),
        wavelength=Q(355.0, "nm"),
        standard_uncertainty=None if u is None else Q(np.full(z.size, u), "mm"),
    )
    return got, [(got.details["waist_radius"]["x"], w0), (got.beam_quality[0], m2)]


def run(kind, fault, count, seed=1):
    """Counts over `count` beams of one kind and fault: a dict of shares."""
    rng = np.random.default_rng([seed, count, sum(map(ord, kind + fault))])
    tally = defaultdict(float)
    words = defaultdict(int)
    for _ in range(count):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                got, pairs = (
                    _image(rng, fault) if kind == "image" else _caustic(rng, fault) if kind == "caustic" else _scan(rng, kind, fault)
                )
            except QuantityError as error:
                tally["refused"] += 1
                words["REFUSED " + str(error)[:70]] += 1
                continue
        checks = got.warnings
        for c in checks:
            words[" ".join(c.split()[:9])] += 1
        tally["checked"] += bool(checks)
        bias = False
        for estimate, truth in pairs:
            value = float(estimate.value.m_as(MM)) if estimate.value.check("[length]") else float(estimate.value.m)
            u = estimate.relative * value
            off = abs(value - truth)
            bias |= off > 0.03 * truth and off > 4 * u
            if not checks:
                tally["judged"] += 1
                low, high = (float(e.m_as(estimate.value.units)) for e in estimate.interval)
                tally["inside"] += low <= truth <= high
        tally["biased"] += bias
        tally["biased and silent"] += bias and not checks
    out = {
        "refused": tally["refused"] / count,
        "checked": tally["checked"] / count,
        "inside": int(tally["inside"]),
        "judged": int(tally["judged"]),
        "biased": int(tally["biased"]),
        "silent": int(tally["biased and silent"]),
    }
    return out, dict(words)


def cases():
    for kind in ("knife-edge", "slit", "pinhole"):
        yield from ((kind, fault, True) for fault in sim.SCAN_GOOD)
        yield from ((kind, fault, False) for fault in sim.SCAN_FAULTS)
    yield from (("image", fault, True) for fault in sim.IMAGE_GOOD)
    yield from (("image", fault, False) for fault in sim.IMAGE_FAULTS)
    yield from (("caustic", fault, True) for fault in sim.CAUSTIC_GOOD)
    yield from (("caustic", fault, False) for fault in sim.CAUSTIC_FAULTS)


def table(count, seed, only="", verbose=False):
    """Prints a line a kind; returns the lines by kind and the shares over all."""
    rows, sums = {}, defaultdict(float)
    for kind, fault, good in cases():
        if only not in f"{kind} {fault}":
            continue
        row, words = run(kind, fault, count, seed)
        print(f"{kind:10s} {fault:20s} {'good ' if good else 'fault'}", *(f"{k} {v:.3g}" for k, v in row.items()), flush=True)
        for text, times in sorted(words.items(), key=lambda p: -p[1])[:6] if verbose else ():
            print(f"      {times:4d}  {text}")
        rows[kind, fault] = row
        sums["good" if good else "faults"] += count
        sums["judged"] += row["judged"]
        sums["inside"] += row["inside"]
        if good:
            sums["alarms"] += round(count * (row["checked"] + row["refused"]))
        else:
            sums["biased"] += row["biased"]
            sums["silent"] += row["silent"]
    shares = {
        "coverage": sums["inside"] / max(sums["judged"], 1),
        "good_called": sums["alarms"] / max(sums["good"], 1),
        "biased_called": 1.0 - sums["silent"] / max(sums["biased"], 1),
    }
    print({k: round(v, 4) for k, v in shares.items()}, dict(sums))
    return rows, shares


def write(count, seed, rows, shares):
    lines = [
        "# Simulated beams measured by the program, with a seed at which nothing was chosen; coverage is of radii without a Check,",
        "# `biased_called` of faulty beams off by more than 3 % and 4 standard uncertainties that carry one. Refused beams count for",
        "# neither. Written by tests/spot/beam_survey.py; beams and faults stand in tests/spot/beam_simulator.py.",
        f"each = {count}",
        f"seed = {seed}",
        "",
        "[all]",
        *(f"{name} = {value:.4f}" for name, value in shares.items()),
    ]
    last = None
    for (kind, fault), row in rows.items():
        lines += [] if kind == last else ["", f"[{kind}]"]
        last = kind
        told = ", ".join(f"{n} = {row[n]:.4g}" for n in ("refused", "checked", "inside", "judged", "biased", "silent"))
        lines.append(f'"{fault}" = {{ {told} }}')
    RECORD.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    import sys

    each, chosen = int(sys.argv[1]), int(sys.argv[2])
    if len(sys.argv) > 3:
        table(each, chosen, sys.argv[3], verbose=True)
    else:
        write(each, chosen, *table(each, chosen))
