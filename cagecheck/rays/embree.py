"""Embree 4's C interface, called straight from compiled loops.

The embreex wheel carries the Embree library. Going through its C interface instead of embreex's
own classes gives three things that a layer table needs: a filter that collects *every* crossing
in one traversal (no restarts, no step size, coincident faces are kept), buffers that are shared
instead of copied, and a scene that is built on all cores. The filter comes with each query, so the
same scene also answers plain first-hit queries without calling it.

Reference: Embree 4 API manual (rtcNewScene, rtcIntersect16, RTCFilterFunctionN,
rtcInitIntersectArguments), Intel, 2023-2024.
`self_test` checks the binary layout with a small scene of known answer; `cagecheck.rays.engine`
has it run in a process of its own before anything here is relied on.
"""

from __future__ import annotations

import ctypes
import functools
import importlib.util
from pathlib import Path
from typing import Any, NamedTuple

import llvmlite.binding
import numpy as np
from numba import carray, types
from numba.extending import intrinsic
from numpy.typing import NDArray

from cagecheck.arrays.vectors import Vector
from cagecheck.loops import cfunc, njit

# Values of the public enums of Embree 4 (rtcore_common.h, rtcore_scene.h, rtcore_geometry.h).
_BUFFER_INDEX, _BUFFER_VERTEX = 0, 1
_FORMAT_UINT3, _FORMAT_FLOAT3 = 0x5003, 0x9003
_GEOMETRY_TRIANGLE = 0
_SCENE_ROBUST = 1 << 2
_SCENE_FILTER_IN_ARGUMENTS = 1 << 3
_QUERY_COHERENT = 1 << 16
_ALL_FEATURES = 0xFFFFFFFF
_INVALID_ID = 0xFFFFFFFF
_PROPERTY_VERSION_MAJOR = 1

# rtcSetSharedGeometryBuffer reads vertices 16 bytes at a time: one float of room behind the last.
VERTEX_PADDING = 1

_POINTER, _UINT, _SIZE, _INT = ctypes.c_void_p, ctypes.c_uint, ctypes.c_size_t, ctypes.c_int
# Every function of the library that is called, from here or from compiled loops.
_SIGNATURES: dict[str, tuple[Any, list[Any]]] = {
    "rtcNewDevice": (_POINTER, [ctypes.c_char_p]),
    "rtcReleaseDevice": (None, [_POINTER]),
    "rtcGetDeviceProperty": (ctypes.c_ssize_t, [_POINTER, _INT]),
    "rtcGetDeviceError": (_INT, [_POINTER]),
    "rtcNewScene": (_POINTER, [_POINTER]),
    "rtcReleaseScene": (None, [_POINTER]),
    "rtcSetSceneFlags": (None, [_POINTER, _INT]),
    "rtcNewGeometry": (_POINTER, [_POINTER, _INT]),
    "rtcReleaseGeometry": (None, [_POINTER]),
    "rtcSetSharedGeometryBuffer": (
        None,
        [_POINTER, _INT, _UINT, _INT, _POINTER, _SIZE, _SIZE, _SIZE],
    ),
    "rtcSetGeometryEnableFilterFunctionFromArguments": (None, [_POINTER, ctypes.c_bool]),
    "rtcCommitGeometry": (None, [_POINTER]),
    "rtcAttachGeometry": (_UINT, [_POINTER, _POINTER]),
    "rtcCommitScene": (None, [_POINTER]),
    "rtcIntersect16": (None, [_POINTER] * 4),
}


class EmbreeUnavailableError(Exception):
    """The native library was not found, or does not behave as its manual says."""


def library_path() -> Path:
    """Return where the Embree library of the embreex package lies; embreex is not imported."""
    found = importlib.util.find_spec("embreex")
    if found is None or found.origin is None:
        raise EmbreeUnavailableError("the package embreex is not installed")
    package = Path(found.origin).parent
    folders = (package.parent / "embreex.libs", package / ".dylibs", package)
    for folder in folders:
        for pattern in ("*embree4*.so*", "*embree4*.dylib", "*embree4*.dll"):
            for path in sorted(folder.glob(pattern)):
                return path
    raise EmbreeUnavailableError(
        "the embreex package carries no Embree 4 library where one was looked for"
    )


@functools.cache
def declare(path: Path) -> ctypes.CDLL:
    """Load the library and declare all that is called; compiled loops find it from then on.

    Raises `EmbreeUnavailableError` where something is missing. Nothing of it is called here.
    """
    try:
        library = ctypes.CDLL(str(path))
    except OSError as error:
        raise EmbreeUnavailableError(str(error)) from error
    for name, (result, arguments) in _SIGNATURES.items():
        function = getattr(library, name, None)
        if function is None:
            raise EmbreeUnavailableError(f"the library has no {name}")
        function.restype, function.argtypes = result, arguments
    address = ctypes.cast(library.rtcIntersect16, ctypes.c_void_p).value
    llvmlite.binding.add_symbol("rtcIntersect16", address)
    return library


