"""One file per way of reading pressure and strokes."""
