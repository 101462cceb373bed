"""Path-traced scenes: from a plan of the scene to its linear layers, with Blender's Cycles.

The surroundings are rendered with every signal lamp dark; then each lens is rendered alone, with
sun, sky and every other light off, in the window round its head. Needs the extra ``[render]``
(``bpy`` 4.5, Python 3.11).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector
from numpy.typing import NDArray

from mastread.tools.scenes.layers import Distractor, HeadInfo, Layers, LensLayer, MastInfo
from mastread.tools.scenes.trace_land import make_land
from mastread.tools.scenes.trace_mast import BuiltLens, BuiltMast, build_bracket, build_mast
from mastread.tools.scenes.trace_materials import Air
from mastread.tools.scenes.trace_plan import ScenePlan
from mastread.tools.scenes.trace_props import (
    BuiltProp,
    barn,
    cabinet,
    house,
    pole_line,
    street_light,
    train,
)
from mastread.tools.scenes.trace_sky import add_sun, make_sky

Picture = NDArray[np.float32]


@dataclass(slots=True)
class Stage:
    """A built scene, ready to render."""

    plan: ScenePlan
    air: Air
    sky: Any
    sun: Any
    camera: Any
    masts: list[BuiltMast]
    props: list[BuiltProp]
    trains: list[Any]
    white: float


def build(plan: ScenePlan, gpu: bool = False) -> Stage:
    """Build the scene of a plan in Blender; what was there before is dropped.

    Parameters
    ----------
    gpu : trace on NVIDIA cards; RuntimeError where there is none
    """
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    if gpu:
        _use_cards(scene)
    scene.render.resolution_percentage = 100
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_depth = "32"
    scene.cycles.max_bounces = 3
    scene.cycles.diffuse_bounces = 2
    scene.cycles.caustics_reflective = scene.cycles.caustics_refractive = False
    scene.cycles.transparent_max_bounces = 4
    scene.cycles.sample_clamp_indirect = 8.0
    scene.cycles.use_light_tree = False
    scene.cycles.use_denoising = True
    scene.cycles.denoiser = "OPENIMAGEDENOISE"
    scene.cycles.seed = plan.land.seed
    # Keep the built geometry between the many renders of one scene.
    scene.render.use_persistent_data = True
    light = plan.light
    air = Air(length_m=light.visibility_m / 3.0, snow=plan.snow)
    sky = make_sky(light.sky, light.elevation_deg, light.azimuth_deg, light.clouds)
    camera = _camera(plan)
    level = _card(camera, 0.0)
    sun = None
    if light.sun_to_sky > 0:
        e_sky = float(level.mean()) * np.pi / 0.8
        angle = 0.53 if light.sky == "clear" else 12.0
        sun = add_sun(light.elevation_deg, light.azimuth_deg, light.sun_to_sky * e_sky, angle)
    white = light.white or float(_card(camera, 0.0).mean()) / 0.8
    tint = np.array(light.air_tint) * float(level.mean()) / 0.8
    air.set_colour((float(tint[0]), float(tint[1]), float(tint[2])))
    make_land(air, plan.land)
    masts = [build_mast(air, k, mast) for k, mast in enumerate(plan.masts, start=1)]
    for x, y, z, turn, half, high in plan.brackets:
        build_bracket(air, x, y, z, turn, half, high)
    stage = Stage(plan, air, sky, sun, camera, masts, [], [], white)
    for kind, args in plan.props:
        _prop(stage, kind, dict(args))
    return stage


def _use_cards(scene: Any) -> None:
    bpy.ops.preferences.addon_enable(module="cycles")
    settings = bpy.context.preferences.addons["cycles"].preferences
    settings.compute_device_type = "CUDA"
    settings.get_devices()
    cards = [device for device in settings.devices if device.type == "CUDA"]
    if not cards:
        raise RuntimeError("no NVIDIA card that Blender can use was found; trace without --gpu")
    for device in settings.devices:
        device.use = device.type == "CUDA"
    scene.cycles.device = "GPU"


def _prop(stage: Stage, kind: str, args: dict[str, Any]) -> None:
    air, land = stage.air, stage.plan.land
    if kind == "pole_line":
        pole_line(air, land, **args)
        return
    if kind == "train":
        holder, markers = train(air, bend=land.bend, **args)
        stage.trains.append(holder)
        stage.props += markers
        return
    args.setdefault("z", float(land.height(np.array(args["x"]), np.array(args["y"]))))
    if kind == "cabinet":
        cabinet(air, **args)
    elif kind == "barn":
        stage.props.append(barn(air, **args))
    elif kind == "house":
        stage.props += house(air, **args)
    elif kind == "street_light":
        stage.props.append(street_light(air, **args))
    else:
        raise ValueError(f"scene {stage.plan.name}: no such thing as {kind!r} along the line")


def _camera(plan: ScenePlan) -> Any:
    scene = bpy.context.scene
    data = bpy.data.cameras.new("camera")
    data.sensor_fit = "HORIZONTAL" if plan.size[0] >= plan.size[1] else "VERTICAL"
    data.sensor_width = data.sensor_height = 36.0
    data.lens = plan.camera.focal_mm
    data.clip_end = 9000.0
    item = bpy.data.objects.new("camera", data)
    place = Vector(plan.camera.position)
    way = Vector(plan.camera.target) - place
    turn = way.to_track_quat("-Z", "Y").to_euler()
    item.location = place
    item.rotation_euler = turn
    item.rotation_euler.rotate_axis("Z", float(np.radians(plan.camera.roll_deg)))
    data.dof.use_dof = plan.camera.f_number > 0
    data.dof.focus_distance = way.length
    data.dof.aperture_fstop = plan.camera.f_number or 8.0
    scene.collection.objects.link(item)
    scene.camera = item
    return item


def _card(camera: Any, height: float) -> Picture:
    """Return the radiance of a level white card (albedo 0.8) in the open."""
    scene = bpy.context.scene
    material = bpy.data.materials.new("card")
    material.use_nodes = True
    shader = material.node_tree.nodes["Principled BSDF"]
    shader.inputs["Base Color"].default_value = (0.8, 0.8, 0.8, 1)
    shader.inputs["Specular IOR Level"].default_value = 0.0
    mesh = bpy.data.meshes.new("card")
    mesh.from_pydata([(-1, -1, 900), (1, -1, 900), (1, 1, 900), (-1, 1, 900)], [], [(0, 1, 2, 3)])
    mesh.materials.append(material)
    card = bpy.data.objects.new("card", mesh)
    scene.collection.objects.link(card)
    data = bpy.data.cameras.new("card camera")
    data.type, data.ortho_scale = "ORTHO", 0.2
    eye = bpy.data.objects.new("card camera", data)
    eye.location = (0, 0, 902 + height)
    scene.collection.objects.link(eye)
    scene.camera = eye
    picture = _render((16, 16), 256)
    scene.camera = camera
    bpy.data.objects.remove(card)
    bpy.data.objects.remove(eye)
    return picture


def _render(
    size: tuple[int, int],
    samples: int,
    window: tuple[int, int, int, int] | None = None,
    alpha: bool = False,
) -> Picture:
    """Render and return (rows, columns, 3 or 4); `window` is (x0, y0, x1, y1) in pixels."""
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y = size
    scene.cycles.samples = samples
    scene.cycles.use_adaptive_sampling = True
    scene.cycles.adaptive_threshold = 0.03
    scene.cycles.adaptive_min_samples = 6
    scene.render.film_transparent = alpha
    scene.render.image_settings.color_mode = "RGBA" if alpha else "RGB"
    scene.render.use_border = scene.render.use_crop_to_border = window is not None
    if window is not None:
        (w, h), (x0, y0, x1, y1) = size, window
        scene.render.border_min_x, scene.render.border_max_x = x0 / w, x1 / w
        scene.render.border_min_y, scene.render.border_max_y = 1 - y1 / h, 1 - y0 / h
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "layer.exr"
        scene.render.filepath = str(path)
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(str(path))
        w, h = image.size
        flat = np.empty(w * h * 4, np.float32)
        image.pixels.foreach_get(flat)
        bpy.data.images.remove(image)
    picture = flat.reshape(h, w, 4)[::-1]
    return np.ascontiguousarray(picture if alpha else picture[:, :, :3])


def _project(stage: Stage, point: Sequence[float] | NDArray[np.float64]) -> tuple[float, float]:
    """Return pixel x, y (centre of the first pixel is 0, 0) of a place in the scene."""
    w, h = stage.plan.size
    v = world_to_camera_view(bpy.context.scene, stage.camera, Vector(point))
    return float(v.x * w - 0.5), float((1 - v.y) * h - 0.5)


def _radius_px(stage: Stage, centre: Sequence[float] | NDArray[np.float64], radius: float) -> float:
    x, y = _project(stage, centre)
    up = _project(stage, (centre[0], centre[1], centre[2] + radius))
    return float(np.hypot(up[0] - x, up[1] - y))


def trace_layers(stage: Stage) -> Layers:
    """Render the layers of a built scene."""
    scene, plan = bpy.context.scene, stage.plan
    scene.view_layers[0].update()
    surround = _render(plan.size, plan.samples) / stage.white
    lenses = _lens_layers(stage)
    masts = tuple(_mast_info(stage, k, mast) for k, mast in enumerate(stage.masts, start=1))
    w, h = plan.size
    distractors = []
    for prop in stage.props:
        x, y = _project(stage, prop.centre)
        if -20 < x < w + 20 and -20 < y < h + 20:
            r = _radius_px(stage, prop.centre, prop.radius)
            distractors.append(Distractor(prop.what, x, y, r, prop.lit))
    return Layers(
        surround.astype(np.float32),
        lenses,
        masts,
        tuple(distractors),
        {"maker": "path tracer", "light": plan.light.sky, "snow": plan.snow, **plan.words},
    )


def _lens_layers(stage: Stage) -> tuple[LensLayer, ...]:
    """Render each lens alone, in the window round its head."""
    held = [(socket, socket.default_value) for socket in (*stage.air.lights, stage.sky)]
    for socket, _ in held:
        socket.default_value = 0.0
    lamps = [item for item in bpy.data.objects if item.type == "LIGHT"]
    for lamp in lamps:
        lamp.hide_render = True
    air = stage.air.haze_group().nodes["air"].inputs["Strength"]
    air.default_value = 0.0
    found = []
    for mast in stage.masts:
        for lens in mast.lenses:
            found.append(_lens_layer(stage, lens))
    for socket, value in held:
        socket.default_value = value
    for lamp in lamps:
        lamp.hide_render = False
    air.default_value = 1.0
    return tuple(found)


def _lens_layer(stage: Stage, lens: BuiltLens) -> LensLayer:
    w, h = stage.plan.size
    x, y = _project(stage, lens.centre)
    radius = _radius_px(stage, lens.centre, lens.plan.radius)
    reach = max(24.0, 5.5 * radius)
    window = (
        max(0, int(x - reach)),
        max(0, int(y - reach)),
        min(w, int(x + reach) + 1),
        min(h, int(y + reach) + 1),
    )
    lens.socket.default_value = 1.0
    light = _render(stage.plan.size, 48, window).mean(axis=2)
    lens.socket.default_value = 0.0
    return LensLayer(
        lens.mast,
        lens.head,
        lens.lens,
        lens.plan.colours,
        x,
        y,
        radius,
        light.astype(np.float32),
        window[0],
        window[1],
    )


def _mast_info(stage: Stage, number: int, mast: BuiltMast) -> MastInfo:
    heads = []
    for k, head in enumerate(mast.plan.heads, start=1):
        own = [lens for lens in mast.lenses if lens.head == k]
        xy = np.mean([_project(stage, lens.centre) for lens in own], axis=0)
        radius = float(np.mean([_radius_px(stage, n.centre, n.plan.radius) for n in own]))
        heads.append(HeadInfo(k, head.type, float(xy[0]), float(xy[1]), radius))  # type: ignore[arg-type]
    at = np.array([_project(stage, corner) for corner in mast.corners])
    (x0, y0), (x1, y1) = at.min(axis=0), at.max(axis=0)
    sides = {head.side for head in mast.plan.heads}
    return MastInfo(
        number,
        (float(x0), float(y0), float(x1), float(y1)),
        "dwarf" if mast.plan.dwarf else "high",
        "staggered" if len(sides) > 1 else "inline",
        tuple(heads),
        mast.plan.plates,
    )


def trace_train(
    stage: Stage,
    shifts_m: Sequence[float],
    samples: int = 6,
    stride_m: float = 0.0,
    scale: float = 0.4,
) -> Iterator[Picture]:
    """Render only the trains, moved along the track; yield premultiplied RGBA pictures.

    Parameters
    ----------
    shifts_m : how far the train stands from where it was built, one picture each
    stride_m : way it makes while the shutter is open (motion blur)
    scale : size of the pictures against the scene's; motion blur hides that they are smaller
    """
    scene = bpy.context.scene
    train_parts = {item for holder in stage.trains for item in holder.children}
    others = [o for o in bpy.data.objects if o.type == "MESH" and o not in train_parts]
    for item in others:
        item.visible_camera = False
        # Grass, stones and trees would be built anew for each picture and hardly light the cars.
        item.hide_render = bool(item.modifiers)
    size = (round(stage.plan.size[0] * scale), round(stage.plan.size[1] * scale))
    # Many small pictures: a light denoiser and few bounces.
    scene.cycles.denoising_quality = "FAST"
    scene.cycles.denoising_prefilter = "FAST"
    scene.cycles.max_bounces = 1
    scene.render.use_motion_blur = stride_m > 0
    scene.render.motion_blur_shutter = 1.0
    for shift in shifts_m:
        for holder in stage.trains:
            holder.animation_data_clear()
            for frame, way in ((0, shift), (1, shift + stride_m), (2, shift + 2 * stride_m)):
                holder.location = (0.0, way, 0.0)
                holder.keyframe_insert("location", frame=frame)
        scene.frame_set(1)
        picture = _render(size, samples, alpha=True)
        picture[:, :, :3] /= np.float32(stage.white)
        yield picture
    for item in others:
        item.visible_camera, item.hide_render = True, False


def quiet() -> None:
    """Send Blender's own progress lines, written by C code, to nowhere."""
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.close(null)
