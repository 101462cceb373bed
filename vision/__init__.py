"""What the camera saw: media in, lamps, colours, light curves, heads and masts out."""
