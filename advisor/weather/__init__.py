"""The hourly weather: local days, quality checks, filling gaps by formula, joining tables, codec. Pure."""
