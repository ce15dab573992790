"""Public Python API: patches, sound, drawings, measurements and pictures from a notebook or a script.

Everything else in the package may change from one version to the next; the names in `__all__` change with a line in
CHANGES.md. Arrays are NumPy's, sound is float32 of shape (frames, 2) with full scale at -1 to 1, times are in seconds, rates in
hertz. Nothing here opens an audio device, a MIDI port or a window.

Examples
--------
>>> from instrument import api
>>> patch = api.load_patch("circle")
>>> sound = api.render(patch, seconds=1.0, values={"layer.1.pen.frequency": "A3"})
>>> figures = api.measure(sound, rate=48_000).figures
>>> figures.frames, round(max(figures.peak), 2)
(48000, 0.42)
"""

# ruff: noqa: PLC0415 (a notebook that only routes a drawing need not wait for the engine, and the other way round)

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from instrument.patch.factory import by_name, factory_folder
from instrument.patch.patch_file import load_patch as load_patch_file
from instrument.patch.patch_file import patch_from_text
from instrument.patch.schema.patch_schema import Patch

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    import numpy.typing as npt

    from instrument.drawings.routing.closed_line import Route
    from instrument.measure.measurement import Measurement

__all__ = [
    "Patch",
    "factory_folder",
    "load_patch",
    "measure",
    "patch_from_text",
    "picture",
    "render",
    "route",
    "sample",
]

SECONDS = 10.0
"""Length of a rendering that no performance gives a length to, as of `beamhand render`."""

TAIL_SECONDS = 1.0
"""Rendered behind the last event of a performance, as by `beamhand render`."""


def load_patch(name: str | Path) -> Patch:
    """Read and check a patch.

    Parameters
    ----------
    name : str or Path
        A patch file, or the plain name of a patch of the factory set, such as ``"lighthouse"``.

    Returns
    -------
    Patch
        Its fields are those of the file: ``patch.layer[0].pen.frequency``.

    Raises
    ------
    PatchError
        If there is no such file or it is not a patch; a ValueError that names file, line, field and mend.

    See Also
    --------
    patch_from_text : a patch written in the notebook itself.
    render : its sound.

    Examples
    --------
    >>> load_patch("circle").title
    'Circle'
    """
    return load_patch_file(by_name(Path(name)))


def render(
    patch: Patch | str | Path,
    seconds: float | None = None,
    rate: float = 48_000.0,
    *,
    values: Mapping[str, float | str] | None = None,
    performance: str | Path | None = None,
) -> npt.NDArray[np.float32]:
    """Render a patch from its beginning: the very samples that it plays on stage at this rate.

    Parameters
    ----------
    patch : Patch, str or Path
        A patch, or what `load_patch` takes.
    seconds : float, optional
        Length, at least 0. By default that of the performance and a second more, or 10 seconds.
    rate : float
        Sample rate in hertz, above 0.
    values : mapping of str to float or str, optional
        Values by address that stand in for those of the patch; texts as a patch file takes them: ``"3*440"``, ``"A3"``.
    performance : str or Path, optional
        Standard MIDI File that is played into the patch.

    Returns
    -------
    ndarray of float32, shape (frames, 2)
        x and y, or left and right. Within -1 to 1 and finite, whatever the patch asks for.

    Raises
    ------
    ValueError
        If the patch, a drawing of it, a value or the performance is refused, or the length is negative.
    KeyError
        If there is no such address.

    Notes
    -----
    The first rendering on a machine compiles the engine, which takes a minute or two; later ones begin at once.

    See Also
    --------
    measure : what these samples do to ears, eyes and displays.
    picture : what a tube would show of them.

    Examples
    --------
    >>> sound = render("circle", seconds=0.1)
    >>> sound.shape, sound.dtype.name
    ((4800, 2), 'float32')
    """
    from instrument.engine.engine import Engine
    from instrument.engine.memory.layout import RING_PERFORM
    from instrument.midi.files.performance import read_performance
    from instrument.patch.build import build_program
    from instrument.patch.number import number_for
    from instrument.patch.patch_drawings import read_drawings

    patch = patch if isinstance(patch, Patch) else load_patch(patch)
    program = build_program(patch, read_drawings(patch, rate))
    for address, value in (values or {}).items():
        program.set(address, number_for(address, value))
    engine = Engine(rate)
    engine.play(program)
    events = [] if performance is None else read_performance(performance, rate)
    if seconds is None:
        last = max((event.time for event in events), default=0) / rate
        seconds = SECONDS if performance is None else last + TAIL_SECONDS
    if not seconds >= 0:
        raise ValueError(f"seconds is {seconds}; it takes a number of at least 0")
    return engine.render(round(seconds * rate), events=events, ring=RING_PERFORM)


