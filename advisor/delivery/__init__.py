"""Ways out of the house: each sends one message and says what became of it."""
