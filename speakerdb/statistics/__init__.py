"""What the data can carry: error model, draws, intervals, places, comparisons. Pure NumPy and SciPy."""
