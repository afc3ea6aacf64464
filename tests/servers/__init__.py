"""Small servers on 127.0.0.1 that speak documented protocols, for tests only."""
