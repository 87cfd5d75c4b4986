"""The pages for three people."""
