"""The four-tone slot by the book: from memory, not looked up."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SYMBOL_S = 8192 / 12000
SPACING_HZ = 12000 / 8192
SYMBOLS = 162
FIXED_BITS: NDArray[np.int64] = np.array(
    [
        int(bit)
        for bit in "110000001000111000100101111000000010010100000010110011"
        "010001101000011010101010010010110001101010001000001001"
        "001110110011010001110000010100110000000110101100011000"
    ]
)
"""Low bit of each symbol, shape (162,)."""
