"""The trace and the comparison plots, drawn on the server as SVG."""
