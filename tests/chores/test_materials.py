"""One material per tile: what changes, what does not, and the way back."""

import json
import re
import shutil
import struct
import subprocess

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from cagecheck.chores.materials.obj import (
    move_obj_uvs,
    obj_libraries,
    read_libraries,
    set_mtl_materials,
    set_obj_materials,
)
from cagecheck.chores.materials.per_tile import restore_tiles, write_tile_materials
from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh
from cagecheck.inspecting.tile_table import face_tiles, tile_table
from cagecheck.meshes.lowpoly import prepare_low
from tests.paths import NODE
from tests.scenes.tiles import CHARACTER, patch_mesh, write_obj

NAMES = {1001: "hero_1001", 1002: "hero_1002", 1011: "hero_1011"}
needs_validator = pytest.mark.skipif(
    shutil.which("node") is None or not (NODE / "node_modules" / "gltf-validator").is_dir(),
    reason="the glTF validator needs node and `npm ci` in tests/node",
)
MTL = "# shading\nnewmtl skin\nKd 1 .8 .7\nmap_Kd skin.png\n\nnewmtl metal\nKd .5 .5 .5\n"


@pytest.fixture
def obj(tmp_path):
    (tmp_path / "hero.mtl").write_text(MTL)
    return write_obj(tmp_path / "hero_low.obj")


def materials_by_tile(mesh):
    names = np.array([*mesh.material_names, ""], object)[mesh.face_material]
    tiles = face_tiles(mesh).tile
    return {int(t): set(names[tiles == t]) for t in np.unique(tiles)}


def by_lines(path):
    return path.read_bytes().splitlines(keepends=True)


# --- OBJ ---------------------------------------------------------------------------------------


def test_obj_changes_nothing_but_material_lines(obj, tmp_path):
    out = tmp_path / "out" / "new.obj"
    result = write_tile_materials(obj, out)
    assert materials_by_tile(read_mesh(out)) == {t: {n} for t, n in NAMES.items()}
    kept = [x for x in by_lines(obj) if not x.startswith((b"usemtl", b"mtllib"))]
    assert [x for x in by_lines(out) if not x.startswith((b"usemtl", b"mtllib"))] == kept
    assert [m.made_from for m in result.materials] == ["skin", "skin", "leather"]
    assert {n.code for n in result.notices} == {"materials-joined", "texture-paths"}


def test_mtl_holds_the_model_of_each_material(obj, tmp_path):
    out = tmp_path / "new.obj"
    write_tile_materials(obj, out)
    assert (tmp_path / "new.mtl").read_text() == (
        "# shading\n"
        "newmtl hero_1001\nKd 1 .8 .7\nmap_Kd skin.png\n\n"
        "newmtl hero_1002\nKd 1 .8 .7\nmap_Kd skin.png\n\n"
        "newmtl hero_1011\n"
    )
    # A second reader finds the same materials.
    scene = trimesh.load(out, force="scene", process=False)
    used = {g.visual.material.name for g in scene.geometry.values()}
    assert used == set(NAMES.values())


def test_faces_in_any_order_each_get_their_tiles_material(tmp_path):
    """Faces of two tiles by turns, one material, one object."""
    lines = ["v 0 0 0", "v 1 0 0", "v 0 1 0", "vt .1 .1", "vt .2 .1", "vt .1 .2"]
    lines += ["vt 1.1 .1", "vt 1.2 .1", "vt 1.1 .2", "usemtl a", "s 1"]
    lines += ["f 1/1 2/2 3/3", "f 1/4 2/5 3/6"] * 3
    path = tmp_path / "turns.obj"
    path.write_text("\n".join(lines) + "\n")
    write_tile_materials(path, tmp_path / "new.obj", asset="x")
    text = (tmp_path / "new.obj").read_text()
    assert text.count("usemtl") == 6
    again = read_mesh(tmp_path / "new.obj")
    assert (
        np.array([again.material_names[k] for k in again.face_material]).tolist()
        == [
            "x_1001",
            "x_1002",
        ]
        * 3
    )


