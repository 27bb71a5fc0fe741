"""`curecalc page`: the local browser page."""

from __future__ import annotations

import argparse
import signal
import sys
from typing import Any

from ..errors import QuantityError
from ..symbols import clip
from .bench import add_bench, bench, bench_given
from .common import _Once

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
        "--host-name",
        dest="name",
        metavar="NAME",
        action="append",
        default=[],
        help="with --host: another name the page may be opened under; may be repeated",
    )
    group.add_argument(
        "--person",
        metavar="NAME",
        action="append",
        default=[],
        help="with --host: a person with an access code of their own, good for all their browsers; may be repeated",
    )
    group.add_argument("--certificate", metavar="FILE", action=_Once, help="serve by TLS with this certificate (PEM)")
    group.add_argument("--certificate-key", dest="key", metavar="FILE", action=_Once, help="where the certificate's file does not hold it")
    group.add_argument(
        "--proxy",
        metavar="ADDRESS",
        action=_Once,
        help="address of the shop's own proxy before the page: it does TLS, and its word on who asks is taken",
    )
    group.add_argument("--open", action="store_true", help="open the browser")
    group = parser.add_argument_group("logbook")
    group.add_argument("--log", metavar="FILE", action=_Once, help="show this logbook's status")
    group.add_argument("--write", action="store_true", help="let the page add entries, and make the logbook if there is none")
    add_bench(parser)
    group = parser.add_argument_group("recipe")
    group.add_argument("--needs", metavar="FILE", action=_Once, help="the needs file that the recipe starts from")


_HELD = {
    "machine": ("beam", "power", "beam_radius", "wavelength"),
    "resin": ("penetration_depth", "critical_exposure", "wavelength"),
    "needs": ("layer_thickness", "overcure", "hatch_spacing"),
}


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    from ..page import LOOPBACK, AccessCodes, PageOptions, names_of, serve

    if args.write and args.log is None:
        raise QuantityError("--write belongs to --log: there is nothing else to write to. Add --log FILE.")
    for option, given in (("host-name", args.name), ("person", args.person)):
        if given and args.host is None and args.proxy is None:
            raise QuantityError(f"--{option} belongs to --host: on this machine alone the page is at localhost and asks for no code.")
    if args.key is not None and args.certificate is None:
        raise QuantityError("--certificate-key belongs to --certificate. Name the certificate as well.")
    if args.certificate is not None and args.proxy is not None:
        raise QuantityError("--certificate and --proxy: either the page does TLS, or the proxy before it. Keep one.")
    for option, names in _HELD.items():
        for name in names:
            if getattr(args, option) is not None and getattr(args, name) is not None:
                raise QuantityError(
                    f"--{name.replace('_', '-')} and --{option}: recipe and map are made of the files, so the page would show two values. "
                    f"Change it in the {option} file, or leave one of them out."
                )
    host = args.host or LOOPBACK
    local = host in (LOOPBACK, "localhost", "::1") and args.proxy is None
    where = {} if args.port is None else {"port": _port(args.port)}
    # with nothing given the first view waits for no reader of files and units
    here, parts = bench(args) if bench_given(args) else None, _parts(args)
    codes = None if local else AccessCodes(_tell, args.person)
    options = PageOptions(bench=here, parts=parts, log=args.log, write=args.write, hosts=(*names_of(host), *args.name), codes=codes)
    _stop_on_terminate()
    serve(options, host=host, certificate=args.certificate, key=args.key, proxy=args.proxy, open_browser=args.open, **where)
    return 0


def _port(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise QuantityError(f"--port must be a whole number from 0 to 65535, got {clip(text)}.") from None


def _parts(args: argparse.Namespace) -> dict[str, Any]:
    """The shop's own files, read and refused here where one is not sound."""
    from ..files.disk import read_bytes
    from ..page.work import Work

    work = Work()
    for name in ("machine", "resin", "needs"):
        path = getattr(args, name)
        if path is not None:
            text = read_bytes(path, what=name).decode("utf-8-sig", "replace")
            work = work.changed(name, text, f"the file {path}", path=path)
    return dict(work.parts)


def _tell(person: str, code: str) -> None:
    whose = f"for {person}: {code}" if person else f"for the next browser: {code}   (good for one)"
    print(f"Access code {whose}", file=sys.stderr, flush=True)


def _stop_on_terminate() -> None:
    def stop(*_: Any) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
