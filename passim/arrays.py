"""The kinds of array that signatures speak of."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
# Places in an array, as numpy counts them.
Indices = NDArray[np.intp]
