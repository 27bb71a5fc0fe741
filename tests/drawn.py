"""What stands in a figure, as numbers."""

import numpy as np


def data(line):
    """Places of a line's points, across and up."""
    return tuple(np.asarray(v, float) for v in line.get_data())


def bars(ax):
    """Of each uncertainty bar of a drift chart its two ends and the gap after it: they are one line."""
    (line,) = (line for line in ax.lines if np.isnan(line.get_ydata()).any())
    return line.get_xydata().reshape(-1, 3, 2)
