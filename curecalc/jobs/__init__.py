"""The files of a job: machine, needs, resin lot and beam, each read, checked, written and documented from one declaration."""

from .. import door

__getattr__, __dir__, __all__ = door("jobs")
