"""The worker: the same answers as at home, and nothing that a drawing does gets out."""

from __future__ import annotations

import io
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest

import instrument.drawings.worker.worker_process as worker_module
from instrument.drawings.limits import MEBIBYTE, DrawingError, Limits
from instrument.drawings.load import LoadOptions, find_routes, load
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.lettering import Lettering
from instrument.drawings.worker.client import Worker
from instrument.drawings.worker.protocol import options_to_json, unpack
from instrument.drawings.worker.sandbox import Sandbox

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Worker() as shared:
        yield shared


def limited(**limits: float) -> LoadOptions:
    return LoadOptions(read=ReadOptions(limits=Limits(**limits)))  # type: ignore[arg-type]


def grid(path: Path, side: int) -> Path:
    """A picture of uneven lines that takes a while to match."""
    random = np.random.default_rng(0)
    points = [(x + 0.2 * random.random(), y, random.random()) for y in range(side) for x in range(side)]
    lines = [f"v {x} {y} {z}" for x, y, z in points]
    number = np.arange(side * side).reshape(side, side) + 1
    for pairs in (
        zip(number[:, :-1].ravel(), number[:, 1:].ravel(), strict=True),
        zip(number[:-1].ravel(), number[1:].ravel(), strict=True),
    ):
        lines += [f"l {a} {b}" for a, b in pairs if random.random() < 0.7]
    path.write_text("\n".join(lines))
    return path


def test_a_drawing_is_the_same_as_when_read_at_home(worker: Worker, tmp_path: Path) -> None:
    path = grid(tmp_path / "grid.obj", 12)
    apart, home = worker.load([path]), load([path])
    assert np.array_equal(apart.points, home.points)
    assert np.array_equal(apart.kinds, home.kinds)
    assert apart.warnings == home.warnings
    [routed], [expected] = worker.routes([path]), find_routes([path])
    assert np.array_equal(routed.walk, expected.walk)
    assert np.array_equal(routed.drawing.edges, expected.drawing.edges)
    assert routed.figures.repeated_length == expected.figures.repeated_length


def test_text_and_its_settings_are_carried_over(worker: Worker) -> None:
    options = LoadOptions(read=ReadOptions(lettering=Lettering(font="scripts", align="center")))
    assert np.array_equal(worker.load(text="tide", options=options).points, load(text="tide", options=options).points)


def test_a_refusal_comes_back_with_its_file_and_line(worker: Worker, tmp_path: Path) -> None:
    path = tmp_path / "buoy.obj"
    path.write_text("v 0 0 0\nv 1 0 x\n")
    with pytest.raises(DrawingError, match=r"^buoy\.obj:2: 'x' is not a number") as caught:
        worker.load([path])
    assert (caught.value.file, caught.value.line) == ("buoy.obj", 2)


def test_progress_is_told_stage_by_stage(worker: Worker, tmp_path: Path) -> None:
    stages: list[str] = []
    worker.load([grid(tmp_path / "grid.obj", 5)], progress=stages.append)
    assert stages == ["read grid.obj", "weld", "match", "join", "walk"]


def test_the_time_limit_is_held_and_the_next_drawing_is_read(worker: Worker, tmp_path: Path) -> None:
    path = grid(tmp_path / "grid.obj", 150)
    began = time.monotonic()
    with pytest.raises(DrawingError, match=r"^grid\.obj: it took longer than 0.05 s"):
        worker.load([path], options=limited(seconds=0.05))
    assert time.monotonic() - began < 5
    assert worker.load(text="O").points.shape[0] == 1


def test_the_memory_limit_is_held_and_the_next_drawing_is_read(worker: Worker, tmp_path: Path) -> None:
    path = tmp_path / "many.npy"
    np.save(path, np.random.default_rng(0).normal(size=(400_000, 3)))
    with pytest.raises(DrawingError, match=r"^many\.npy: it needs more than 40 MiB of memory"):
        worker.load([path], options=limited(memory=40 * MEBIBYTE))
    assert worker.load(text="O").points.shape[0] == 1


