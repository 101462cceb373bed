"""Surfaces, sky and haze for the path tracer. Needs the extra ``[render]``.

Haze belongs to every surface: what the camera sees of it is mixed with the colour of the air
by ``1 - exp(-distance / length)`` (Koschmieder's law; the meteorological visibility is about
3 lengths), per ray, so that edges stay exact. Snow lies on what faces upward.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import bpy

Rgb = tuple[float, float, float]


@dataclass(slots=True)
class Air:
    """What surfaces need to know of the weather, and the switches for light-by-light renders.

    Attributes
    ----------
    length_m : distance in which the air takes away 63 % of the light
    snow : whether snow lies
    lights : strength sockets of everything in the scene that shines by itself, lenses excepted
    """

    length_m: float = 9000.0
    snow: bool = False
    lights: list[Any] = field(default_factory=list)
    group: Any = None

    def haze_group(self) -> Any:
        """Return the node group that mixes air into a surface, made on first use."""
        if self.group is None:
            self.group = _make_haze(self.length_m)
        return self.group

    def set_colour(self, rgb: Rgb) -> None:
        """Set the light that the air itself sends to the camera, in radiance."""
        self.haze_group().nodes["air"].inputs["Color"].default_value = (*rgb, 1.0)


def _make_haze(length_m: float) -> Any:
    group = bpy.data.node_groups.new("haze", "ShaderNodeTree")
    group.interface.new_socket("Shader", in_out="INPUT", socket_type="NodeSocketShader")
    group.interface.new_socket("Shader", in_out="OUTPUT", socket_type="NodeSocketShader")
    nodes, links = group.nodes, group.links
    source, sink = nodes.new("NodeGroupInput"), nodes.new("NodeGroupOutput")
    path = nodes.new("ShaderNodeLightPath")
    air = nodes.new("ShaderNodeEmission")
    air.name = "air"
    air.inputs["Color"].default_value = (0, 0, 0, 1)
    decay = _maths(nodes, "MULTIPLY", None, -1.0 / length_m)
    links.new(path.outputs["Ray Length"], decay.inputs[0])
    kept = _maths(nodes, "EXPONENT")
    links.new(decay.outputs[0], kept.inputs[0])
    lost = _maths(nodes, "SUBTRACT", 1.0)
    links.new(kept.outputs[0], lost.inputs[1])
    seen = _maths(nodes, "MULTIPLY")
    links.new(lost.outputs[0], seen.inputs[0])
    links.new(path.outputs["Is Camera Ray"], seen.inputs[1])
    mix = nodes.new("ShaderNodeMixShader")
    links.new(seen.outputs[0], mix.inputs[0])
    links.new(source.outputs[0], mix.inputs[1])
    links.new(air.outputs[0], mix.inputs[2])
    links.new(mix.outputs[0], sink.inputs[0])
    return group


def _maths(
    nodes: Any, operation: str, first: float | None = None, second: float | None = None
) -> Any:
    node = nodes.new("ShaderNodeMath")
    node.operation = operation
    for socket, value in zip(node.inputs, (first, second), strict=False):
        if value is not None:
            socket.default_value = value
    return node


def _noise(nodes: Any, links: Any, scale: float, detail: float, where: Any) -> Any:
    node = nodes.new("ShaderNodeTexNoise")
    node.inputs["Scale"].default_value = scale
    node.inputs["Detail"].default_value = detail
    node.inputs["Roughness"].default_value = 0.62
    links.new(where, node.inputs["Vector"])
    return node


def _ramp(nodes: Any, links: Any, source: Any, low: float, high: float) -> Any:
    node = nodes.new("ShaderNodeMapRange")
    node.interpolation_type = "SMOOTHSTEP"
    node.inputs["From Min"].default_value = low
    node.inputs["From Max"].default_value = high
    links.new(source, node.inputs["Value"])
    return node.outputs["Result"]


def _blend(nodes: Any, links: Any, factor: Any, first: Any, second: Any) -> Any:
    """Mix two colours; each may be a socket or an RGB triple."""
    node = nodes.new("ShaderNodeMix")
    node.data_type = "RGBA"
    if isinstance(factor, float):
        node.inputs[0].default_value = factor
    else:
        links.new(factor, node.inputs[0])
    for socket, value in ((node.inputs[6], first), (node.inputs[7], second)):
        if isinstance(value, tuple):
            socket.default_value = (*value, 1.0)
        else:
            links.new(value, socket)
    return node.outputs[2]


def surface(
    air: Air,
    name: str,
    first: Rgb,
    second: Rgb | None = None,
    *,
    scale: float = 3.0,
    contrast: tuple[float, float] = (0.35, 0.65),
    roughness: float = 0.8,
    metallic: float = 0.0,
    bump: float = 0.0,
    bump_scale: float | None = None,
    streaks: float = 0.0,
    dirt: Rgb | None = None,
    vary: float = 0.0,
    snow: float = 1.0,
    world_space: bool = False,
) -> Any:
    """Return a weathered, opaque material.

    Parameters
    ----------
    first, second : two base colours (linear) mixed by noise of `scale` per metre
    bump : depth in metres of the fine relief
    streaks : 0..1, vertical run-off stains
    dirt : colour of patches of dirt at a larger scale
    vary : 0..1, how far the brightness differs from instance to instance
    snow : how readily snow stays on it (0 never)
    world_space : take the pattern from the place in the world (ground), not from the object
    """
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    geometry = nodes.new("ShaderNodeNewGeometry")
    where = geometry.outputs["Position"]
    if not world_space:
        where = nodes.new("ShaderNodeTexCoord").outputs["Object"]
    shader = nodes.new("ShaderNodeBsdfPrincipled")
    colour: Any = first
    if second is not None:
        grain = _noise(nodes, links, scale, 6.0, where)
        colour = _blend(
            nodes, links, _ramp(nodes, links, grain.outputs["Fac"], *contrast), first, second
        )
    if dirt is not None:
        patch = _noise(nodes, links, scale * 0.13, 4.0, where)
        colour = _blend(
            nodes, links, _ramp(nodes, links, patch.outputs["Fac"], 0.45, 0.72), colour, dirt
        )
    if streaks > 0:
        squeeze = nodes.new("ShaderNodeMapping")
        squeeze.inputs["Scale"].default_value = (9.0, 9.0, 0.35)
        links.new(where, squeeze.inputs["Vector"])
        run = _noise(nodes, links, 1.0, 5.0, squeeze.outputs[0])
        amount = _maths(nodes, "MULTIPLY", None, streaks)
        links.new(_ramp(nodes, links, run.outputs["Fac"], 0.48, 0.75), amount.inputs[0])
        colour = _blend(nodes, links, amount.outputs[0], colour, (0.06, 0.045, 0.035))
    if vary > 0:
        info = nodes.new("ShaderNodeObjectInfo")
        spread = nodes.new("ShaderNodeMapRange")
        spread.inputs["To Min"].default_value = 1.0 - vary
        spread.inputs["To Max"].default_value = 1.0 + vary
        links.new(info.outputs["Random"], spread.inputs["Value"])
        tone = nodes.new("ShaderNodeHueSaturation")
        links.new(spread.outputs["Result"], tone.inputs["Value"])
        if isinstance(colour, tuple):
            tone.inputs["Color"].default_value = (*colour, 1.0)
        else:
            links.new(colour, tone.inputs["Color"])
        colour = tone.outputs["Color"]
    if isinstance(colour, tuple):
        shader.inputs["Base Color"].default_value = (*colour, 1.0)
    else:
        links.new(colour, shader.inputs["Base Color"])
    shader.inputs["Roughness"].default_value = roughness
    shader.inputs["Metallic"].default_value = metallic
    if bump > 0:
        relief = _noise(nodes, links, bump_scale or scale * 4, 8.0, where)
        lift = nodes.new("ShaderNodeBump")
        lift.inputs["Distance"].default_value = bump
        links.new(relief.outputs["Fac"], lift.inputs["Height"])
        links.new(lift.outputs[0], shader.inputs["Normal"])
    _finish(air, material, shader.outputs[0], snow, geometry)
    return material


def foliage(air: Air, name: str, first: Rgb, second: Rgb, through: float = 0.35) -> Any:
    """Return the material of leaves, needles and grass: thin, letting some light through."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    geometry = nodes.new("ShaderNodeNewGeometry")
    info = nodes.new("ShaderNodeObjectInfo")
    colour = _blend(nodes, links, geometry.outputs["Random Per Island"], first, second)
    tone = nodes.new("ShaderNodeHueSaturation")
    spread = nodes.new("ShaderNodeMapRange")
    spread.inputs["To Min"].default_value = 0.6
    spread.inputs["To Max"].default_value = 1.35
    links.new(info.outputs["Random"], spread.inputs["Value"])
    links.new(spread.outputs["Result"], tone.inputs["Value"])
    links.new(colour, tone.inputs["Color"])
    front, back = nodes.new("ShaderNodeBsdfDiffuse"), nodes.new("ShaderNodeBsdfTranslucent")
    links.new(tone.outputs[0], front.inputs["Color"])
    links.new(tone.outputs[0], back.inputs["Color"])
    mix = nodes.new("ShaderNodeMixShader")
    mix.inputs[0].default_value = through
    links.new(front.outputs[0], mix.inputs[1])
    links.new(back.outputs[0], mix.inputs[2])
    _finish(air, material, mix.outputs[0], 0.75, geometry)
    return material