class NativeScene:
    """An Embree scene over shared buffers; released with the object.

    Parameters
    ----------
    library : what `declare` returned, and `self_test` has passed.
    vertices : (V, 3) float32, C order, with at least `VERTEX_PADDING` floats allocated behind it.
    triangles : (T, 3) uint32, C order, all indices below V.

    Raises
    ------
    MemoryError : Embree could not build the scene.
    """

    def __init__(
        self,
        library: ctypes.CDLL,
        vertices: NDArray[np.float32],
        triangles: NDArray[np.uint32],
    ) -> None:
        assert vertices.flags.c_contiguous and vertices.dtype == np.float32
        assert triangles.flags.c_contiguous and triangles.dtype == np.uint32
        self._library = library
        self._keep = (vertices, triangles)
        self._device = library.rtcNewDevice(b"")
        self.handle: int = library.rtcNewScene(self._device)
        library.rtcSetSceneFlags(self.handle, _SCENE_ROBUST | _SCENE_FILTER_IN_ARGUMENTS)
        if len(triangles):
            geometry = library.rtcNewGeometry(self._device, _GEOMETRY_TRIANGLE)
            for slot, form, array in (
                (_BUFFER_VERTEX, _FORMAT_FLOAT3, vertices),
                (_BUFFER_INDEX, _FORMAT_UINT3, triangles),
            ):
                library.rtcSetSharedGeometryBuffer(
                    geometry, slot, 0, form, array.ctypes.data, 0, 12, len(array)
                )
            library.rtcSetGeometryEnableFilterFunctionFromArguments(geometry, True)
            library.rtcCommitGeometry(geometry)
            library.rtcAttachGeometry(self.handle, geometry)
            library.rtcReleaseGeometry(geometry)
        library.rtcCommitScene(self.handle)
        if library.rtcGetDeviceError(self._device) != 0:
            raise MemoryError("the ray engine could not build the scene")

    def __del__(self) -> None:
        library = getattr(self, "_library", None)
        if library is not None and getattr(self, "handle", None):
            library.rtcReleaseScene(self.handle)
            library.rtcReleaseDevice(self._device)
            self.handle = 0


def _pointer_to(kind: Any) -> Any:
    """Make a compiled function that turns an address into a pointer to `kind`."""

    @intrinsic
    def cast(typing_context: Any, address: Any) -> Any:
        pointer = types.CPointer(kind)

        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            return builder.inttoptr(arguments[0], context.get_value_type(pointer))

        return pointer(types.uintp), generate

    return cast


_as_u64 = _pointer_to(types.uint64)
_as_u32 = _pointer_to(types.uint32)
_as_i32 = _pointer_to(types.int32)
_as_f32 = _pointer_to(types.float32)

_rtc_intersect16 = types.ExternalFunction(
    "rtcIntersect16", types.void(types.uintp, types.uintp, types.uintp, types.uintp)
)

# Rays are traversed in packets: on coherent rays half the time of one by one, and the answer per
# ray is the same. Of 4, 8 and 16 wide the widest measured fastest.
LANES = 16
# RTCRayHitN in words per lane: origin, t_near, direction, time, t_far, mask, id, flags (the ray),
# then normal, u, v, primitive, geometry, instance, instance primitive (the hit).
_RAY_WORDS, _HIT_WORDS = 12, 9
_T_NEAR, _DIRECTION, _T_FAR, _MASK, _ID = 3, 4, 8, 9, 10
_PRIMITIVE, _GEOMETRY = 5, 6
_ALIGNMENT = 64

# The query context that the filter gets: 8 bytes of Embree's own, then ours, in 8-byte words.
_CONTEXT_WORDS = 5
_COUNT_ADDRESS, _CAPACITY, _T_ADDRESS, _FACE_ADDRESS = 1, 2, 3, 4
# RTCIntersectArguments in 8-byte words: flags and feature mask, context, filter, intersect.
_ARGUMENT_WORDS = 8
_FLAGS_WORD, _CONTEXT_WORD, _FILTER_WORD = 0, 1, 2
# The filter of a query that wants the first crossing only.
FIRST_ONLY = 0
# The self test asks for the layout, not for the last bit: without AVX-512 the library divides by
# a reciprocal that may be one float32 step off (seen on an AVX2 processor: 0.99999994 for 1).
_SELF_TEST_ROUNDING = 4 * float(np.finfo(np.float32).eps)


