"""Resin lots from coupons: lines, intervals, diagnoses, comparison of lots, plans of coupons."""

from .. import door

__getattr__, __dir__, __all__ = door("calibration")
