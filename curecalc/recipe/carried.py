"""What a recipe promised, as plain numbers that a logbook can keep: tasks and settings, to be judged again on any later day."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from typing import Any

from ..errors import FileError
from ..physics.laws import Law
from ..physics.light import Gaussian
from .assurance import Curve, Errors, curve_from_covariance
from .bounds import INFINITE, Bounds, Hold, RunUp, Task
from .inputs import Inputs
from .light import Pattern
from .record import Recipe

__all__ = ["carried", "curve_dict", "curve_of_headline", "curve_read", "promises"]

_PARTS = {"run_up": RunUp, "hold": Hold}
_APART = ("able", "pattern", "bounds", "curve", "errors", *_PARTS)


def _plain(record: Mapping[str, Any]) -> dict[str, Any]:
    """Without what is infinite or not there: JSON holds neither, and reading puts them back."""
    return {name: value for name, value in record.items() if value is not None and value != INFINITE}


def curve_dict(curve: Curve) -> dict[str, Any]:
    """A working curve as it stands in JSON."""
    record = _plain({name: getattr(curve, name) for name in Curve.__dataclass_fields__ if name not in ("law", "unsure")})
    if curve.law is not None:
        record |= {"law": type(curve.law).__name__, "constants": asdict(curve.law), "unsure": [list(one) for one in curve.unsure]}
    return record


def _laws(of: type[Law]) -> Iterator[type[Law]]:
    for one in of.__subclasses__():
        yield one
        yield from _laws(one)


def _law(name: str) -> type[Law]:
    found = next((one for one in _laws(Law) if one.__name__ == name), None)
    if found is None:
        raise FileError(f"the cure law {name} is not known here")
    return found


def curve_read(record: Mapping[str, Any]) -> Curve:
    """The curve that `curve_dict` wrote."""
    values = {"degrees_of_freedom": INFINITE} | {k: v for k, v in record.items() if k in Curve.__dataclass_fields__}
    if "law" in record:
        values |= {"law": _law(record["law"])(**record["constants"]), "unsure": tuple((n, u) for n, u in record["unsure"])}
    return Curve(**values)


def curve_of_headline(old: Curve | None, *, dp: float, u_dp: float, ec: float, u_ec: float, correlation: float) -> Curve:
    """A lot's curve from Dp and Ec alone, with the law and the scatter of single layers of an earlier curve. mm, mJ/mm^2."""
    relative = u_ec / ec
    law = None if old is None or old.law is None else replace(old.law, penetration_depth=dp, critical_exposure=ec)
    scale = 1.0 if law is None else float(law.reach or dp) / dp
    return curve_from_covariance(
        penetration_depth=dp * scale,
        log_threshold=math.log(ec),
        variance_depth=(u_dp * scale) ** 2,
        variance_log=relative**2,
        covariance=correlation * u_dp * scale * relative,
        layer_variance=0.0 if old is None else old.layer_variance,
        degrees_of_freedom=INFINITE,
        law=law,
        unsure=() if old is None else old.unsure,
    )


def carried(recipe: Recipe) -> dict[str, Any]:
    """What must be kept of a recipe to judge it later: what every kind promised, its settings, the lot's curve, what was counted on."""
    inputs: Inputs = recipe.inputs
    kinds = []
    for one in recipe.vectors:
        best = one.best
        task = best.task
        spot = task.pattern.spot
        turned = {} if spot.wy is None else {"radius_ratio": spot.wy, "spot_angle": spot.angle}
        pattern = _plain({name: getattr(task.pattern, name) for name in Pattern._fields if name != "spot"})
        nested = {name: _plain(asdict(part)) for name in _PARTS if (part := getattr(task, name)) is not None}
        kinds.append(
            _plain({name: getattr(task, name) for name in Task.__dataclass_fields__ if name not in _APART})
            | nested
            | {"pattern": pattern | turned, "bounds": _plain(asdict(task.bounds))}
            | {
                "scan_speed": best.scan_speed,
                "power": best.power,
                "beam_radius": best.beam_radius,
                "hatch_spacing": best.hatch_spacing if task.pattern.raster else None,
            }
        )
    return {"unit": "mm, s, mW, mJ", "kinds": kinds, "curve": curve_dict(inputs.curve), "errors": _plain(asdict(inputs.errors))}


def promises(record: Mapping[str, Any]) -> list[tuple[Task, dict[str, float | None]]]:
    """The tasks and settings that `carried` wrote."""
    curve, errors = curve_read(record["curve"]), Errors(**record["errors"])
    found = []
    for one in record["kinds"]:
        pattern = dict(one["pattern"])
        ratio, angle = pattern.pop("radius_ratio", None), pattern.pop("spot_angle", 0.0)
        pattern["tracks"] = tuple(pattern["tracks"])
        spot = Gaussian(1.0) if ratio is None else Gaussian(1.0, ratio, angle)
        values = {name: one[name] for name in one if name in Task.__dataclass_fields__ and name not in _APART}
        values |= {name: part(**one[name]) for name, part in _PARTS.items() if name in one}
        bounds = Bounds(**{"power_high": INFINITE, "beam_radius_high": INFINITE, "scan_speed_high": INFINITE} | one["bounds"])
        task = Task(**values, pattern=Pattern(**pattern, spot=spot), bounds=bounds, curve=curve, errors=errors)
        found.append((task, {name: one.get(name) for name in ("scan_speed", "power", "beam_radius", "hatch_spacing")}))
    return found
