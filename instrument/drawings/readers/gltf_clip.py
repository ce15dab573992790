"""Clips of glTF files: the keyframes of an animation, and the values between them at any time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DrawingError, check_count

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.readers.gltf_file import GltfFile

# Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022): 3.11 animations; appendix C, animation sampler interpolation
# modes: C.2 step, C.3 linear, C.4 spherical linear, C.5 cubic spline.
WIDTH_OF_PATH = {"translation": 3, "rotation": 4, "scale": 3}
WEIGHTS = "weights"
NEARLY_ALIKE = 1e-9
"""Of a right angle's sine: nearer turns than that are blended straight, as C.4 allows."""


@dataclass(frozen=True)
class Keyframes:
    """One sampler: what one property of one node does.

    Attributes
    ----------
    times : ndarray of float64, shape (k,)
        Seconds, rising.
    values : ndarray of float64, shape (k, w), or (k, 3, w) for a cubic spline
        There: in-tangent, value, out-tangent.
    manner : {"STEP", "LINEAR", "CUBICSPLINE"}
    turns : bool
        Whether the values are turns, as quaternions.
    """

    times: NDArray[np.float64]
    values: NDArray[np.float64]
    manner: str
    turns: bool = False

    def at(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the values at some times, float64, shape (times, w); before the first and behind the last they hold."""
        when = np.clip(times, self.times[0], self.times[-1])
        if len(self.times) == 1:
            lonely = self.values[0, 1] if self.manner == "CUBICSPLINE" else self.values[0]
            return np.repeat(lonely[None], len(when), axis=0)
        key = np.clip(np.searchsorted(self.times, when, side="right") - 1, 0, len(self.times) - 2)
        lasts = self.times[key + 1] - self.times[key]
        share = ((when - self.times[key]) / lasts)[:, None]
        if self.manner == "STEP":
            return np.asarray(self.values[np.where(share[:, 0] < 1.0, key, key + 1)])
        if self.manner == "CUBICSPLINE":
            return self._on_spline(key, lasts[:, None], share)
        if self.turns:
            return slerp(self.values[key], self.values[key + 1], share)
        return np.asarray((1 - share) * self.values[key] + share * self.values[key + 1])

    def _on_spline(
        self, key: NDArray[np.int64], lasts: NDArray[np.float64], t: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        # C.5; the result of a turn is made a unit quaternion again, which 3.11 asks for.
        value, out = self.values[key, 1], self.values[key, 2]
        into, following = self.values[key + 1, 0], self.values[key + 1, 1]
        found = (
            (2 * t**3 - 3 * t**2 + 1) * value
            + lasts * (t**3 - 2 * t**2 + t) * out
            + (-2 * t**3 + 3 * t**2) * following
            + lasts * (t**3 - t**2) * into
        )
        return _unit(found) if self.turns else np.asarray(found)


def slerp(one: NDArray[np.float64], other: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn evenly from one unit quaternion to another, the short way round (glTF 2.0, C.4).

    Parameters
    ----------
    one, other : ndarray of float64, shape (n, 4)
    share : ndarray of float64, shape (n, 1)

    Examples
    --------
    >>> none, half = np.array([[0, 0, 0, 1.0]]), np.array([[0, 0, 1.0, 0]])
    >>> slerp(none, half, np.array([[0.5]])).round(3).tolist()
    [[0.0, 0.0, 0.707, 0.707]]
    """
    dot = np.einsum("ij,ij->i", one, other)[:, None]
    angle = np.arccos(np.clip(np.abs(dot), 0.0, 1.0))
    sine = np.sin(angle)
    apart = sine > NEARLY_ALIKE
    safe = np.where(apart, sine, 1.0)
    first = np.where(apart, np.sin(angle * (1 - share)) / safe, 1 - share)
    second = np.where(apart, np.sin(angle * share) / safe, share) * np.where(dot < 0, -1.0, 1.0)
    return _unit(first * one + second * other)


def _unit(turns: NDArray[np.float64]) -> NDArray[np.float64]:
    length = np.sqrt(np.einsum("ij,ij->i", turns, turns))[:, None]
    return np.asarray(np.where(length > 0, turns / np.where(length > 0, length, 1.0), np.array([0.0, 0.0, 0.0, 1.0])))


@dataclass(frozen=True)
class Clip:
    """One animation of a file.

    Attributes
    ----------
    name : str
    begin, end : float
        Seconds of its first and last keyframe.
    tracks : dict of (int, str) to Keyframes
        By node and path: translation, rotation, scale or weights.
    """

    name: str
    begin: float
    end: float
    tracks: dict[tuple[int, str], Keyframes]


def clip_names(scene: dict[str, Any]) -> list[str]:
    """List the names of a file's animations; one without a name goes by its number, counted from 1.

    Examples
    --------
    >>> clip_names({"animations": [{"name": "walk"}, {}]})
    ['walk', '2']
    """
    return [str(found.get("name") or number) for number, found in enumerate(scene.get("animations", []), start=1)]


def read_clip(file: GltfFile, name: str) -> Clip:
    """Read an animation by its name.

    Raises
    ------
    DrawingError
        If there is none of that name, or its keyframes are not as the format wants them.
    """
    names = clip_names(file.scene)
    if name not in names:
        there = f"it has {', '.join(names[:12])}" if names else "it has none"
        raise DrawingError(f"there is no clip {name[:60]!r} in it; {there}")
    animation = file.scene["animations"][names.index(name)]
    tracks: dict[tuple[int, str], Keyframes] = {}
    total = 0
    for channel in animation["channels"]:
        target = channel["target"]
        if "node" not in target or target["path"] not in {*WIDTH_OF_PATH, WEIGHTS}:
            # What an extension animates is not the shape.
            continue
        sampler = int(channel["sampler"])
        if sampler < 0:
            raise DrawingError(f"clip {name!r} names sampler {sampler}")
        keyframes = _keyframes(file, animation["samplers"][sampler], target["path"], name)
        total += keyframes.values.size
        check_count(total, "numbers in keyframes", file.folder.limits)
        tracks[int(target["node"]), target["path"]] = keyframes
    if not tracks:
        raise DrawingError(f"clip {name!r} moves nothing that is drawn")
    begin = min(float(track.times[0]) for track in tracks.values())
    return Clip(name, begin, max(float(track.times[-1]) for track in tracks.values()), tracks)


def _keyframes(file: GltfFile, sampler: dict[str, Any], path: str, name: str) -> Keyframes:
    times = file.accessor(int(sampler["input"])).ravel()
    values = file.accessor(int(sampler["output"]))
    manner = sampler.get("interpolation", "LINEAR")
    if manner not in {"STEP", "LINEAR", "CUBICSPLINE"}:
        raise DrawingError(f"clip {name!r} goes from keyframe to keyframe by {str(manner)[:40]!r}, which is not read")
    if not len(times) or not np.isfinite(times).all() or (np.diff(times) <= 0).any():
        raise DrawingError(f"the times of the keyframes of clip {name!r} are none, no numbers, or do not rise")
    each = 3 if manner == "CUBICSPLINE" else 1
    width = WIDTH_OF_PATH.get(path) or values.size // (len(times) * each)
    if values.size != len(times) * each * width or not width:
        raise DrawingError(
            f"clip {name!r} has {len(times):,} keyframes of {path}, and {values.size:,} numbers for them"
        )
    if not np.isfinite(values).all():
        raise DrawingError(f"clip {name!r} has keyframes of {path} that are no numbers")
    table = values.reshape((len(times), 3, width) if each == 3 else (len(times), width))
    turns = path == "rotation"
    if turns and each == 1:
        table = _unit(table)
    return Keyframes(times, table, manner, turns)
