"""Short names for arrays by what they hold."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.signedinteger[Any]]
