"""One pass: what is due, fetch, evaluate, queue, deliver; the clock; health."""