def test_the_size_limit_is_held(worker: Worker, tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text("0,0\n1,1\n" * 1000)
    with pytest.raises(DrawingError, match=r"the file has 0 MiB; at most 0 are allowed"):
        worker.load([path], options=limited(file_bytes=1000))


def test_a_file_elsewhere_is_not_read_even_through_a_link(worker: Worker, tmp_path: Path) -> None:
    secret = tmp_path / "elsewhere" / "secret.bin"
    secret.parent.mkdir()
    secret.write_bytes(struct.pack("<9f", *range(9)))
    folder = tmp_path / "drawings"
    folder.mkdir()
    (folder / "link.bin").symlink_to(secret)
    scene = (
        '{"asset":{"version":"2.0"},"meshes":[{"primitives":[{"attributes":{"POSITION":0}}]}],'
        '"accessors":[{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3"}],'
        '"bufferViews":[{"buffer":0,"byteLength":36}],"buffers":[{"byteLength":36,"uri":"%s"}]}'
    )
    for reference in (
        "../elsewhere/secret.bin",
        str(secret),
        f"file://{secret}",
        "link.bin",
        "%2e%2e/elsewhere/secret.bin",
    ):
        (folder / "scene.gltf").write_text(scene % reference)
        with pytest.raises(DrawingError, match=r"outside the drawing's folder|on the network"):
            worker.load([folder / "scene.gltf"])
    (folder / "beside.bin").write_bytes(secret.read_bytes())
    (folder / "scene.gltf").write_text(scene % "beside.bin")
    assert worker.load([folder / "scene.gltf"]).figures[0].edges == 3


ESCAPES = {
    "open a file elsewhere": "open('{elsewhere}').read()",
    "write a file beside the drawing": "open('{beside}', 'w')",
    "write a file by its number": "os.open('{beside}', os.O_CREAT | os.O_WRONLY)",
    "remove a file": "os.remove('{elsewhere}')",
    "reach the network": "__import__('socket').socket().connect(('127.0.0.1', 9))",
    "look up a name": "__import__('socket').getaddrinfo('localhost', 80)",
    "run a program": "__import__('subprocess').run(['true'])",
    "run a shell": "os.system('true')",
}


@pytest.mark.parametrize("escape", ESCAPES)
def test_the_walls_hold(tmp_path: Path, escape: str) -> None:
    elsewhere = tmp_path / "elsewhere.txt"
    elsewhere.write_text("tide table")
    folder = tmp_path / "drawings"
    folder.mkdir()
    (folder / "seen.txt").write_text("heron")
    act = ESCAPES[escape].format(elsewhere=elsewhere, beside=folder / "new.txt")
    program = (
        "import os\nfrom instrument.drawings.worker.sandbox import Sandbox\nwalls = Sandbox()\nwalls.install()\n"
        f"walls.readable = ['{folder}']\nassert open('{folder}/seen.txt').read() == 'heron'\n"
        f"try:\n    {act}\nexcept PermissionError as error:\n    assert 'reading a drawing may not' in str(error)\n"
        "else:\n    raise SystemExit('got out')\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
    assert elsewhere.exists()
    assert not (folder / "new.txt").exists()


def test_the_folder_of_a_working_copy_and_the_current_one_are_outside_the_walls() -> None:
    program = (
        "import os, pathlib, instrument\nfrom instrument.drawings.worker.sandbox import Sandbox\nwalls = Sandbox()\n"
        "root = pathlib.Path(instrument.__file__).resolve().parents[1]\n"
        "inside = [p for p in (str(root), os.getcwd()) if p in walls.libraries and 'site-packages' not in p]\n"
        "raise SystemExit(', '.join(inside) or 0)"
    )
    root = str(Path(worker_module.__file__).resolve().parents[3])
    environment = {**os.environ, "PYTHONPATH": root}
    subprocess.run([sys.executable, "-P", "-c", program], check=True, timeout=60, env=environment)


def test_a_worker_that_is_killed_is_replaced(worker: Worker) -> None:
    worker.load(text="O")
    assert worker.pid is not None
    os.kill(worker.pid, signal.SIGKILL)
    for _ in range(500):
        if not psutil.pid_exists(worker.pid) or psutil.Process(worker.pid).status() == psutil.STATUS_ZOMBIE:
            break
        time.sleep(0.01)
    assert worker.load(text="O").points.shape[0] == 1


def test_reading_can_be_stopped_from_another_thread(worker: Worker, tmp_path: Path) -> None:
    path = grid(tmp_path / "grid.obj", 200)
    caught: list[DrawingError] = []
    begun = threading.Event()

    def read() -> None:
        try:
            worker.load([path], progress=lambda stage: begun.set() if stage == "weld" else None)
        except DrawingError as error:
            caught.append(error)

    thread = threading.Thread(target=read)
    thread.start()
    assert begun.wait(30)
    worker.stop()
    thread.join(10)
    assert not thread.is_alive()
    assert "reading was stopped" in str(caught[0])


def test_nothing_is_left_running_after_closing(tmp_path: Path) -> None:
    with Worker() as own:
        own.load([grid(tmp_path / "grid.obj", 5)])
        pid = own.pid
    assert pid is not None
    assert not psutil.pid_exists(pid)


def test_importing_the_room_loads_no_heavy_library() -> None:
    program = (
        "import sys, instrument.drawings.worker.client, instrument.drawings.route_report, instrument.drawings.route_report\n"
        "heavy = {'scipy', 'pymatching', 'matplotlib', 'svgelements', 'fontTools', 'HersheyFonts', 'PIL', "
        "'contourpy', 'charset_normalizer'}\n"
        "raise SystemExit(', '.join(sorted(heavy & sys.modules.keys())))"
    )
    done = subprocess.run([sys.executable, "-c", program], check=False, capture_output=True, text=True, timeout=60)
    assert done.stderr.strip() == ""


def test_a_fault_of_ours_is_said_and_costs_no_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*arguments: object, **settings: object) -> None:
        del arguments, settings
        raise ZeroDivisionError("tide")

    monkeypatch.setattr(worker_module, "find_line", broken)
    words = {
        "want": "loaded",
        "paths": [str(tmp_path)],
        "text": None,
        "options": options_to_json(LoadOptions()),
    }
    monkeypatch.setattr(worker_module, "limit_memory", float)
    message, _ = unpack(io.BytesIO(worker_module.answer(words, Sandbox(), print)).read)
    assert message["refused"][0] == "reading it failed in a way that was not foreseen (ZeroDivisionError: tide)"


@pytest.mark.parametrize("starter", [0, 10])
def test_it_is_lowered_to_the_same_place_whoever_starts_it(starter: int) -> None:
    code = (
        f"import os, sys\nos.nice({starter})\nfrom instrument.drawings.worker.client import Worker\n"
        "with Worker() as worker:\n    worker.start()\n    pid = worker._process.pid\n    worker.load(text='low tide')\n"
        "    print(os.getpriority(os.PRIO_PROCESS, pid))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(run.stdout) == 10
