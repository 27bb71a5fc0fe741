"""The local browser page: the whole job, on this machine or on the shop's network."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["LOOPBACK", "AccessCodes", "PageOptions", "Part", "create_app", "names_of", "serve"]

_WHERE = {
    "LOOPBACK": "server",
    "AccessCodes": "guard",
    "PageOptions": "app",
    "Part": "work",
    "create_app": "app",
    "names_of": "server",
    "serve": "server",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
