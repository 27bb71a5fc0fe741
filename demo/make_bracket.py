"""Make the invented bracket's paths: two legs, a bridge between them, an overhang, three thin fins. Needs the extra `mesh`.

Invented for demonstration: no such part exists. Run it from this folder; it writes bracket.csv, which `curecalc part` reads.
"""

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import trimesh

from curecalc.paths.saving import table_text
from curecalc.paths.study import study_paths
from curecalc.units import Quantity as Q

# x, y, z low and high, mm
BOXES = {
    "left leg": (0.0, 0.0, 0.0, 1.2, 2.4, 1.0),
    "right leg": (3.6, 0.0, 0.0, 4.8, 2.4, 1.0),
    "bridge and overhang": (0.0, 0.0, 0.8, 5.8, 2.4, 1.4),
    "fin of 0.18": (0.5, 0.3, 1.0, 0.68, 2.1, 2.0),
    "fin of 0.3": (2.2, 0.3, 1.0, 2.5, 2.1, 2.0),
    "fin of 0.45": (4.0, 0.3, 1.0, 4.45, 2.1, 2.0),
}
SETTINGS = {"contour": (120.0, 2500.0), "hatch": (120.0, 3500.0)}  # mW, mm/s
BEAM_RADIUS = 0.1  # mm


def bracket() -> str:
    """The table of paths: cut, hatched, lit."""
    boxes = [trimesh.creation.box(bounds=[box[:3], box[3:]]) for box in BOXES.values()]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bracket.stl"
        trimesh.util.concatenate(boxes).export(str(file))
        rules = {"layer_thickness": "0.1 mm", "hatch_spacing": "0.1 mm", "contour_offset": "0.05 mm", "hatch_offset": "0.1 mm"}
        paths = study_paths(file, **{name: Q(text) for name, text in rules.items()})
    paths = replace(paths, **{name: np.round(getattr(paths, name), 4) + 0.0 for name in ("x0", "y0", "x1", "y1")})
    settings = {kind: {"power": p, "scan_speed": v, "beam_radius": BEAM_RADIUS} for kind, (p, v) in SETTINGS.items()}
    return "# invented data: study paths of a part that does not exist\n" + table_text(paths.filled(settings))


if __name__ == "__main__":
    (Path(__file__).parent / "bracket.csv").write_text(bracket(), encoding="utf-8")
