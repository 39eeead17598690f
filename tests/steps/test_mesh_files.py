"""Surfaces on disk: read again by trimesh, the same bytes each time, whole or not at all."""

from __future__ import annotations

import json
import os
import struct
import time

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.steps.show.mesh_files import write_glb, write_ply, write_stl


@pytest.fixture
def bone():
    mesh = trimesh.creation.icosphere(subdivisions=2, radius=7)
    rng = np.random.default_rng(0)
    V = np.asarray(mesh.vertices) + rng.normal(scale=0.1, size=mesh.vertices.shape)
    return V, np.asarray(mesh.faces), rng.integers(0, 256, size=V.shape).astype(np.uint8)


def json_of(path):
    """The JSON part of a GLB, and its binary part, by the format's own layout."""
    data = path.read_bytes()
    magic, version, total = struct.unpack_from("<4sII", data)
    assert (magic, version, total) == (b"glTF", 2, len(data))
    length, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    assert length % 4 == 0
    rest = 20 + length
    size, kind = struct.unpack_from("<I4s", data, rest)
    assert kind == b"BIN\0"
    assert rest + 8 + size == len(data)
    return json.loads(data[20:rest]), data[rest + 8 :]


def test_ply_comes_back(bone, tmp_path):
    V, F, C = bone
    beyond = np.linspace(-1, 1, len(V))
    write_ply(tmp_path / "a.ply", V, F, C, {"beyond_mean_mm": beyond})
    read = trimesh.load_mesh(tmp_path / "a.ply", process=False)
    np.testing.assert_array_equal(read.vertices.astype("f4"), V.astype("f4"))
    np.testing.assert_array_equal(read.faces, F)
    np.testing.assert_array_equal(read.visual.vertex_colors[:, :3], C)
    stored = read.metadata["_ply_raw"]["vertex"]["data"]["beyond_mean_mm"]
    np.testing.assert_array_equal(np.ravel(stored), beyond.astype("f4"))
    assert b"comment unit: mm\n" in (tmp_path / "a.ply").read_bytes()


def test_stl_comes_back(bone, tmp_path):
    V, F, _ = bone
    write_stl(tmp_path / "a.stl", V, F)
    read = trimesh.load_mesh(tmp_path / "a.stl", process=False)
    np.testing.assert_array_equal(read.triangles.astype("f4"), V[F].astype("f4"))
    raw = np.frombuffer((tmp_path / "a.stl").read_bytes()[84:], dtype="<f4, (11,)<f4, <u2")
    expected = trimesh.Trimesh(V, F, process=False).face_normals
    normals = np.column_stack([raw["f0"], raw["f1"][:, :2]])
    np.testing.assert_allclose(normals, expected, atol=1e-6)
    assert (tmp_path / "a.stl").stat().st_size == 84 + 50 * len(F)
    # readers take a file that begins with 'solid' for one of text
    assert not (tmp_path / "a.stl").read_bytes().startswith(b"solid")


def test_glb_comes_back_in_mm_with_its_unit(bone, tmp_path):
    V, F, C = bone
    path = tmp_path / "mean of 'Övre'.glb"
    write_glb(path, V, F, C)
    scene = trimesh.load_scene(path, process=False)
    (part,) = scene.geometry.values()
    np.testing.assert_array_equal(part.vertices.astype("f4"), V.astype("f4"))
    np.testing.assert_array_equal(part.faces, F)
    assert part.metadata["unit_of_coordinates"] == "mm"
    np.testing.assert_allclose(1000 * scene.extents, np.ptp(V, axis=0), rtol=1e-6)
    # colours are linear light; back by the sRGB curve they are those given
    light = part.visual.vertex_attributes["color"][:, :3] / 65535
    back = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    np.testing.assert_array_equal(np.round(255 * back), C)


