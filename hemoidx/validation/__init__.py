"""Comparison with truth, published values and other measurements."""
