"""Pure float64 kernels in the lab set mm, s, mW, mJ. They import numpy and math only and hold no state."""
