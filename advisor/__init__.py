"""Growing-season weather advisor for trees in pots."""

__version__ = "0.1.0"
