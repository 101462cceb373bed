"""Plain meshes for the path tracer: boxes, tubes, discs, sweeps, and scattered instances.

Every maker returns vertices and faces (`Mesh`), so that several can be joined before a single
Blender object is made of them. Units are metres, ``z`` is up. Needs the extra ``[render]``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import bmesh
import bpy
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Mesh:
    """Vertices (N, 3) in metres and faces as tuples of vertex numbers."""

    vertices: Array
    faces: Sequence[tuple[int, ...]]

    def moved(self, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Mesh:
        """Return the mesh shifted by (x, y, z)."""
        return Mesh(self.vertices + np.array([x, y, z]), self.faces)

    def turned(self, degrees: float) -> Mesh:
        """Return the mesh turned about the z axis, anticlockwise seen from above."""
        a = np.radians(degrees)
        turn = np.array([[np.cos(a), np.sin(a), 0], [-np.sin(a), np.cos(a), 0], [0, 0, 1]])
        return Mesh(self.vertices @ turn, self.faces)


def join(parts: Sequence[Mesh]) -> Mesh:
    """Return one mesh that holds all parts."""
    faces: list[tuple[int, ...]] = []
    offset = 0
    for part in parts:
        faces.extend(tuple(i + offset for i in face) for face in part.faces)
        offset += len(part.vertices)
    return Mesh(np.concatenate([part.vertices for part in parts]), faces)


def box(x0: float, x1: float, y0: float, y1: float, z0: float, z1: float) -> Mesh:
    """Return an upright box."""
    v = np.array([[x, y, z] for z in (z0, z1) for y in (y0, y1) for x in (x0, x1)], float)
    f = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return Mesh(v, f)


def tube(
    start: Sequence[float] | Array,
    end: Sequence[float] | Array,
    r0: float,
    r1: float | None = None,
    sides: int = 20,
    closed: bool = True,
) -> Mesh:
    """Return a round bar from `start` to `end` whose radius goes from r0 to r1."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    helper = np.array([1.0, 0, 0]) if abs(along[0]) < 0.9 else np.array([0, 1.0, 0])
    u = np.cross(along, helper)
    u /= np.linalg.norm(u)
    w = np.cross(along, u)
    t = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.cos(t)[:, None] * u + np.sin(t)[:, None] * w
    v = np.concatenate([a + ring * r0, b + ring * (r0 if r1 is None else r1)])
    f: list[tuple[int, ...]] = [
        (i, (i + 1) % sides, sides + (i + 1) % sides, sides + i) for i in range(sides)
    ]
    if closed:
        f += [tuple(range(sides - 1, -1, -1)), tuple(range(sides, 2 * sides))]
    return Mesh(v, f)


def plate(outline: Array, y0: float, y1: float) -> Mesh:
    """Return an upright plate: `outline` (N, 2) in x, z, reaching from y0 (front) to y1."""
    n = len(outline)
    front = np.column_stack([outline[:, 0], np.full(n, y0), outline[:, 1]])
    back = np.column_stack([outline[:, 0], np.full(n, y1), outline[:, 1]])
    f: list[tuple[int, ...]] = [tuple(range(n)), tuple(range(2 * n - 1, n - 1, -1))]
    f += [(i, n + i, n + (i + 1) % n, (i + 1) % n) for i in range(n)]
    return Mesh(np.concatenate([front, back]), f)


def circle(radius: float, sides: int = 48) -> Array:
    """Return an outline (N, 2) round the origin."""
    t = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


def pill(width: float, z0: float, z1: float, sides: int = 24) -> Array:
    """Return the outline of an upright plate with round ends."""
    r = width / 2
    t = np.linspace(0, np.pi, sides)
    top = np.column_stack([r * np.cos(t), z1 - r + r * np.sin(t)])
    low = np.column_stack([-r * np.cos(t), z0 + r - r * np.sin(t)])
    return np.concatenate([top, low])


def lens_dome(radius: float, bulge: float, rings: int = 5, sides: int = 28) -> Mesh:
    """Return a shallow glass dome in the x-z plane that bulges towards -y."""
    v = [np.array([0.0, -bulge, 0.0])]
    for k in range(1, rings + 1):
        r = radius * k / rings
        y = -bulge * (1 - (k / rings) ** 2)
        t = np.linspace(0, 2 * np.pi, sides, endpoint=False)
        v += list(np.column_stack([r * np.cos(t), np.full(sides, y), r * np.sin(t)]))
    f: list[tuple[int, ...]] = [(0, 1 + i, 1 + (i + 1) % sides) for i in range(sides)]
    for k in range(rings - 1):
        a, b = 1 + k * sides, 1 + (k + 1) * sides
        f += [(a + i, b + i, b + (i + 1) % sides, a + (i + 1) % sides) for i in range(sides)]
    return Mesh(np.array(v), f)


def hood(radius: float, length: float, cut_degrees: float = 250.0, steps: int = 30) -> Mesh:
    """Return a visor round a lens: a tube towards -y, open below, longer at the top."""
    half = np.radians(cut_degrees / 2)
    t = np.linspace(-half, half, steps)  # 0 is straight up
    reach = length * (0.45 + 0.55 * np.cos(np.clip(t, -np.pi / 2, np.pi / 2)) ** 1.2)
    reach = np.where(np.abs(t) > np.pi / 2, length * 0.45, reach)
    droop = 0.06 * length * (reach / length)
    parts = []
    for r in (radius, radius * 1.035):
        back = np.column_stack([r * np.sin(t), np.zeros(steps), r * np.cos(t)])
        front = np.column_stack([r * np.sin(t), -reach, r * np.cos(t) - droop])
        v = np.concatenate([back, front])
        f: list[tuple[int, ...]] = [(i, i + 1, steps + i + 1, steps + i) for i in range(steps - 1)]
        parts.append(Mesh(v, f))
    return join(parts)


