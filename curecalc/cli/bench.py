"""Options that say whose numbers lessons and exercises use: files, single values, or the invented example."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from .common import _Once, add_quantities, quantities

__all__ = ["add_bench", "bench", "bench_given"]

_VALUES = ["power", "beam_radius", "wavelength", "penetration_depth", "critical_exposure", "hatch_spacing", "layer_thickness", "overcure"]


def add_bench(parser: argparse.ArgumentParser) -> None:
    """Files and values of the reader's own machine and resin."""
    group = parser.add_argument_group("whose numbers (an invented machine and resin when left out)")
    group.add_argument("--machine", metavar="FILE", action=_Once, help="a machine file")
    group.add_argument("--beam", metavar="FILE", action=_Once, help="a beam record saved by `curecalc spot --save`")
    group.add_argument("--resin", metavar="FILE", action=_Once, help="a resin file saved by `curecalc fit --save`")
    add_quantities(parser, _VALUES, title="values in place of those of the files")


def bench_given(args: argparse.Namespace) -> bool:
    """Whether any of the options was given."""
    return any(getattr(args, name) is not None for name in ("machine", "beam", "resin", *_VALUES))


def bench(args: argparse.Namespace) -> Any:
    """The bench of the options."""
    from ..lessons.bench import Bench, invented_bench
    from ..units import Quantity, measured

    here: Bench = invented_bench()
    named = []
    beam, resin = here.beam, here.resin
    if args.resin is not None:
        from .setting import _resin_from_file

        resin = _resin_from_file(args.resin)
        beam = dataclasses.replace(beam, wavelength=resin.wavelength or beam.wavelength)
        named.append(args.resin)
    if args.machine is not None:
        beam = _machine_beam(args.machine)
        named.insert(0, args.machine)
    if args.beam is not None:
        from .setting import _beam_from_file

        beam = _beam_from_file(args.beam, {}, "")
        named.insert(0, args.beam)
    found = quantities(args, _VALUES)
    changes: dict[str, Any] = {}
    light = {"power": "power", "beam_radius": "radius_x", "wavelength": "wavelength"}
    given = {light[name]: found.pop(name) for name in light if name in found}
    if "wavelength" in given:
        resin = dataclasses.replace(resin, wavelength=given["wavelength"]) if args.resin is None else resin
    if "radius_x" in given:
        given["radius_y"] = None
    beam = dataclasses.replace(beam, **given)
    cure = {name: found.pop(name) for name in ("penetration_depth", "critical_exposure") if name in found}
    if cure:
        resin = dataclasses.replace(resin, **cure, correlation=0.0)
    for name, value in found.items():
        changes[name] = value if isinstance(value, Quantity) else measured(value).value
    if given or cure or changes:
        named.append("the values given")
    return dataclasses.replace(here, beam=beam, resin=resin, name=" and ".join(named) if named else here.name, **changes)


def _machine_beam(path: str) -> Any:
    """The beam of a machine file, with the middle of its radius range where it has a range."""
    from ..jobs.machine import machine_beam, read_machine

    return machine_beam(read_machine(path))
