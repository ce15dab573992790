"""Every figure that the documents quote, measured side by side on this machine: `python tools/bench.py`."""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.engine import Engine
from instrument.measure.callback_cost import measure_cost, reference_program
from tools.benches.beam import bench_beam
from tools.benches.drawings import bench_routing
from tools.benches.film import bench_film
from tools.benches.formula import bench_formulas
from tools.benches.jumps import bench_jumps
from tools.benches.legible import bench_legibility
from tools.benches.links import bench_links
from tools.benches.moving import bench_moving
from tools.benches.outline import bench_outline
from tools.benches.saving import bench_saving
from tools.benches.voices import bench_voices
from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import busy_cores, jack_server, screen

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

HERE = Path(__file__).resolve().parent
BLOCK = 64
RATES = (48000, 192000)
DECAY_MINUTES = 10
SECTIONS = (
    "cost", "decay", "start", "callback", "latency", "drawings", "outline", "formula", "jumps", "links", "voices", "beam", "film",
)  # fmt: skip


def heading(text: str) -> None:
    """Print a heading."""
    print(f"\n## {text}\n", flush=True)


def bench_cost() -> None:
    """Cost of the chain beside plain C."""
    heading("Cost of the callback, beside the same chain in plain C")
    print("| rate | block | layers | ns/sample/layer | plain C | C / ours (range) | p50 us | p99.9 us | period us |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for rate, layers in ((48000.0, 1), (48000.0, 4), (192000.0, 4), (192000.0, 8)):
        c = measure_cost(rate, BLOCK, layers)
        plain = f"{c.c_ns_per_sample_per_layer:.1f}" if c.c_ns_per_sample_per_layer else "no compiler"
        ratio = f"{c.ratio_to_c:.2f} ({c.ratio_range[0]:.2f} to {c.ratio_range[1]:.2f})" if c.ratio_range else "-"
        print(
            f"| {rate:g} | {BLOCK} | {layers} | {c.ns_per_sample_per_layer:.1f} | {plain} | {ratio} "
            f"| {c.p50_us:g} | {c.p999_us:g} | {c.period_us:.0f} |"
        )


def _cost_of(engine: Engine, seconds: float = 2.0) -> float:
    frames = int(engine.rate * seconds)
    out = np.zeros((BLOCK, 2), np.float32)
    before = int(engine.record["counters"]["total_ns"])
    for _ in range(frames // BLOCK):
        engine.render_into(out)
    return (int(engine.record["counters"]["total_ns"]) - before) / (frames // BLOCK * BLOCK)


def bench_decay() -> None:
    """Cost after ten minutes of decay, beside a fresh layer."""
    heading(f"Subnormals: a layer left to decay for {DECAY_MINUTES} minutes, beside a fresh one")
    ratios = []
    for _ in range(5):
        decayed, fresh = (_silenced_engine() for _ in range(2))
        decayed.render(int(60 * DECAY_MINUTES * decayed.rate), block=1024)
        fresh.render(int(0.1 * fresh.rate), block=1024)
        old, new = [], []
        for _ in range(3):
            old.append(_cost_of(decayed))
            new.append(_cost_of(fresh))
        ratios.append(statistics.median(old) / statistics.median(new))
    print(f"cost decayed / fresh: median {statistics.median(ratios):.3f} ({min(ratios):.3f} to {max(ratios):.3f})")


def _silenced_engine() -> Engine:
    # The output's DC removal and fractional delays are what decays.
    program = reference_program(1)
    for address, value in (("output.ac", 1.0), ("output.delay.x", 2.5), ("output.offset.x", 0.3)):
        program.set(address, value)
    engine = Engine(48000.0)
    engine.play(program)
    engine.render(4800)
    engine.set("layer.1.level", 0.0)
    engine.set("output.offset.x", 0.0)
    return engine


def _run_callback(kind: str, seconds: float, hogs: int, memory: bool) -> dict[str, Any]:
    command = [sys.executable, str(HERE / "benches" / "callback.py"), kind, str(seconds), str(hogs)]
    run = subprocess.run([*command, "window"] if memory else command, capture_output=True, text=True, check=False)
    if run.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed: {run.stderr.strip()[-800:]}")
    found: dict[str, Any] = json.loads(run.stdout.strip().splitlines()[-1])
    return found


def bench_callback(seconds: float) -> None:
    """Callbacks and underflows on the real-time dummy device, beside an empty and a Python callback."""
    heading(f"The callback on a real-time JACK dummy device, {seconds:g} s each, 4 layers, {BLOCK} frames")
    print("| rate | disturbed by | callback | callbacks | underflows | p50 us | p99.9 us | max us | half period us |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for rate in RATES:
        for scene in ("2 threads hold the GIL", "window open, 2 processes saturate the cores"):
            windowed = scene.startswith("window")
            with ExitStack() as stack:
                stack.enter_context(jack_server(rate, BLOCK))
                if windowed:
                    os.environ["DISPLAY"] = stack.enter_context(screen())
                    stack.enter_context(busy_cores(2))
                counts = {}
                for kind in ("empty", "compiled", "python"):
                    r = _run_callback(kind, seconds, 0 if windowed else 2, windowed)
                    counts[kind] = r
                    print(
                        f"| {rate} | {scene} | {kind} | {r['callbacks']} | {r['underflows']} | {r['p50_us']:g} "
                        f"| {r['p999_us']:g} | {r['longest_us']:.0f} | {5e5 * BLOCK / rate:.0f} |",
                        flush=True,
                    )
                python, ours = counts["python"], counts["compiled"]
                print(
                    f"| {rate} | {scene} | python beside compiled | {python['callbacks'] / ours['callbacks']:.2f} "
                    f"of the callbacks | {python['underflows']} against {ours['underflows']} | | | | |",
                    flush=True,
                )


def bench_start() -> None:
    """Cold compile and warm start."""
    heading("Start")
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "instrument.engine.compiling.warm"],
            env={**os.environ, "XDG_CACHE_HOME": folder},
            check=True,
            capture_output=True,
        )
        print(f"cold compile: {time.perf_counter() - began:.1f} s")
    times = []
    for _ in range(7):
        began = time.perf_counter()
        play = [sys.executable, "-m", "instrument.cli", "play"]
        subprocess.run([*play, "--audio", "off", "--no-window", "--seconds", "0"], check=True, capture_output=True)
        times.append(time.perf_counter() - began)
    print(
        f"warm `beamhand play --audio off --no-window --seconds 0`: median {statistics.median(times):.2f} s "
        f"({min(times):.2f} to {max(times):.2f})"
    )


def bench_latency(events: int) -> None:
    """From a controller message to the first changed sample, measured from outside."""
    heading(f"MIDI to sound through JACK ports at 48 kHz, {BLOCK} frames, {events} events, from outside")
    command = [sys.executable, str(HERE / "benches" / "latency_probe.py"), "--events", str(events)]
    subprocess.run(command, check=True)


def bench_drawings(folders: Sequence[Path]) -> None:
    """Drawings: how legible they are, how long until they are one line, and until a saved one is heard."""
    heading("Light on the screen beside the lines of drawings, within 1.5 percent of their size")
    bench_legibility(folders)
    heading("Drawings read and routed in the warm worker, beside networkx's exact matching")
    bench_routing()
    heading("From saving a drawing to its sound")
    bench_saving()
    heading("Drawings that move, beside the time that they play")
    bench_moving()


def bench_outlines(mesh: Path | None) -> None:
    """Outlines of a mesh from one direction, about an axis, and from all sides."""
    heading("Outlines with hidden lines removed, in the warm worker")
    bench_outline(mesh)


def bench_formula() -> None:
    """Formulas beside the same expressions compiled by numba."""
    heading("Formulas, beside the same expressions compiled directly by numba")
    bench_formulas()


def bench_all_jumps() -> None:
    """Jumps between strokes, straight and eased."""
    heading("Jumps between strokes, straight and eased")
    bench_jumps()


def bench_all_links() -> None:
    """Every layer and every link in use."""
    heading("Modulation: every layer and every link in use")
    bench_links()


def bench_all_voices() -> None:
    """Voices of a layer beside the layer without notes."""
    heading("Voices of a layer, beside the layer without notes")
    bench_voices()


def bench_screen(seconds: float) -> None:
    """Time a frame of the screen, beside other ways of drawing one."""
    heading("A frame of the screen, beside anti-aliased lines of drawing libraries")
    bench_beam(seconds)


def bench_films() -> None:
    """Films, as a ratio to real time."""
    heading("Films, as a ratio to real time")
    bench_film()


def main() -> None:
    """Run the sections asked for."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], help="all by default")
    parser.add_argument(
        "--seconds", type=float, default=60.0, help="length of each run of the callback and beam sections"
    )
    parser.add_argument("--events", type=int, default=200, help="events of the latency section")
    parser.add_argument(
        "--folder",
        type=Path,
        action="append",
        default=[],
        help="more drawings for the drawings section, any number of folders",
    )
    parser.add_argument("--mesh", type=Path, help="mesh of the outline section; one of our own by default")
    given = parser.parse_args()
    chosen = given.sections or list(SECTIONS)
    runs: dict[str, Callable[[], None]] = {
        "cost": bench_cost,
        "decay": bench_decay,
        "start": bench_start,
        "callback": lambda: bench_callback(given.seconds),
        "latency": lambda: bench_latency(given.events),
        "drawings": lambda: bench_drawings(given.folder),
        "outline": lambda: bench_outlines(given.mesh),
        "formula": bench_formula,
        "jumps": bench_all_jumps,
        "links": bench_all_links,
        "voices": bench_all_voices,
        "beam": lambda: bench_screen(given.seconds),
        "film": bench_films,
    }
    print(f"processors: {os.cpu_count()}, Python {sys.version.split()[0]}, load {os.getloadavg()[0]:.2f}")
    for name, run in runs.items():
        if name in chosen:
            run()


if __name__ == "__main__":
    main()
