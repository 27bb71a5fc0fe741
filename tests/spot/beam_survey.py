"""The simulated beams measured by the program, counted: coverage where nothing is called out, faults found, false alarms."""

import warnings
from collections import defaultdict

import beam_simulator as sim
import numpy as np

from curecalc.errors import QuantityError
from curecalc.spot.focus import caustic_beam
from curecalc.spot.openings import pinhole_beam, slit_beam
from curecalc.spot.pictures import image_beam
from curecalc.spot.scans import knife_edge_beam
from curecalc.units import MM
from curecalc.units import Quantity as Q


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
        "n": count,
        "refused": tally["refused"] / count,
        "checked": tally["checked"] / count,
        "coverage": tally["inside"] / tally["judged"] if tally["judged"] else float("nan"),
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


def table(count, only=None, verbose=False):
    totals = defaultdict(float)
    for kind, fault, good in cases():
        if only and only not in kind and only not in fault:
            continue
        found, words = run(kind, fault, count)
        print(
            f"{kind:10s} {fault:20s} {'good ' if good else 'fault'} refused {found['refused']:.2f} checked {found['checked']:.2f} "
            f"coverage {found['coverage']:.3f} of {found['judged']:5d}  biased {found['biased']:4d} silent {found['silent']:4d}",
            flush=True,
        )
        if verbose:
            for text, times in sorted(words.items(), key=lambda p: -p[1])[:6]:
                print(f"      {times:4d}  {text}")
        key = "good" if good else "fault"
        totals[key] += count
        totals[key + " called"] += count * (found["checked"] + found["refused"])
        totals["inside"] += found["coverage"] * found["judged"] if found["judged"] else 0
        totals["judged"] += found["judged"]
        totals["refused faults"] += 0 if good else count * found["refused"]
        totals["biased"] += 0 if good else found["biased"]
        totals["silent"] += 0 if good else found["silent"]
    judged, good, called = max(totals["judged"], 1), max(totals["good"], 1), totals["biased"] + totals["refused faults"]
    silent, biased = totals["silent"], max(totals["biased"], 1)
    print(f"coverage without a Check {totals['inside'] / judged:.4f}; good data called {totals['good called'] / good:.4f}")
    print(f"biased faults called {1 - silent / max(called, 1):.4f}, without the refused {1 - silent / biased:.4f}")
    return totals


if __name__ == "__main__":
    import sys

    table(int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else None, len(sys.argv) > 3)
