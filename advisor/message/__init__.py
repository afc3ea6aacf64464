"""Advice becomes messages: one view model, then text, HTML, picture, calendar, JSON and MIME bytes."""
