"""Arrays by what they hold; their docstrings say the shapes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]
Small = NDArray[np.int8]
Floats = NDArray[np.float64]
Booleans = NDArray[np.bool_]
