"""The process window: depth, assurance, ripple and print-through over any two settings, with the limits of the machine."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..errors import QuantityError
from ..units import KINDS, MM, MM_S, MW, Quantity, Shown, positive, show, to_json
from .assurance import assurance_of, assured_log_exposure, relative_variance
from .bounds import LIMIT_NAMES, Task
from .outcome import at_settings
from .record import VectorRecipe

__all__ = ["AXES", "Window", "process_window"]

AXES = {
    "power": ("power", MW),
    "scan_speed": ("speed", MM_S),
    "hatch_spacing": ("length", MM),
    "beam_radius": ("length", MM),
    "layer_thickness": ("length", MM),
}
_SPAN = {
    "power": (0.4, 1.25),
    "scan_speed": (0.4, 2.0),
    "hatch_spacing": (0.5, 1.6),
    "beam_radius": (0.6, 1.6),
    "layer_thickness": (0.5, 1.6),
}
_ROUNDING = 1e-9  # of a logarithm, at a border


@dataclass(frozen=True)
class Window(Shown):
    """A grid over two settings (last index `across`), the others held at the recipe's.

    Attributes
    ----------
    x, y : float64
        Values along and up, in the lab set.
    cure_depth, print_through, ripple : float64, (ny, nx)
        Of the weakest place; solid below a down-facing face; ridge less valley (mm).
    excess : dict of float to float64
        ln of the exposure over what assurances of 50 %, the asked one and 99 % need: zero on the border.
    over : dict of str to float64
        For each limit ln of value over limit: above zero where it does not hold.
    """

    vector: VectorRecipe
    across: str
    up: str
    x: Any
    y: Any
    cure_depth: Any
    depth_needed: Any
    print_through: Any
    ripple: Any
    excess: dict[float, Any]
    over: dict[str, Any]
    assurance: Any
    chosen: tuple[float, float]
    held: dict[str, float] = field(default_factory=dict)

    @property
    def inside(self) -> Any:
        """Where all limits hold and the asked assurance is reached."""
        worst = np.max(list(self.over.values()), axis=0)
        return (worst <= _ROUNDING) & (self.excess[self.vector.assurance_asked] >= -_ROUNDING)

    def to_dict(self) -> dict[str, Any]:
        """The window as it stands in JSON; matrices have one row for each value of `up`."""

        def axis(name: str, values: Any) -> dict[str, Any]:
            return {"setting": name, **to_json(Quantity(np.asarray(values, float), AXES[name][1]))}

        return {
            "kind": self.vector.kind,
            "across": axis(self.across, self.x),
            "up": axis(self.up, self.y),
            "held": {name: to_json(Quantity(v, AXES[name][1])) for name, v in self.held.items()},
            "chosen": {
                self.across: to_json(Quantity(self.chosen[0], AXES[self.across][1])),
                self.up: to_json(Quantity(self.chosen[1], AXES[self.up][1])),
            },
            "cure_depth": to_json(Quantity(self.cure_depth, MM)),
            "depth_needed": to_json(Quantity(self.depth_needed, MM)),
            "assurance": [[float(v) for v in row] for row in self.assurance],
            "assurance_asked": self.vector.assurance_asked,
            "print_through": to_json(Quantity(self.print_through, MM)),
            "ripple": to_json(Quantity(self.ripple, MM)),
            "inside": [[bool(v) for v in row] for row in self.inside],
            "limits": {
                LIMIT_NAMES.get(name, name): [[bool(v > _ROUNDING) for v in row] for row in np.atleast_2d(grid)]
                for name, grid in self.over.items()
            },
        }


def process_window(
    vector: VectorRecipe,
    across: str,
    up: str,
    *,
    across_range: tuple[Quantity, Quantity] | None = None,
    up_range: tuple[Quantity, Quantity] | None = None,
    points: int = 61,
    with_assurance: bool = True,
    layer_range: tuple[Quantity, Quantity] | None = None,
) -> Window:
    """The window of one kind of vector around its settings.

    Parameters
    ----------
    vector : VectorRecipe
    across, up : str
        Two of `AXES`; a line has no hatch spacing.
    across_range, up_range : pair of Quantity, optional
        Their ends; around the chosen settings when left out.
    points : int
        Along each axis, 5 to 201.
    with_assurance : bool
        Whether to compute the assurance at every point (figures need its borders only).
    layer_range : pair of Quantity [mm], optional
        Layers the machine can make.

    Returns
    -------
    Window

    Raises
    ------
    QuantityError
    """
    best = vector.best
    for name in (across, up):
        if name not in AXES:
            raise QuantityError(f"axis {name!r} is not known. Choose two of {', '.join(AXES)}.")
        if name == "hatch_spacing" and not best.task.pattern.raster:
            raise QuantityError(f"{vector.kind} is single lines: it has no hatch_spacing. Choose another axis.")
    if across == up:
        raise QuantityError(f"both axes are {across}. Choose two different ones of {', '.join(AXES)}.")
    if not 5 <= points <= 201:
        raise QuantityError(f"points must be from 5 to 201, got {points}.")
    now = {
        "power": best.power,
        "scan_speed": best.scan_speed,
        "beam_radius": best.beam_radius,
        "hatch_spacing": best.hatch_spacing,
        "layer_thickness": best.task.layer_thickness,
    }
    x = _axis(across, across_range, now, points)
    y = _axis(up, up_range, now, points)
    rows = [_row(best.task, now, across, x, up, float(v), with_assurance) for v in y]
    grid: dict[str, Any] = {k: np.array([row[k] for row in rows]) for k in ("depth", "print_through", "ripple", "assurance", "needed")}
    first, *_ = rows
    over = {name: np.array([row["over"][name] for row in rows]) for name in first["over"]}
    if layer_range is not None and "layer_thickness" in (across, up):
        t = np.broadcast_to(x, grid["depth"].shape) if across == "layer_thickness" else y[:, None] * np.ones(x.shape)
        thin, thick = (positive("layer_range", end, MM) for end in layer_range)
        over["layer range"] = np.maximum(np.log(t / thick), np.log(thin / t))
    return Window(
        vector,
        across,
        up,
        x,
        y,
        grid["depth"],
        grid["needed"],
        grid["print_through"],
        grid["ripple"],
        {level: np.array([row["excess"][level] for row in rows]) for level in first["excess"]},
        over,
        grid["assurance"],
        (now[across], now[up]),
        {name: v for name, v in now.items() if name not in (across, up) and v is not None},
    )


def _axis(name: str, given: tuple[Quantity, Quantity] | None, now: dict[str, Any], points: int) -> Any:
    unit = AXES[name][1]
    low, high = (f * now[name] for f in _SPAN[name]) if given is None else (positive(name, end, unit) for end in given)
    if not 0.0 < low < high < math.inf:
        kind = AXES[name][0]
        raise QuantityError(
            f"the range of {name} must rise from above zero, got {low:g} to {high:g} {KINDS[kind].shown_text}. Exchange the ends."
        )
    return np.linspace(low, high, points)


def _row(task: Task, now: dict[str, Any], across: str, x: Any, up: str, value: float, with_assurance: bool) -> dict[str, Any]:
    at = {**now, across: x, up: np.full(x.shape, value)}
    at = {k: None if v is None else v * np.ones(x.shape) for k, v in at.items()}
    bond = task.depth - task.layer_thickness
    thickness = at["layer_thickness"]
    if "layer_thickness" in (across, up):
        # one thickness after another: stacks depend on it
        parts = [
            _evaluated(
                replace(task, layer_thickness=float(t), depth=float(t) + bond),
                {k: None if v is None else v[i : i + 1] for k, v in at.items()},
                with_assurance,
            )
            for i, t in enumerate(thickness)
        ]
        return _joined(parts)
    return _evaluated(task, at, with_assurance)


def _joined(parts: list[dict[str, Any]]) -> dict[str, Any]:
    first = parts[0]
    out: dict[str, Any] = {}
    for key, value in first.items():
        if isinstance(value, dict):
            out[key] = {k: np.concatenate([np.atleast_1d(p[key][k]) for p in parts]) for k in value}
        else:
            out[key] = np.concatenate([np.atleast_1d(p[key]) for p in parts])
    return out


def _evaluated(task: Task, at: dict[str, Any], with_assurance: bool) -> dict[str, Any]:
    found = at_settings(task, at["power"], at["beam_radius"], at["hatch_spacing"], at["scan_speed"])
    light, x = found["light"], found["log_exposure"]
    relative = relative_variance(task.errors, *light.powers)
    excess = {}
    for level in sorted({0.5, task.assurance, 0.99}):
        excess[level] = x - assured_log_exposure(task.curve, task.errors, relative, task.depth, assurance=level, single=task.single)
    sure = np.zeros(np.shape(x))
    if with_assurance:
        sure = assurance_of(task.curve, task.errors, x, relative, task.depth, single=task.single)
    return {
        "depth": np.maximum(found["depth"], 0.0),
        "print_through": found["print_through"],
        "ripple": found["ripple"],
        "needed": np.full(np.shape(x), task.depth),
        "excess": excess,
        "assurance": sure * np.ones(np.shape(x)),
        "over": _limits(task, found, at),
    }


def _limits(task: Task, found: dict[str, Any], at: dict[str, Any]) -> dict[str, Any]:
    """Every limit of the task and of the machine at given settings."""
    from .outcome import violations

    b, able = task.bounds, {name: ends for name, *ends in task.able}
    over = {k: v for k, v in violations(task, found).items() if np.any(np.isfinite(v))}
    for name in ("power", "scan_speed", "beam_radius", "hatch_spacing"):
        if at[name] is None:
            continue
        low, high = able.get(name, (getattr(b, f"{name}_low"), getattr(b, f"{name}_high")))
        if math.isfinite(high):
            over[f"{name}_high"] = np.log(at[name] / high)
        if low > 0.0:
            over[f"{name}_low"] = np.log(low / at[name])
    if task.pattern.pulse_rate is not None:
        over["pulse_share"] = np.log(at["scan_speed"] / (b.pulse_share * task.pattern.pulse_rate * at["beam_radius"]))
    return over


def axis_text(name: str, value: float) -> str:
    """A setting as people read it."""
    return show(Quantity(value, AXES[name][1]))