def _finish(air: Air, material: Any, shader: Any, snow: float, geometry: Any) -> None:
    """Put snow and haze on a surface and end the material."""
    nodes, links = material.node_tree.nodes, material.node_tree.links
    if air.snow and snow > 0:
        split = nodes.new("ShaderNodeSeparateXYZ")
        links.new(geometry.outputs["Normal"], split.inputs[0])
        grain = _noise(nodes, links, 5.0, 5.0, geometry.outputs["Position"])
        total = _maths(nodes, "MULTIPLY_ADD", None, 0.9)
        links.new(grain.outputs["Fac"], total.inputs[0])
        links.new(split.outputs["Z"], total.inputs[2])
        cover = _maths(nodes, "MULTIPLY", None, min(1.0, snow))
        links.new(_ramp(nodes, links, total.outputs[0], 0.95, 1.2), cover.inputs[0])
        white = nodes.new("ShaderNodeBsdfDiffuse")
        white.inputs["Color"].default_value = (0.84, 0.86, 0.9, 1.0)
        mix = nodes.new("ShaderNodeMixShader")
        links.new(cover.outputs[0], mix.inputs[0])
        links.new(shader, mix.inputs[1])
        links.new(white.outputs[0], mix.inputs[2])
        shader = mix.outputs[0]
    haze = nodes.new("ShaderNodeGroup")
    haze.node_tree = air.haze_group()
    links.new(shader, haze.inputs[0])
    links.new(haze.outputs[0], nodes.new("ShaderNodeOutputMaterial").inputs["Surface"])