def _collect(arguments: int) -> None:
    """RTCFilterFunctionN: note each lane's crossing, then reject it so that the search goes on."""
    words = carray(_as_u64(arguments), (6,))
    n = carray(_as_u32(arguments + 40), (1,))[0]
    context = carray(_as_u64(words[2]), (_CONTEXT_WORDS,))
    capacity = context[_CAPACITY]
    valid = carray(_as_i32(words[0]), (n,))
    distance = carray(_as_f32(words[3]), (_RAY_WORDS * n,))
    ray = carray(_as_u32(words[3]), (_RAY_WORDS * n,))
    hit = carray(_as_u32(words[4]), (_HIT_WORDS * n,))
    count = carray(_as_u64(context[_COUNT_ADDRESS]), (LANES,))
    t = carray(_as_f32(context[_T_ADDRESS]), (LANES * capacity,))
    face = carray(_as_u32(context[_FACE_ADDRESS]), (LANES * capacity,))
    for i in range(n):
        if valid[i] != 0:
            lane = ray[_ID * n + i]
            k = count[lane]
            if k < capacity:
                t[lane * capacity + k] = distance[_T_FAR * n + i]
                face[lane * capacity + k] = hit[_PRIMITIVE * n + i]
            count[lane] = k + 1
            valid[i] = 0


@functools.cache
def _compiled_collect() -> Any:
    return cfunc(types.void(types.uintp))(_collect)


def collector() -> int:
    """Return the address of the filter that collects all crossings, for `make_query`.

    It differs from process to process, so compiled loops get it as an argument. The first call
    compiles the filter, or loads it: who only imports this file does not wait for that.
    """
    address: int | None = _compiled_collect().address
    assert address is not None
    return address


class Query(NamedTuple):
    """One thread's packet of `LANES` rays, and what Embree answers.

    ray, bits : the RTCRayHitN as floats and as words; used : (LANES,) int32, -1 for lanes in use.
    count : (LANES,) crossings collected; t, face : (LANES, capacity) float32 and uint32.
    words, lanes, context, arguments : the memory behind them and Embree's own structures.
    """

    ray: Any
    bits: Any
    used: Any
    count: Any
    t: Any
    face: Any
    words: Any
    lanes: Any
    context: Any
    arguments: Any


@njit(cache=True, nogil=True)
def make_query(capacity: int, address: int) -> Query:
    """Return a packet with room for `capacity` crossings a lane.

    `address` is that of `collector`, or `FIRST_ONLY`.
    """
    context = np.zeros(_CONTEXT_WORDS, np.uint64)
    arguments = np.zeros(_ARGUMENT_WORDS, np.uint64)
    words = np.zeros((_RAY_WORDS + _HIT_WORDS) * LANES + _ALIGNMENT, np.float32)
    lanes = np.zeros(LANES + _ALIGNMENT, np.int32)
    count = np.zeros(LANES, np.uint64)
    t = np.empty((LANES, capacity), np.float32)
    face = np.empty((LANES, capacity), np.uint32)
    context[0] = np.uint64(0xFFFFFFFFFFFFFFFF)
    context[_COUNT_ADDRESS] = count.ctypes.data
    context[_CAPACITY] = capacity
    context[_T_ADDRESS] = t.ctypes.data
    context[_FACE_ADDRESS] = face.ctypes.data
    arguments[_FLAGS_WORD] = np.uint64(_ALL_FEATURES) << np.uint64(32)
    arguments[_FLAGS_WORD] |= np.uint64(_QUERY_COHERENT)
    arguments[_CONTEXT_WORD] = context.ctypes.data
    arguments[_FILTER_WORD] = address
    base = _aligned(words.ctypes.data)
    # Views of plain addresses: taking one out of the packet counts no references, ray after ray.
    ray = carray(_as_f32(base), ((_RAY_WORDS + _HIT_WORDS) * LANES,))
    bits = carray(_as_u32(base), ((_RAY_WORDS + _HIT_WORDS) * LANES,))
    used = carray(_as_i32(_aligned(lanes.ctypes.data)), (LANES,))
    for lane in range(LANES):
        bits[_MASK * LANES + lane] = np.uint32(_INVALID_ID)
        bits[_ID * LANES + lane] = lane
    return Query(ray, bits, used, count, t, face, words, lanes, context, arguments)


@njit(cache=True, nogil=True)
def _aligned(address: Any) -> Any:
    return (address + np.uintp(_ALIGNMENT - 1)) & ~np.uintp(_ALIGNMENT - 1)


@njit(cache=True, nogil=True)
def clear_lanes(query: Query) -> None:
    """Take all rays out of the packet."""
    used = query.used
    for lane in range(LANES):
        used[lane] = 0


