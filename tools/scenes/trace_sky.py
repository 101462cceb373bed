"""Sky, sun and moonlight for the path tracer. Needs the extra ``[render]``."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np

from mastread.tools.scenes.trace_materials import Rgb, _blend, _maths, _noise, _ramp


def make_sky(kind: str, elevation_deg: float, azimuth_deg: float, clouds: float) -> Any:
    """Make the world and return its strength socket.

    Parameters
    ----------
    kind : ``clear`` (a physical sky for the sun's elevation), ``overcast``, ``night``
    azimuth_deg : direction of the sun, 0 ahead of the camera (+y), 90 to the right (+x)
    clouds : 0..1, how much of the clear sky is covered
    """
    world = bpy.data.worlds.new("sky")
    bpy.context.scene.world = world
    world.use_nodes = True
    nodes, links = world.node_tree.nodes, world.node_tree.links
    nodes.clear()
    way = nodes.new("ShaderNodeTexCoord").outputs["Generated"]
    split = nodes.new("ShaderNodeSeparateXYZ")
    links.new(way, split.inputs[0])
    if kind == "clear":
        sky = nodes.new("ShaderNodeTexSky")
        sky.sky_type = "NISHITA"
        sky.sun_disc = False
        sky.sun_elevation = np.radians(elevation_deg)
        sky.sun_rotation = np.radians(azimuth_deg)
        sky.altitude = 200
        sky.dust_density = 1.6
        colour = sky.outputs[0]
        bright = float(np.interp(elevation_deg, [-3, 0, 6, 30], [0.06, 0.4, 2.6, 7.0]))
        warm = float(np.interp(elevation_deg, [0, 4, 15], [1.0, 0.7, 0.0]))
        cloud: Rgb = (
            0.62 * bright,
            0.6 * bright * (1 - 0.22 * warm),
            0.6 * bright * (1 - 0.38 * warm),
        )
    else:
        day = kind == "overcast"
        low: Rgb = (0.62, 0.645, 0.67) if day else (0.0105, 0.0095, 0.010)
        high: Rgb = (1.0, 1.02, 1.06) if day else (0.0026, 0.0034, 0.0062)
        colour = _blend(
            nodes, links, _ramp(nodes, links, split.outputs["Z"], -0.02, 0.75), low, high
        )
        cloud = (0.8, 0.82, 0.85) if day else (0.009, 0.0085, 0.009)
    plain = colour
    if clouds > 0:
        # A flat layer overhead: the direction is divided by its height above the horizon.
        height = _maths(nodes, "MAXIMUM", None, 0.0)
        links.new(split.outputs["Z"], height.inputs[0])
        lifted = _maths(nodes, "ADD", None, 0.09)
        links.new(height.outputs[0], lifted.inputs[0])
        flat = nodes.new("ShaderNodeVectorMath")
        flat.operation = "DIVIDE"
        triple = nodes.new("ShaderNodeCombineXYZ")
        for socket in triple.inputs:
            links.new(lifted.outputs[0], socket)
        links.new(way, flat.inputs[0])
        links.new(triple.outputs[0], flat.inputs[1])
        puff = _noise(nodes, links, 1.15, 9.0, flat.outputs[0])
        puff.inputs["Distortion"].default_value = 0.35
        edge = 0.66 - 0.3 * clouds
        cover = _ramp(nodes, links, puff.outputs["Fac"], edge, edge + 0.2)
        shade = _noise(nodes, links, 2.6, 7.0, flat.outputs[0])
        body = _blend(
            nodes,
            links,
            _ramp(nodes, links, shade.outputs["Fac"], 0.3, 0.7),
            cloud,
            (cloud[0] * 0.68, cloud[1] * 0.7, cloud[2] * 0.74),
        )
        above = _ramp(nodes, links, split.outputs["Z"], 0.01, 0.16)
        amount = _maths(nodes, "MULTIPLY")
        links.new(cover, amount.inputs[0])
        links.new(above, amount.inputs[1])
        colour = _blend(nodes, links, amount.outputs[0], colour, body)
    # Clouds cost much to work out and hardly change the light: only the camera sees them.
    seen, felt = nodes.new("ShaderNodeBackground"), nodes.new("ShaderNodeBackground")
    strength = nodes.new("ShaderNodeValue")
    strength.outputs[0].default_value = 1.0
    for background, source in ((seen, colour), (felt, plain)):
        links.new(source, background.inputs["Color"])
        links.new(strength.outputs[0], background.inputs["Strength"])
    mix = nodes.new("ShaderNodeMixShader")
    links.new(nodes.new("ShaderNodeLightPath").outputs["Is Camera Ray"], mix.inputs[0])
    links.new(felt.outputs[0], mix.inputs[1])
    links.new(seen.outputs[0], mix.inputs[2])
    links.new(mix.outputs[0], nodes.new("ShaderNodeOutputWorld").inputs["Surface"])
    return strength.outputs[0]


def add_sun(elevation_deg: float, azimuth_deg: float, irradiance: float, angle_deg: float) -> Any:
    """Add the sun (or the moon): irradiance on a surface that faces it, in scene units."""
    light = bpy.data.lights.new("sun", "SUN")
    light.energy = irradiance
    light.angle = np.radians(angle_deg)
    low = float(np.clip(elevation_deg / 25.0, 0.0, 1.0))
    light.color = (1.0, 0.62 + 0.33 * low**0.6, 0.3 + 0.57 * low**0.6)
    item = bpy.data.objects.new("sun", light)
    e, a = np.radians(elevation_deg), np.radians(azimuth_deg)
    # A sun lamp shines along its own -z axis.
    item.rotation_euler = (np.pi / 2 - e, 0.0, np.pi - a)
    bpy.context.scene.collection.objects.link(item)
    return item