def test_moved_to_the_first_tile_and_back_gives_the_same_bytes(obj, tmp_path):
    plain, moved, back = (tmp_path / f"{n}.obj" for n in ("plain", "moved", "back"))
    write_tile_materials(obj, plain)
    result = write_tile_materials(obj, moved, to_first_tile=True)
    assert set(face_tiles(read_mesh(moved)).tile) == {1001}
    record = tmp_path / "moved.obj.tiles.json"
    assert record in result.files
    restore_tiles(moved, record, back)
    same = [x.replace(b"moved.mtl", b"plain.mtl") for x in by_lines(back)]
    assert same == by_lines(plain)


def test_uvs_on_the_border_shared_by_two_tiles_are_parted(tmp_path):
    """Two quads that share two vt lines at u = 1, with relative numbers in one of them."""
    for second in ("f 2/3 5/5 6/6 3/4", "f -5/-4 -2/-2 -1/-1 -4/-3"):
        path = tmp_path / "border.obj"
        path.write_text(
            "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 2 0 0\nv 2 1 0\n"
            "vt 0.5 0.25\nvt 0.5 0.75\nvt 1.0 0.25\nvt 1.0 0.75\nvt 1.5 0.25\nvt 1.5 0.75\n"
            f"usemtl a\nf 1/1 2/3 3/4 4/2 # first\n{second}\n"
        )
        moved, back = tmp_path / "moved.obj", tmp_path / "back.obj"
        write_tile_materials(path, moved, to_first_tile=True, force=True)
        old, new = read_mesh(path), read_mesh(moved)
        shift = np.repeat([[0.0, 0.0], [1.0, 0.0]], 4, axis=0)
        assert (new.corner_uv == old.corner_uv - shift).all()
        assert (new.corner_vertex == old.corner_vertex).all()
        assert "# first" in moved.read_text()
        restore_tiles(moved, tmp_path / "moved.obj.tiles.json", back, force=True)
        assert (read_mesh(back).corner_uv == old.corner_uv).all()


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_uvs_of_any_faces_move_by_their_own_shift(tmp_path_factory, data):
    """Random faces over random shared UVs, positive and negative numbers, several runs of vt."""
    count = data.draw(st.integers(3, 8))
    digits = st.integers(0, 999)
    lines = [f"v {k} {k * k} 0" for k in range(count)]
    seen, shifts, expected = 0, [], []
    uv = []
    for _ in range(data.draw(st.integers(1, 3))):
        for _ in range(data.draw(st.integers(1 if seen else 3, 5))):
            u, v = data.draw(digits), data.draw(digits)
            lines.append(f"vt  {u / 100:.2f}\t{v / 100:.2f} 0")
            uv.append((u / 100, v / 100))
            seen += 1
        for _ in range(data.draw(st.integers(1, 4))):
            corners = [data.draw(st.integers(0, seen - 1)) for _ in range(3)]
            shift = data.draw(st.sampled_from([(0, 0), (-1, 0), (-3, -2), (2, 1)]))
            words = [
                f"{k + 1}/{c + 1 if data.draw(st.booleans()) else c - seen}"
                for k, c in enumerate(corners)
            ]
            lines.append("f " + " ".join(words))
            shifts.append(shift)
            expected += [np.add(uv[c], shift) for c in corners]
    folder = tmp_path_factory.mktemp("any")
    (folder / "x.obj").write_bytes(move_obj_uvs("\n".join(lines).encode(), shifts))
    moved = read_mesh(folder / "x.obj")
    assert np.allclose(moved.corner_uv, expected, atol=1e-12)


