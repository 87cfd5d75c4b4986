"""Strokewise, the monitor: stores, understands and shows what the pumps did."""
