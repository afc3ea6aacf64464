"""Exposures, tree states and rules become advice with reasons, and verdicts on work."""
