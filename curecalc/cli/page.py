"""`curecalc page`: the local browser page."""

from __future__ import annotations

import argparse
import signal
import sys
from typing import Any

from ..errors import QuantityError
from .bench import add_bench, bench
from .common import _Once
from .setting import number

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    group = parser.add_argument_group("where it runs")
    group.add_argument("--port", metavar="N", action=_Once, help="port of this machine (8765)")
    group.add_argument(
        "--host",
        metavar="ADDRESS",
        action=_Once,
        help="listen on the network at this address (0.0.0.0: all); browsers then need an access code",
    )
    group.add_argument(
        "--name",
        metavar="NAME",
        action="append",
        default=[],
        help="with --host: another name the page may be opened under; may be repeated",
    )
    group.add_argument("--open", action="store_true", help="open the browser")
    group = parser.add_argument_group("logbook")
    group.add_argument("--log", metavar="FILE", action=_Once, help="show this logbook's status")
    group.add_argument("--write", action="store_true", help="let the page add entries to the logbook; read-only otherwise")
    add_bench(parser)
    group = parser.add_argument_group("process window")
    group.add_argument("--needs", metavar="FILE", action=_Once, help="with --machine and --resin: show the process window of their recipe")


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    from ..page import LOOPBACK, AccessCode, PageOptions, names_of, serve

    if args.write and args.log is None:
        raise QuantityError("--write belongs to --log: there is nothing else to write to. Add --log FILE.")
    if args.name and args.host is None:
        raise QuantityError("--name belongs to --host: on this machine alone the page is at localhost.")
    host = args.host or LOOPBACK
    local = host in (LOOPBACK, "localhost", "::1")
    port = number("--port", args.port, 8765, whole=True)
    here = bench(args)
    more = _recipe(args)
    code = None if local else AccessCode(_tell)
    options = PageOptions(bench=here, log=args.log, write=args.write, hosts=(*names_of(host), *args.name), code=code, **more)
    _stop_on_terminate()
    serve(options, host=host, port=port, open_browser=args.open)
    return 0


def _recipe(args: argparse.Namespace) -> dict[str, Any]:
    """The recipe whose process window the page shows, where needs are named."""
    if args.needs is None:
        return {}
    for name in ("machine", "resin"):
        if getattr(args, name) is None:
            raise QuantityError(f"--{name} is missing: with --needs the page shows a recipe's window. Name its {name} file.")
    from ..jobs.lot import read_resin
    from ..jobs.machine import read_machine
    from ..jobs.needs import read_needs
    from ..recipe.recipe import make_recipe

    recipe = make_recipe(machine=read_machine(args.machine), resin=read_resin(args.resin), needs=read_needs(args.needs))
    return {"recipe": recipe, "recipe_files": (args.machine, args.resin, args.needs)}


def _tell(code: str) -> None:
    print(f"Access code for the next browser: {code}   (good for one)", file=sys.stderr, flush=True)


def _stop_on_terminate() -> None:
    def stop(*_: Any) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