def test_glb_is_laid_out_as_the_format_demands(bone, tmp_path):
    """Parts of the buffer lie one after the other, at multiples of four, as long as they say."""
    V, F, C = bone
    write_glb(tmp_path / "a.glb", V, F, C)
    told, data = json_of(tmp_path / "a.glb")
    assert told["asset"]["version"] == "2.0"
    assert told["asset"]["extras"]["unit_of_coordinates"] == "mm"
    assert told["nodes"][0]["scale"] == [0.001] * 3
    end = 0
    for view in told["bufferViews"]:
        assert view["byteOffset"] == end
        assert end % 4 == 0
        end += view["byteLength"]
    assert end == told["buffers"][0]["byteLength"] == len(data)
    place, normal = told["accessors"][:2]
    assert place["min"] == V.astype("f4").min(axis=0).tolist()
    assert place["max"] == V.astype("f4").max(axis=0).tolist()
    at = told["bufferViews"][normal["bufferView"]]["byteOffset"]
    N = np.frombuffer(data, "<f4", 3 * len(V), at).reshape(-1, 3)
    np.testing.assert_allclose(np.linalg.norm(N, axis=1), 1, atol=1e-6)
    assert (np.einsum("ij,ij->i", N, V) > 0).all()


def test_a_surface_without_colours_has_that_of_bone(bone, tmp_path):
    V, F, _ = bone
    write_ply(tmp_path / "a.ply", V, F)
    read = trimesh.load_mesh(tmp_path / "a.ply", process=False)
    assert np.unique(read.visual.vertex_colors, axis=0).tolist() == [[222, 214, 198, 255]]


def test_a_vertex_without_a_face_keeps_the_glb_valid(bone, tmp_path):
    """Normals of no length are not allowed."""
    V, F, _ = bone
    write_glb(tmp_path / "a.glb", np.vstack([V, [[0, 0, 0]]]), F)
    told, data = json_of(tmp_path / "a.glb")
    at = told["bufferViews"][1]["byteOffset"]
    N = np.frombuffer(data, "<f4", 3 * (len(V) + 1), at).reshape(-1, 3)
    np.testing.assert_allclose(np.linalg.norm(N, axis=1), 1, atol=1e-6)


@pytest.mark.parametrize("write", [write_ply, write_glb, write_stl])
def test_the_same_bytes_each_time(bone, tmp_path, monkeypatch, write):
    V, F, _ = bone
    write(tmp_path / "one" / "a.x", V, F)
    now = time.time()
    monkeypatch.setattr("time.time", lambda: now + 1e6)
    write(tmp_path / "two" / "a.x", V.copy(), F.astype(np.int32))
    assert (tmp_path / "one" / "a.x").read_bytes() == (tmp_path / "two" / "a.x").read_bytes()
    assert os.listdir(tmp_path / "one") == ["a.x"]


@pytest.mark.parametrize("write", [write_ply, write_glb, write_stl])
def test_nothing_is_left_of_a_surface_that_is_none(bone, tmp_path, write):
    V, F, _ = bone
    (tmp_path / "a.x").write_text("old")
    for vertices, faces, told in (
        (V, F[:0], "has no faces"),
        (V[:, :2], F, "`vertices` must have shape"),
        (V[:5], F, "names vertex"),
        (V * np.nan, F, "missing or infinite"),
    ):
        with pytest.raises(ShapeError, match=told):
            write(tmp_path / "a.x", vertices, faces)
    assert (tmp_path / "a.x").read_text() == "old"
    assert os.listdir(tmp_path) == ["a.x"]


def test_half_a_file_is_no_file(bone, tmp_path, monkeypatch):
    V, F, _ = bone

    def full(path, data):
        path.open("wb").write(data[:99])
        raise OSError("no space left")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    for write in (write_ply, write_glb, write_stl):
        with pytest.raises(OSError, match="no space left"):
            write(tmp_path / "a.x", V, F)
    assert os.listdir(tmp_path) == []


def test_colours_and_values_must_fit(bone, tmp_path):
    V, F, C = bone
    for colours in (C[:-1], C.astype(float), np.column_stack([C, C[:, :1]])):
        for write in (write_ply, write_glb):
            with pytest.raises(ShapeError, match="`colours` must be whole numbers from 0 to 255"):
                write(tmp_path / "a.x", V, F, colours)
    for values in ({"a": [1, 2]}, {"a name": np.ones(len(V))}):
        with pytest.raises(ShapeError, match="`values` must have a number for each"):
            write_ply(tmp_path / "a.x", V, F, None, values)