def test_odd_obj_syntax_survives(tmp_path):
    data = (
        b"\xef\xbb\xbf# bom, line ends of two kinds, a continued face, no end of line\r\n"
        b"v 0 0 0\r\nv 1 0 0\nv 0 1 0\n  vt 1.5 0.5 0\nvt 1.6 .5\nvt 1.5 .6e0\n"
        b"usemtl  old name \nf 1/1 \\\n 2/2 3/3\nl 1 2\nusemtl unused"
    )
    path = tmp_path / "odd.obj"
    path.write_bytes(data)
    write_tile_materials(path, tmp_path / "new.obj", to_first_tile=True, names="t {tile}")
    assert (tmp_path / "new.obj").read_bytes() == (
        b"\xef\xbb\xbfmtllib new.mtl\r\n"
        b"# bom, line ends of two kinds, a continued face, no end of line\r\n"
        b"v 0 0 0\r\nv 1 0 0\nv 0 1 0\n  vt 0.5 0.5 0\nvt 0.6 .5\nvt 0.5 .6e0\n"
        b"usemtl t 1002\nf 1/1 \\\n 2/2 3/3\nl 1 2\n"
    )


def test_faces_off_the_tiles_keep_their_material(tmp_path):
    patches = (*CHARACTER, ("far", "glass", (-3, 0), (0.1, 0.1, 0.2, 0.2)))
    (tmp_path / "hero.mtl").write_text("newmtl glass\nd 0.5\n")
    out = tmp_path / "new.obj"
    write_tile_materials(write_obj(tmp_path / "far.obj", patches), out)
    assert materials_by_tile(read_mesh(out))[0] == {"glass"}
    assert "newmtl glass\nd 0.5\n" in (tmp_path / "new.mtl").read_text()


def test_a_library_outside_the_folder_is_not_followed(tmp_path):
    (tmp_path / "secret.mtl").write_text("newmtl a\n# secret\n")
    (tmp_path / "in").mkdir()
    path = write_obj(tmp_path / "in" / "hero.obj")
    path.write_text(path.read_text().replace("mtllib hero.mtl", "mtllib ../secret.mtl"))
    result = write_tile_materials(path, tmp_path / "new.obj")
    assert "secret" not in (tmp_path / "new.mtl").read_text()
    assert "no-library" in {n.code for n in result.notices}


def test_setting_materials_needs_no_uvs_or_library():
    data = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\nf 3 2 1\n"
    assert set_obj_materials(data, ["a", "a"], "l.mtl") == (
        b"mtllib l.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nusemtl a\nf 1 2 3\nf 3 2 1\n"
    )


def test_only_material_lines_change_byte_by_byte():
    """One library line; usemtl renamed in its place, added before a face, removed at the end."""
    data = (
        b"# a\r\nmtllib a.mtl b.mtl\nmtllib c.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\n"
        b"usemtl old\ns 1\nf 1 2 3\nfo 3 2 1\r\nusemtl older\nf 1 2 3\nusemtl idle\nf 3 2 1"
    )
    assert set_obj_materials(data, ["x", "y", "y", "z"], "l.mtl") == (
        b"# a\r\nmtllib l.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\n"
        b"usemtl x\ns 1\nf 1 2 3\nusemtl y\r\nfo 3 2 1\r\nusemtl y\nf 1 2 3\nusemtl z\nf 3 2 1"
    )
    last = b"v 0 0 0\nusemtl a\nf 1 1 1\nf 1 1 1"
    assert set_obj_materials(last, ["x", "y"], "l.mtl").endswith(b"f 1 1 1\nusemtl y\nf 1 1 1")
    mixed = b"# unix\nv 0 0 0\r\nf 1 1 1\n"
    assert set_obj_materials(mixed, [""], "l.mtl") == b"mtllib l.mtl\n" + mixed
    without = b"mtllib b.mtl\nusemtl a\nf 1 1 1\nf 1 1 1\n"
    assert set_obj_materials(without, ["", "x"], "l.mtl") == (
        b"mtllib l.mtl\nf 1 1 1\nusemtl x\nf 1 1 1\n"
    )
    assert set_obj_materials(b"", [], "l.mtl") == b"mtllib l.mtl\n"


