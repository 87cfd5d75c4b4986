"""Samples become seconds, seconds become episodes."""