def glow(air: Air, name: str, rgb: Rgb, strength: float) -> Any:
    """Return a material that shines by itself (a window, a marker lamp, a street light)."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes = material.node_tree.nodes
    nodes.clear()
    light = nodes.new("ShaderNodeEmission")
    light.inputs["Color"].default_value = (*rgb, 1.0)
    light.inputs["Strength"].default_value = strength
    air.lights.append(light.inputs["Strength"])
    _finish(air, material, light.outputs[0], 0.0, None)
    return material


def lens_glass(air: Air, name: str, tint: Rgb, radius: float) -> tuple[Any, Any]:
    """Return the material of a lens and the socket that lights it (radiance at the middle).

    Unlit it is dark glossy glass of its own tint. Lit, the optic is brightest in the middle and
    falls off to the edge, with the faint rings of a stepped lens.
    """
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    glass = nodes.new("ShaderNodeBsdfPrincipled")
    glass.inputs["Base Color"].default_value = (*tint, 1.0)
    glass.inputs["Roughness"].default_value = 0.12
    where = nodes.new("ShaderNodeTexCoord")
    flat = nodes.new("ShaderNodeMapping")
    flat.inputs["Scale"].default_value = (1 / radius, 0.0, 1 / radius)
    links.new(where.outputs["Object"], flat.inputs["Vector"])
    length = nodes.new("ShaderNodeVectorMath")
    length.operation = "LENGTH"
    links.new(flat.outputs[0], length.inputs[0])
    fall = nodes.new("ShaderNodeMapRange")
    fall.interpolation_type = "SMOOTHSTEP"
    fall.inputs["From Min"].default_value = 0.15
    fall.inputs["From Max"].default_value = 1.05
    fall.inputs["To Min"].default_value = 1.15
    fall.inputs["To Max"].default_value = 0.45
    links.new(length.outputs["Value"], fall.inputs["Value"])
    wave = _maths(nodes, "MULTIPLY", None, 36.0)
    links.new(length.outputs["Value"], wave.inputs[0])
    ring = _maths(nodes, "SINE")
    links.new(wave.outputs[0], ring.inputs[0])
    ripple = _maths(nodes, "MULTIPLY_ADD", None, 0.06)
    links.new(ring.outputs[0], ripple.inputs[0])
    links.new(fall.outputs["Result"], ripple.inputs[2])
    level = _maths(nodes, "MULTIPLY", None, 0.0)
    links.new(ripple.outputs[0], level.inputs[0])
    light = nodes.new("ShaderNodeEmission")
    links.new(level.outputs[0], light.inputs["Strength"])
    both = nodes.new("ShaderNodeAddShader")
    links.new(glass.outputs[0], both.inputs[0])
    links.new(light.outputs[0], both.inputs[1])
    _finish(air, material, both.outputs[0], 0.0, None)
    return material, level.inputs[1]
