"""What the light allows at best."""

__all__ = ["area_rate", "light_limit"]


def light_limit(p, e):
    """P/E: area per time at a target mean exposure; no spacing, spot or speed beats it at that power."""
    return p / e


def area_rate(v, h):
    """v h: area per time of a raster while the laser is on."""
    return v * h
