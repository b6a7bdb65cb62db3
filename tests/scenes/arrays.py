"""The arrays of every scene: one-dimensional, full scale 1.0."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
