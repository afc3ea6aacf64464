"""Weather, places and trees to hour-by-hour arrays. Imports nothing, so that `log` starts at once."""