def test_uv_lines_without_faces_and_faces_without_uvs_stay():
    """A vt line shared by two tiles is doubled; relative numbers stay relative."""
    data = (
        b"vt 0.9 0.1\nvt 1 0.1\nvt 1 0.9\nvt 7 7\nvt 1.5\nvt 0 0\nv 0 0 0\n"
        b"f 1/1/1 1/2\\\n 1/-4\nf 1 1//1 1/\nfo 1/2 1/3 1/-2 # 1/4\n"
    )
    assert move_obj_uvs(data, [(0, 0), (0, 0), (-1, 0)]) == (
        b"vt 0.9 0.1\nvt 0 0.1\nvt 1 0.1\nvt 0 0.9\nvt 1 0.9\nvt 7 7\nvt 0.5\nvt 0 0\nv 0 0 0\n"
        b"f 1/1/1 1/3\\\n 1/-4\nf 1 1//1 1/\nfo 1/2 1/4 1/-2 # 1/4\n"
    )


def test_blocks_of_a_library_are_copied_whole():
    first = b"\xef\xbb\xbf# head"
    second = b"newmtl steel plate\nKd 1 0 0\n newmtl dull\nKd 0 0 0\nnewmtl\nd 0.5"
    made = set_mtl_materials([first, second], {"a": "steel plate", "b": None}, ["dull", "newmtl"])
    assert made == (
        b"# head\nnewmtl dull\nKd 0 0 0\nnewmtl newmtl\nd 0.5\nnewmtl a\nKd 1 0 0\nnewmtl b\n"
    )
    assert set_mtl_materials([b"# cr\r"], {"a": None}, []) == b"# cr\rnewmtl a\n"


def test_library_names_with_blanks_and_several_on_a_line(tmp_path):
    for name in ("my lib.mtl", "one.mtl", "two.mtl"):
        (tmp_path / name).write_bytes(name.encode())
    data = b"mtllib my lib.mtl\n mtllib\tone.mtl two.mtl gone.mtl \n"
    names = obj_libraries(data)
    assert names == ["my lib.mtl", "one.mtl two.mtl gone.mtl"]
    found, missing = read_libraries(tmp_path / "x.obj", names)
    assert found == [b"my lib.mtl", b"one.mtl", b"two.mtl"] and missing == ["gone.mtl"]


# --- GLB ---------------------------------------------------------------------------------------


def write_glb(path, *, share_uv=False, indexed=True, interleave=False):
    """The patches as one primitive per material; skin spans two tiles. Written by hand."""
    mesh = patch_mesh()
    materials = [{"name": n, "extras": {"kept": k}} for k, n in enumerate(mesh.material_names)]
    binary, views, accessors, primitives = b"", [], [], []

    def add(data, component, kind, count, target, stride=0, offset=0):
        nonlocal binary
        if data is not None:
            binary += b"\0" * (-len(binary) % 4)
            view = {"buffer": 0, "byteOffset": len(binary), "byteLength": len(data)}
            views.append(view | {"target": target} | ({"byteStride": stride} if stride else {}))
            binary += data
        accessors.append(
            {
                "bufferView": len(views) - 1,
                "byteOffset": offset,
                "componentType": component,
                "count": count,
                "type": kind,
            }
        )
        return len(accessors) - 1

    uv = mesh.corner_uv.astype("<f4")
    uv[:, 1] = 1 - uv[:, 1]
    positions = mesh.positions.astype("<f4")
    everything = None
    bounds = []
    for k in range(len(materials)):
        faces = np.flatnonzero(mesh.face_material == k)
        vertices = (4 * faces[:, None] + np.arange(4)).ravel()
        if share_uv:
            if everything is None:
                everything = (
                    add(positions.tobytes(), 5126, "VEC3", len(positions), 34962),
                    add(uv.tobytes(), 5126, "VEC2", len(uv), 34962),
                )
            index = (4 * faces[:, None] + [0, 1, 2, 0, 2, 3]).ravel()
            where = everything
        elif interleave:
            rows = np.concatenate([positions[vertices], uv[vertices]], axis=1).astype("<f4")
            a = add(rows.tobytes(), 5126, "VEC3", len(vertices), 34962, 20)
            where = (a, add(None, 5126, "VEC2", len(vertices), 34962, offset=12))
            index = (4 * np.arange(len(faces))[:, None] + [0, 1, 2, 0, 2, 3]).ravel()
        else:
            if not indexed:
                vertices = (4 * faces[:, None] + [0, 1, 2, 0, 2, 3]).ravel()
            where = (
                add(positions[vertices].tobytes(), 5126, "VEC3", len(vertices), 34962),
                add(uv[vertices].tobytes(), 5126, "VEC2", len(vertices), 34962),
            )
            index = (4 * np.arange(len(faces))[:, None] + [0, 1, 2, 0, 2, 3]).ravel()
        bounds.append((where[0], positions if share_uv else positions[vertices]))
        entry = {"attributes": {"POSITION": where[0], "TEXCOORD_0": where[1]}, "material": k}
        if indexed:
            entry["indices"] = add(index.astype("<u2").tobytes(), 5123, "SCALAR", len(index), 34963)
        primitives.append(entry)
    for entry, mine in bounds:
        accessors[entry] |= {"min": mine.min(0).tolist(), "max": mine.max(0).tolist()}
    tree = {
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": "hero"}], "meshes": [{"primitives": primitives}],
        "materials": materials, "accessors": accessors, "bufferViews": views,
        "buffers": [{"byteLength": len(binary)}],
    }  # fmt: skip
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    path.write_bytes(
        struct.pack("<III", 0x46546C67, 2, 28 + len(text) + len(binary))
        + struct.pack("<II", len(text), 0x4E4F534A) + text
        + struct.pack("<II", len(binary), 0x004E4942) + binary
    )  # fmt: skip
    return path


