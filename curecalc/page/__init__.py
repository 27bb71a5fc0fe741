"""The local browser page: play with settings, coupons, lessons on this machine or on the shop's network."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["LOOPBACK", "AccessCode", "PageOptions", "create_app", "names_of", "serve"]

_WHERE = {"LOOPBACK": "server", "AccessCode": "guard", "PageOptions": "app", "create_app": "app", "names_of": "server", "serve": "server"}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
