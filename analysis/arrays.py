"""Names for the arrays that computation takes and gives; their shapes stand where they are used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]
TextArray = NDArray[np.str_]
