"""Formulas on arrays: pure, broadcasting, NaN in means NaN out. Knows no tree and no threshold."""
