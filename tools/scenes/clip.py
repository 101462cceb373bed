"""Makes video clips with exact truth."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from mastread.tools.scenes.clip_plan import plan_clip
from mastread.tools.scenes.encode import ClipWriter
from mastread.tools.scenes.film import frames
from mastread.tools.scenes.truth import Truth, write_truth


def make_clip(seed: int, path: str | os.PathLike[str], **overrides: Any) -> Truth:
    """Make a clip, write it to `path` and its truth beside it as ``NAME.truth.json``.

    Parameters
    ----------
    seed : draws everything
    overrides : see `mastread.tools.scenes.setup.draw_setup`; also ``duration_s``, ``fps``,
        ``variable``, ``shake_px``, ``pan_px``, ``zoom``, ``drift``, ``train`` (bool), ``codec``,
        ``crf``, ``rotation``, ``noise`` (bool), ``rate_hz`` (of all flashing heads), ``approach``
        (the masts come nearer by this factor), ``leave`` (bool: a pan away and back), ``busy``
        (bool: other lights that flash or move), ``falling`` (bool: snow or rain), ``stutter``
        (bool: repeated frames)
    """
    clip = plan_clip(seed, overrides)
    target = Path(path)
    options = clip.options
    if target.suffix == ".webm":
        options = replace(options, codec="vp9", rotation=0)
    elif target.suffix in (".mkv", ".avi"):
        options = replace(options, rotation=0)
    with ClipWriter(target, clip.width, clip.height, clip.fps, options) as out:
        for time_s, rgb in frames(clip):
            out.write(rgb, time_s)
    truth = replace(
        clip.truth,
        file=target.name,
        conditions={
            **clip.truth.conditions,
            "compression": {"codec": options.codec, "crf": options.crf},
            "rotation": options.rotation,
        },
    )
    write_truth(truth, target.with_suffix(".truth.json"))
    return truth
