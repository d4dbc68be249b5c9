"""From recordings to responses: pure NumPy and SciPy, arrays in and out."""