@njit(cache=True, nogil=True)
def set_lane(query: Query, lane: int, origin: Vector, direction: Vector, t_far: float) -> None:
    """Put a ray into a lane of the packet; its crossings have 0 <= t <= t_far."""
    ray, bits, used = query.ray, query.bits, query.used
    ray[0 * LANES + lane], ray[1 * LANES + lane], ray[2 * LANES + lane] = origin
    ray[_T_NEAR * LANES + lane] = 0.0
    ray[_DIRECTION * LANES + lane] = direction[0]
    ray[(_DIRECTION + 1) * LANES + lane] = direction[1]
    ray[(_DIRECTION + 2) * LANES + lane] = direction[2]
    ray[_T_FAR * LANES + lane] = t_far
    bits[(_RAY_WORDS + _GEOMETRY) * LANES + lane] = np.uint32(_INVALID_ID)
    used[lane] = -1


@njit(cache=True, nogil=True)
def cast_packet(scene: int, query: Query) -> None:
    """Collect all crossings of the lanes in use into the query's count, t and face.

    A lane's count may exceed its room: then set the lanes again in a larger query. The order is
    the traversal's, not by distance. A query of `FIRST_ONLY` is read with `first_of` instead.
    """
    count = query.count
    for lane in range(LANES):
        count[lane] = 0
    _rtc_intersect16(  # type: ignore[call-overload]
        query.used.ctypes.data,
        np.uintp(scene),
        query.ray.ctypes.data,
        query.arguments.ctypes.data,
    )


@njit(cache=True, nogil=True)
def first_of(query: Query, lane: int) -> Any:
    """Return (t, triangle) of a lane's first crossing after `cast_packet`; -1 where it met none."""
    face: Any = np.int32(-1)
    if query.bits[(_RAY_WORDS + _GEOMETRY) * LANES + lane] != np.uint32(_INVALID_ID):
        face = np.int32(query.bits[(_RAY_WORDS + _PRIMITIVE) * LANES + lane])
    return query.ray[_T_FAR * LANES + lane], face


@njit(cache=True, nogil=True)
def _probe(
    scene: int, address: int, out_t: NDArray[np.float32], out_face: NDArray[np.uint32]
) -> Any:
    """Cast one ray in lane 3, with a neighbour that misses; return its crossings."""
    query = make_query(4, address)
    origin, aside, direction = (0.25, 0.25, 0.0), (9.0, 9.0, 0.0), (0.0, 0.0, 1.0)
    clear_lanes(query)
    set_lane(query, 3, origin, direction, 10.0)
    set_lane(query, 5, aside, direction, 10.0)
    cast_packet(scene, query)
    n: Any = np.int64(query.count[3])
    for k in range(min(n, 4)):
        out_t[k], out_face[k] = query.t[3, k], query.face[3, k]
    first = make_query(0, FIRST_ONLY)
    clear_lanes(first)
    set_lane(first, 3, origin, direction, 10.0)
    set_lane(first, 5, aside, direction, 10.0)
    cast_packet(scene, first)
    out_t[3] = first_of(first, 3)[0]
    aside_first = first_of(first, 5)[1] + 1
    return n + 100 * np.int64(query.count[5]) + 100 * aside_first


def self_test(library: ctypes.CDLL) -> None:
    """Cast through three stacked triangles (two of them coincident) of known distances.

    Raises `EmbreeUnavailableError`. A library of another layout may end the process instead.
    """
    device = library.rtcNewDevice(b"")
    major = library.rtcGetDeviceProperty(device, _PROPERTY_VERSION_MAJOR)
    library.rtcReleaseDevice(device)
    if major != 4:
        raise EmbreeUnavailableError(f"version 4 of the library is needed, this is version {major}")
    base = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], np.float32)
    heights = (1.0, 1.0, 3.0)
    vertices = np.zeros((10, 3), np.float32)
    vertices[:9] = np.tile(base, (3, 1))
    vertices[:9, 2] = np.repeat(heights, 3)
    triangles = np.arange(9, dtype=np.uint32).reshape(3, 3)
    scene = NativeScene(library, vertices[:9], triangles)
    t, face = np.zeros(4, np.float32), np.zeros(4, np.uint32)
    n = _probe(scene.handle, collector(), t, face)
    order = np.argsort(face[:3], kind="stable")
    if n != 3 or not np.allclose(t[:3][order], heights, rtol=_SELF_TEST_ROUNDING, atol=0):
        raise EmbreeUnavailableError("the library did not find three known crossings")
    if not np.isclose(t[3], min(heights), rtol=_SELF_TEST_ROUNDING, atol=0):
        raise EmbreeUnavailableError("the library did not find a known first crossing")
