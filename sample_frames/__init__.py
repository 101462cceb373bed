"""Demo photos and clips of an invented railway, rendered, with their truth."""