def sweep(profile: Array, line: Array) -> Mesh:
    """Return `profile` (P, 2: across, up) drawn along `line` (N, 3), a level path."""
    d = np.gradient(line[:, :2], axis=0)
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    across = np.column_stack([d[:, 1], -d[:, 0]])
    n, p = len(line), len(profile)
    xy = line[:, None, :2] + profile[None, :, 0, None] * across[:, None, :]
    z = line[:, None, 2] + profile[None, :, 1]
    v = np.concatenate([xy, z[:, :, None]], axis=2).reshape(-1, 3)
    f: list[tuple[int, ...]] = [
        (i * p + j, i * p + j + 1, (i + 1) * p + j + 1, (i + 1) * p + j)
        for i in range(n - 1)
        for j in range(p - 1)
    ]
    return Mesh(v, f)


def height_grid(xs: Array, ys: Array, z: Array) -> Mesh:
    """Return a sheet over the grid xs by ys with heights z (len(ys), len(xs))."""
    gx, gy = np.meshgrid(xs, ys)
    v = np.column_stack([gx.ravel(), gy.ravel(), z.ravel()])
    w = len(xs)
    f: list[tuple[int, ...]] = [
        (r * w + c, r * w + c + 1, (r + 1) * w + c + 1, (r + 1) * w + c)
        for r in range(len(ys) - 1)
        for c in range(w - 1)
    ]
    return Mesh(v, f)


def stone(rng: np.random.Generator) -> Mesh:
    """Return a crushed stone about 1 across."""
    bm = bmesh.new()
    bmesh.ops.create_icosphere(bm, subdivisions=2, radius=0.5)
    v = np.array([tuple(p.co) for p in bm.verts])
    f = [tuple(p.index for p in face.verts) for face in bm.faces]
    bm.free()
    for _ in range(7):  # crushed rock is cut by planes
        n = rng.normal(size=3)
        n /= np.linalg.norm(n)
        over = np.maximum(v @ n - rng.uniform(0.24, 0.4), 0)
        v -= over[:, None] * n
    return Mesh(v * rng.uniform(0.75, 1.25, 3), f)


def to_object(name: str, mesh: Mesh, material: Any, smooth: bool = False) -> Any:
    """Make a Blender object of a mesh; it is linked to no collection yet."""
    data = bpy.data.meshes.new(name)
    data.from_pydata(mesh.vertices.tolist(), [], list(mesh.faces))
    data.update()
    if smooth:
        data.shade_smooth()
    data.materials.append(material)
    return bpy.data.objects.new(name, data)


def place(name: str, mesh: Mesh, material: Any, smooth: bool = False) -> Any:
    """Make a Blender object of a mesh and put it into the scene."""
    item = to_object(name, mesh, material, smooth)
    bpy.context.scene.collection.objects.link(item)
    return item


def scatter(
    name: str, points: Array, turns: Array, scales: Array, variants: Sequence[Any], seed: int = 0
) -> None:
    """Put instances of `variants` (unlinked objects) on points.

    Parameters
    ----------
    points, turns, scales : (N, 3) places, (N, 3) Euler angles in radians, (N,) sizes
    variants : each point gets one of these, in an order fixed by `seed`
    """
    if not len(points):
        return
    rng = np.random.default_rng(seed)
    pick = rng.integers(0, len(variants), len(points))
    for k, item in enumerate(variants):
        own = pick == k
        if own.any():
            _scatter_one(f"{name}{k}", points[own], turns[own], scales[own], item)


def _scatter_one(name: str, points: Array, turns: Array, scales: Array, item: Any) -> None:
    data = bpy.data.meshes.new(name)
    data.vertices.add(len(points))
    data.vertices.foreach_set("co", points.astype(np.float32).ravel())
    turn = data.attributes.new("turn", "FLOAT_VECTOR", "POINT")
    turn.data.foreach_set("vector", turns.astype(np.float32).ravel())
    size = data.attributes.new("size", "FLOAT", "POINT")
    size.data.foreach_set("value", scales.astype(np.float32))
    holder = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(holder)
    group = bpy.data.node_groups.new(name, "GeometryNodeTree")
    group.interface.new_socket("Geometry", in_out="INPUT", socket_type="NodeSocketGeometry")
    group.interface.new_socket("Geometry", in_out="OUTPUT", socket_type="NodeSocketGeometry")
    nodes, links = group.nodes, group.links
    source, sink = nodes.new("NodeGroupInput"), nodes.new("NodeGroupOutput")
    spread = nodes.new("GeometryNodeInstanceOnPoints")
    info = nodes.new("GeometryNodeObjectInfo")
    info.inputs["Object"].default_value = item
    info.inputs["As Instance"].default_value = True
    links.new(source.outputs[0], spread.inputs["Points"])
    links.new(info.outputs["Geometry"], spread.inputs["Instance"])
    for attribute, kind, socket in (
        ("turn", "FLOAT_VECTOR", "Rotation"),
        ("size", "FLOAT", "Scale"),
    ):
        read = nodes.new("GeometryNodeInputNamedAttribute")
        read.data_type = kind
        read.inputs["Name"].default_value = attribute
        links.new(read.outputs["Attribute"], spread.inputs[socket])
    links.new(spread.outputs["Instances"], sink.inputs[0])
    holder.modifiers.new("scatter", "NODES").node_group = group
