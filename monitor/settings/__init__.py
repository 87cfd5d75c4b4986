"""Reads config/*.toml into frozen models, all errors at once."""
