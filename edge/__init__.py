"""Strokewise, the edge: reads the sensors beside the pumps and loses nothing."""
