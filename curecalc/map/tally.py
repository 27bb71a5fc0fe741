"""What is counted over a map, tile by tile: sums, histograms and the worst places. Tallies of tiles add up to that of the whole."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

__all__ = ["BIN", "KEPT", "Place", "Tally"]

BIN = 0.001  # mm, of all histograms
_OFFSET, _BINS = 2000, 8000  # from -2 mm to 6 mm
KEPT = 12  # worst places kept of each sort


@dataclass(frozen=True)
class Place:
    """A place in a layer: its value (a dose, or a length in mm), the kind of the nearest vector, and why it is as it is."""

    value: float
    x: float
    y: float
    layer: int
    region: str = "core"
    kind: str = ""
    why: str = ""


@dataclass
class Histogram:
    """Counts of lengths (mm) in bins of one micrometre."""

    counts: dict[int, int] = field(default_factory=dict)

    def add(self, values: np.ndarray) -> None:
        """Count values; what lies beyond the ends counts in the last bin."""
        found = np.bincount(np.clip(np.floor(values / BIN).astype(np.int64) + _OFFSET, 0, _BINS - 1))
        for i in np.flatnonzero(found):
            self.counts[int(i)] = self.counts.get(int(i), 0) + int(found[i])

    def merge(self, other: Histogram) -> None:
        """Add another's counts."""
        for i, n in other.counts.items():
            self.counts[int(i)] = self.counts.get(int(i), 0) + n

    @property
    def count(self) -> int:
        """Values counted."""
        return sum(self.counts.values())

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower edges of the bins (mm) that hold anything, and counts."""
        keys = sorted(self.counts)
        return (np.array(keys, float) - _OFFSET) * BIN, np.array([self.counts[k] for k in keys])

    def quantile(self, share: float) -> float | None:
        """The length below which that share lies, to a bin; None of nothing."""
        if not self.counts:
            return None
        edges, counts = self.arrays()
        total = np.cumsum(counts)
        return float(edges[min(int(np.searchsorted(total, share * total[-1])), len(edges) - 1)] + 0.5 * BIN)

    def mean(self) -> float | None:
        """Mean of the bins' middles."""
        edges, counts = self.arrays()
        return float(np.average(edges + 0.5 * BIN, weights=counts)) if len(edges) else None


_HISTOGRAMS = ("overcure", "edge_error", "deep_edge_error", "corner_cut", "inner_corner_fill")
_LEAST_FIRST, _MOST_FIRST = ("weakest", "rim_weakest", "thin"), ("deepest", "print_through_places", "edge_places")


def _rank(name: str, value: float) -> float:
    return abs(value) if name in _LEAST_FIRST else -abs(value)  # an edge may be wrong to either side


@dataclass
class Tally:
    """Counts and worst places of tiles and layers. Doses mJ/mm^2, lengths mm, areas in pixels."""

    dose_sum: float = 0.0
    core: int = 0
    drawn: int = 0
    short: int = 0
    unsolid: float = 0.0
    energy: float = 0.0
    uncut: int = 0
    histograms: dict[str, Histogram] = field(default_factory=lambda: {name: Histogram() for name in _HISTOGRAMS})
    places: dict[str, list[Place]] = field(default_factory=lambda: {name: [] for name in _LEAST_FIRST + _MOST_FIRST})

    def offer(self, name: str, found: list[Place]) -> None:
        """Keep the worst of those kept and those found."""
        every = {(round(p.x, 4), round(p.y, 4), p.layer): p for p in [*self.places[name], *found]}
        self.places[name] = sorted(every.values(), key=lambda p: (_rank(name, p.value), p.layer, p.y, p.x))[:KEPT]

    def merge(self, other: Tally) -> None:
        """Add another tile's."""
        for name in ("dose_sum", "core", "drawn", "short", "unsolid", "energy", "uncut"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name, histogram in other.histograms.items():
            self.histograms[name].merge(histogram)
        for name, found in other.places.items():
            self.offer(name, found)

    def to_json(self) -> dict[str, Any]:
        """Plain values, for keeping the work done so far."""
        return asdict(self)

    @staticmethod
    def from_json(record: dict[str, Any]) -> Tally:
        """Back from plain values."""
        numbers = {k: v for k, v in record.items() if k not in ("histograms", "places")}
        histograms = {k: Histogram({int(i): n for i, n in v["counts"].items()}) for k, v in record["histograms"].items()}
        places = {k: [Place(**p) for p in v] for k, v in record["places"].items()}
        return Tally(**numbers, histograms=histograms, places=places)
