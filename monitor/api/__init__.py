"""The JSON twin of every page."""
