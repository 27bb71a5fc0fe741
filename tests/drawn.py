"""What stands in a figure, as numbers."""

import numpy as np


def data(line):
    """Places of a line's points, across and up."""
    return tuple(np.asarray(v, float) for v in line.get_data())
