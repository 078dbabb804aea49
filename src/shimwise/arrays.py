"""Arrays by what they hold."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
Picture = NDArray[np.float32]
"""Light by pixel: rows, columns."""
