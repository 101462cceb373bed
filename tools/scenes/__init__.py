"""Scenes with exact truth: linear light layers, camera model, time courses.

The way from a seed to a file::

    setup -> layout -> painter (backdrop, land, distract, heads, ink) -> layers
    layers + lamps (spectra) + optics -> camera -> still            a photograph (make)
    layers + lamps + optics + course -> film -> camera -> encode    a clip (clip, clip_plan)

`layers` and `truth` are the formats that other makers of scenes share. The command is
``python -m mastread.tools.scenes``.
"""
