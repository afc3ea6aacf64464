"""What the grower owns and the state each tree is in."""