def glb_parts(path):
    data = path.read_bytes()
    size = struct.unpack("<I", data[12:16])[0]
    return json.loads(data[20 : 20 + size]), data[28 + size :]


KINDS = [{}, {"share_uv": True}, {"indexed": False}, {"interleave": True}]


@pytest.mark.parametrize("kind", KINDS)
def test_glb_gets_materials_and_keeps_its_data(tmp_path, kind):
    path, out = write_glb(tmp_path / "hero_low.glb", **kind), tmp_path / "new.glb"
    write_tile_materials(path, out)
    old, new = read_mesh(path), read_mesh(out)
    assert materials_by_tile(new) == {t: {n} for t, n in NAMES.items()}
    assert np.array_equal(old.positions, new.positions)
    tree, binary = glb_parts(path)
    new_tree, new_binary = glb_parts(out)
    assert new_binary.startswith(binary[: tree["buffers"][0]["byteLength"]])
    for name in ("asset", "scene", "scenes", "nodes"):
        assert new_tree[name] == tree[name]
    assert new_tree["accessors"][: len(tree["accessors"])] == tree["accessors"]
    extras = {m["name"]: m.get("extras") for m in new_tree["materials"]}
    assert extras["hero_1001"] == extras["hero_1002"] == {"kept": 0}
    second = trimesh.load(out, force="scene", process=False)
    assert {g.visual.material.name for g in second.geometry.values()} == set(NAMES.values())
    assert sum(len(g.faces) for g in second.geometry.values()) == 8