def route(
    drawing: str | Path | None = None,
    *,
    text: str | None = None,
    edges: Literal["all", "feature"] = "all",
    crease: float = 30.0,
    jump_cost: float = 4.0,
    points: float | None = None,
) -> Route:
    """Make one closed line of a drawing, with as little repetition and jumping as can be proven.

    The file is read in a process of its own, which cannot write or reach a network; a hostile one is refused in words.

    Parameters
    ----------
    drawing : str or Path, optional
        A mesh (.obj, .stl, .ply, .off, .glb, .gltf), .svg, .png, .jpg, .txt, .csv or .npy; of a film (.mp4, .mkv, .webm, .gif,
        .webp) the first frame.
    text : str, optional
        Lettering in place of a file.
    edges : {"all", "feature"}
        Edges of a mesh that are drawn: all, or creases and borders.
    crease : float
        Angle between two faces above which their edge is a crease; degrees, 0 to 180.
    jump_cost : float
        Cost of a jump, in lengths of a line drawn again; at least 0, ``inf`` for none but between separate pieces.
    points : float, optional
        Points of one cycle, the sample rate over the pitch, that the drawing is fitted to by leaving out what matters least.

    Returns
    -------
    Route
        ``line`` (float64, shape (k, 3)), ``kinds`` of its steps, ``figures`` such as ``length`` and ``repeated_length`` in the
        drawing's own units; ``left_out.words`` for what did not fit.

    Raises
    ------
    ValueError
        If the drawing or a setting is refused (`DrawingError` names file and line), or both drawing and text are given.

    See Also
    --------
    sample : the line as points at constant speed.

    Examples
    --------
    >>> fish = route(factory_folder() / "drawings" / "fish.obj")
    >>> fish.figures.edges, fish.figures.exact
    (75, True)
    """
    from instrument.drawings.load import LoadOptions
    from instrument.drawings.readers.by_ending import ReadOptions
    from instrument.drawings.routing.closed_line import RouteOptions
    from instrument.drawings.worker.client import Worker

    if (drawing is None) == (text is None):
        raise ValueError("a route takes a drawing or a text, one of the two")
    options = LoadOptions(ReadOptions(edges=edges, crease=crease), RouteOptions(jump_cost=jump_cost), points=points)
    with Worker() as worker:
        return worker.routes([] if drawing is None else [drawing], text, options)[0]


def sample(line: Route, points: int | None = None, *, jump_speed: float = 16.0) -> npt.NDArray[np.float64]:
    """Sample a route at constant pen speed, fitted into the unit cube, as the engine plays it.

    Parameters
    ----------
    line : Route
    points : int, optional
        At least 2; by default enough for every corner.
    jump_speed : float
        Speed on jumps, in speeds on the line; above 0.

    Returns
    -------
    ndarray of float64, shape (points, 3)
        One cycle; the first point is not repeated. Within -1 to 1.

    Raises
    ------
    ValueError
        If there are fewer than 2 points, or the speed is not above 0.

    Examples
    --------
    >>> sample(route(text="O"), 256).shape
    (256, 3)
    """
    from instrument.drawings.routing.sampling import Sampling
    from instrument.drawings.routing.sampling import sample as sample_line

    return sample_line(line, Sampling(points, jump_speed=jump_speed)).points


def measure(sound: npt.ArrayLike | str | Path, rate: int | None = None) -> Measurement:
    """Measure a sound: levels, loudness, spectrum, the beam's path, flashes.

    Parameters
    ----------
    sound : array_like of shape (frames, channels), str or Path
        Samples with full scale at -1 to 1, or a sound file or the folder of a take.
    rate : int, optional
        Sample rate in hertz; needed for samples, known for files.

    Returns
    -------
    Measurement
        ``figures`` by name, ``warnings`` in sentences, ``traces`` over time and frequency; `as_dict` for JSON.

    Raises
    ------
    ValueError
        If samples come without a rate or in another shape, or a file cannot be read (`SoundError`).

    See Also
    --------
    instrument.measure.measurement.Figures : what each figure means, and its unit.

    Examples
    --------
    >>> found = measure(render("circle", seconds=1.0), 48_000)
    >>> found.figures.frames, found.figures.nonfinite
    (48000, 0)
    """
    import numpy as np

    from instrument.measure.measurement import measure_seconds, measure_sound
    from instrument.measure.sound_reader import SoundError, seconds_of

    if isinstance(sound, str | Path):
        return measure_sound(Path(sound))
    samples = np.asarray(sound, np.float64)
    if samples.ndim != 2:
        raise ValueError(f"samples have the shape {samples.shape}; it takes (frames, channels)")
    if rate is None or rate <= 0:
        raise ValueError(f"rate is {rate}; samples need their sample rate in hertz, such as 48000")
    found = measure_seconds(seconds_of(samples, rate), rate, samples.shape[1], len(samples) / rate)
    if found is None:
        raise SoundError("there is not one sample to measure")
    return found


def picture(
    sound: npt.NDArray[np.float32],
    rate: float = 48_000.0,
    *,
    size: int = 512,
    exposure: float = 1.0,
    look: Sequence[str] = (),
) -> npt.NDArray[np.uint8]:
    """Photograph the end of a sound as an XY tube would show it.

    Parameters
    ----------
    sound : ndarray of float32, shape (frames, 2)
    rate : float
        Sample rate in hertz.
    size : int
        Height in pixels; width for a square glass.
    exposure : float
        Seconds at the end during which the shutter is open, above 0.
    look : sequence of str
        Settings of the screen as ``--look`` takes them, such as ``["P7", "mirror=x"]``.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        Red, green, blue; row 0 at the top. ``matplotlib.pyplot.imshow`` shows it.

    Raises
    ------
    ValueError
        If the exposure is not above 0, or a setting of the look is refused.

    Examples
    --------
    >>> picture(render("circle", seconds=0.5), size=64, exposure=0.2).shape
    (64, 64, 3)
    """
    # The still's module writes PNG through pygame, whose greeting has no place in a notebook.
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    from instrument.beam.look import look_of
    from instrument.beam.pictures import Photograph
    from instrument.export.still import expose_end

    camera = Photograph(rate, size, exposure, look_of(list(look)))
    expose_end(camera, [sound], len(sound), rate, exposure)
    return camera.develop()
