"""Pump, line, air, demand and fault models with labelled truth."""