@pytest.mark.parametrize("kind", KINDS)
def test_glb_moves_and_comes_back(tmp_path, kind):
    path = write_glb(tmp_path / "hero_low.glb", **kind)
    plain, moved, back = (tmp_path / f"{n}.glb" for n in ("plain", "moved", "back"))
    write_tile_materials(path, plain)
    write_tile_materials(path, moved, to_first_tile=True)
    here, there = read_mesh(plain), read_mesh(moved)
    assert set(face_tiles(there).tile) == {1001}
    tile = face_tiles(here).tile[here.corner_face]
    origin = np.stack([(tile - 1001) % 10, (tile - 1001) // 10], axis=1)
    # float32 keeps 24 bits: moving by one tile rounds by half a step at 1 at most.
    assert np.allclose(there.corner_uv, here.corner_uv - origin, atol=2**-24, rtol=0)
    restore_tiles(moved, tmp_path / "moved.glb.tiles.json", back)
    again = read_mesh(back)
    assert np.allclose(again.corner_uv, here.corner_uv, atol=2**-24, rtol=0)
    assert np.array_equal(again.corner_vertex, here.corner_vertex)
    # Moved in place: no copies of UVs were added.
    assert len(glb_parts(moved)[1]) == len(glb_parts(plain)[1])


def test_glb_vertices_that_two_tiles_share_get_their_own_uvs(tmp_path):
    """One quad per tile, sharing the two vertices on the border u = 1."""
    positions = [(0, 0, 0), (1, 0, 0), (2, 0, 0), (0, 1, 0), (1, 1, 0), (2, 1, 0)]
    uv = [(0.5, 0.2), (1.0, 0.2), (1.5, 0.2), (0.5, 0.8), (1.0, 0.8), (1.5, 0.8)]
    index = [0, 1, 4, 0, 4, 3, 1, 2, 5, 1, 5, 4]
    mesh = trimesh.Trimesh(
        positions, np.reshape(index, (-1, 3)), process=False,
        visual=trimesh.visual.TextureVisuals(
            uv=uv, material=trimesh.visual.material.PBRMaterial(name="m")
        ),
    )  # fmt: skip
    path = tmp_path / "b.glb"
    path.write_bytes(trimesh.Scene(mesh).export(file_type="glb"))
    moved, back = tmp_path / "moved.glb", tmp_path / "back.glb"
    write_tile_materials(path, moved, to_first_tile=True)
    old, new = read_mesh(path), read_mesh(moved)
    shift = np.repeat([[0.0, 0.0], [1.0, 0.0]], 6, axis=0)
    assert np.allclose(new.corner_uv, old.corner_uv - shift, atol=1e-7)
    restore_tiles(moved, tmp_path / "moved.glb.tiles.json", back)
    assert np.allclose(read_mesh(back).corner_uv, old.corner_uv, atol=1e-7)


@pytest.mark.parametrize("mode", [5, 6])
def test_glb_strips_and_fans_are_parted_as_triangles(tmp_path, mode):
    """A strip or fan over two tiles; the standard's own unrolling is the reader's."""
    path = write_glb(tmp_path / "hero.glb", share_uv=True)
    tree, binary = glb_parts(path)
    tree["meshes"][0]["primitives"] = tree["meshes"][0]["primitives"][:1]
    tree["meshes"][0]["primitives"][0]["mode"] = mode
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    path.write_bytes(
        struct.pack("<III", 0x46546C67, 2, 28 + len(text) + len(binary))
        + struct.pack("<II", len(text), 0x4E4F534A) + text
        + struct.pack("<II", len(binary), 0x004E4942) + binary
    )  # fmt: skip
    write_tile_materials(path, tmp_path / "new.glb", asset="x")
    old, new = read_mesh(path), read_mesh(tmp_path / "new.glb")

    def triangles(mesh):
        return sorted(map(tuple, mesh.corner_vertex.reshape(-1, 3).tolist()))

    assert triangles(old) == triangles(new)
    assert all(len(names) == 1 for names in materials_by_tile(new).values())


@needs_validator
@pytest.mark.parametrize("kind", KINDS)
def test_glb_is_sound_to_the_khronos_validator(tmp_path, kind):
    """npm gltf-validator (Khronos Group, Apache-2.0) finds no error and no warning."""
    path = write_glb(tmp_path / "hero_low.glb", **kind)
    names = ("plain", "moved", "back")
    plain, moved, back = files = [tmp_path / f"{n}.glb" for n in names]
    write_tile_materials(path, plain)
    write_tile_materials(path, moved, to_first_tile=True)
    restore_tiles(moved, tmp_path / "moved.glb.tiles.json", back)
    said = subprocess.run(
        ["node", NODE / "gltf_validator.cjs", path, *files],
        check=True, cwd=NODE, capture_output=True, text=True,
    )  # fmt: skip
    assert json.loads(said.stdout) == [[]] * 4


def test_broken_glbs_end_in_a_plain_message_and_leave_nothing(tmp_path):
    """Numbers in the JSON and bytes anywhere are overwritten at random."""
    rng = np.random.default_rng(12)
    source = write_glb(tmp_path / "s.glb", share_uv=True).read_bytes()
    numbers = [m.span() for m in re.finditer(rb"(?<=[:,\[])\d+", source)]
    done = refused = 0
    for _ in range(150):
        data = bytearray(source)
        begin, end = numbers[rng.integers(len(numbers))]
        data[begin:end] = b"9" * (end - begin)
        data[rng.integers(len(data))] = rng.integers(256)
        (tmp_path / "x.glb").write_bytes(data)
        try:
            write_tile_materials(tmp_path / "x.glb", tmp_path / "y.glb", force=True)
            done += 1
        except InputError:
            refused += 1
    assert done > 10 and refused > 30
    assert {p.suffix for p in tmp_path.iterdir()} == {".glb"}


# --- both --------------------------------------------------------------------------------------


def test_other_formats_are_said_to_be_unwritten(tmp_path, obj):
    cube = trimesh.creation.box()
    cube.visual = trimesh.visual.TextureVisuals(uv=np.random.default_rng(0).random((8, 2)))
    (tmp_path / "cube.ply").write_bytes(cube.export(file_type="ply"))
    with pytest.raises(InputError, match=r"not written to PLY|no UVs"):
        write_tile_materials(tmp_path / "cube.ply", tmp_path / "new.ply")
    with pytest.raises(InputError, match=r"must end in \.obj"):
        write_tile_materials(obj, tmp_path / "new.glb")


def test_names_must_tell_tiles_apart(obj, tmp_path):
    with pytest.raises(InputError, match="one name to several"):
        write_tile_materials(obj, tmp_path / "n.obj", names="all")
    with pytest.raises(InputError, match="cannot be read"):
        write_tile_materials(obj, tmp_path / "n.obj", names="{what}{tile}")
    for bad in (" {tile}", "{tile}\n", "#{tile}"):
        with pytest.raises(InputError, match="no name"):
            write_tile_materials(obj, tmp_path / "n.obj", names=bad)
    assert not (tmp_path / "n.obj").exists()


def test_nothing_is_replaced_without_force(obj, tmp_path):
    out = tmp_path / "new.obj"
    out.write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        write_tile_materials(obj, out)
    assert out.read_text() == "mine" and not (tmp_path / "new.mtl").exists()
    write_tile_materials(obj, out, force=True)


def test_areas_and_density_are_those_of_before(obj, tmp_path):
    write_tile_materials(obj, tmp_path / "new.obj")
    before = tile_table(prepare_low(read_mesh(obj))).rows
    after = tile_table(prepare_low(read_mesh(tmp_path / "new.obj"))).rows
    for old, new in zip(before, after, strict=True):
        assert (old.tile, old.part, old.uv_area, old.world_area) == (
            new.tile, new.part, new.uv_area, new.world_area,
        )  # fmt: skip


def test_a_strange_record_is_refused(obj, tmp_path):
    record = tmp_path / "r.json"
    for text in ("{", '{"version": 7}', '{"version": 1, "materials": [{}]}', "[]"):
        record.write_text(text)
        with pytest.raises(InputError, match="cannot be read"):
            restore_tiles(obj, record, tmp_path / "back.obj")
    record.write_text('{"version": 1, "materials": []}')
    with pytest.raises(InputError, match="none of the materials"):
        restore_tiles(obj, record, tmp_path / "back.obj")


def test_the_command(obj, tmp_path):
    runner = CliRunner()

    def run(*arguments):
        return runner.invoke(app, ["tiles", "materials", *map(str, arguments)])

    moved, back = tmp_path / "moved.obj", tmp_path / "back.obj"
    result = run(obj, "--out", moved, "--first-tile", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.output)
    assert document["moved"] is True and len(document["materials"]) == 3
    result = run(moved, "--restore", f"{moved}.tiles.json", "--out", back)
    assert result.exit_code == 0 and back.exists(), result.output
    assert run(obj, "--out", back).exit_code == 2
