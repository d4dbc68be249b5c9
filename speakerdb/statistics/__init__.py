"""What the data can carry: error model, draws, intervals, rank sets, comparisons. Pure NumPy and SciPy."""
