"""The report: one self-contained HTML page of what was read in a video, a photo, or a folder.

`page` puts the page together; `part` makes what it tells of one media file, of the pieces that
the other modules make: `timeline`, `light` (light curves), `spans`, `rules`, `shots` (pictures).
"""
