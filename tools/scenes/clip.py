"""Makes video clips with exact truth."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from mastread.tools.scenes import clip_edit
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
        (bool: repeated frames), ``fields`` and ``transfer`` (see
        `mastread.tools.scenes.encode.VideoOptions`; for fields, `fps` counts fields),
        ``lapse`` (a time-lapse: frames are taken this many times farther apart than they are
        shown), ``cut`` (bool: another scene is cut into the middle)
    """
    settled = dict(overrides)
    lapse, cut = float(settled.pop("lapse", 1.0)), bool(settled.pop("cut", False))
    if cut:
        clip, other = clip_edit.plan_cut(seed, settled)
        shots, truth = clip_edit.cut_frames(clip, other), clip_edit.cut_truth(clip, other)
        fps = clip.fps
    elif lapse != 1.0:
        clip = clip_edit.lapse_plan(seed, lapse, settled)
        shots = clip_edit.lapse_frames(clip, lapse)
        truth, fps = clip_edit.lapse_truth(clip.truth, lapse), clip.fps * lapse
    else:
        clip = plan_clip(seed, settled)
        shots, truth, fps = frames(clip), clip.truth, clip.fps
    target = Path(path)
    options = clip.options
    if options.fields:
        fps = fps / 2.0
    if target.suffix == ".webm":
        options = replace(options, codec="vp9", rotation=0)
    elif target.suffix in (".mkv", ".avi"):
        options = replace(options, rotation=0)
    with ClipWriter(target, clip.width, clip.height, fps, options) as out:
        for time_s, rgb in shots:
            out.write(rgb, time_s)
    truth = replace(
        truth,
        file=target.name,
        conditions={
            **truth.conditions,
            "compression": {"codec": options.codec, "crf": options.crf},
            "rotation": options.rotation,
        },
    )
    write_truth(truth, target.with_suffix(".truth.json"))
    return truth
