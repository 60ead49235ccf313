"""Speed and memory of rendering, measured in one run.

``python tests/bench/bench_render.py [--minutes 3] [--long 60] [--stages 5] [--repeats 8]``

Three figures on the same files and the same cores:

- *copy*: decode the source and encode the finished stimuli again to 24-bit FLAC, their samples
  ready in memory, nothing else. Given twice: one file after the other, and on all cores at once.
- *copy of each*: decode each finished stimulus from its file and encode it again, on all cores.
- *straightforward*: the script one would write first: soundfile, ``scipy.signal.oaconvolve``,
  pyloudnorm, 4x oversampling by soxr for the true peak, soundfile.
- *ours*: the renderer with everything it does on top (further loudness models, hashes, manifest).

Each with seconds on the clock and seconds of processor time; the latter also serves on a machine
that is busy with other work. ``--cores 1`` keeps everything to one core. With ``--long`` also the
peak memory of rendering a source of that many minutes.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import soundfile

RATE = 48000


def make_source(path: Path, minutes: float) -> None:
    """Write a long stereo track from the demo pieces, 24-bit FLAC."""
    from stimuli.programme.demo_music import demo_programmes, synthesise

    pieces = [synthesise(name, seconds=20.0) for name in demo_programmes()]
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_24", format="FLAC") as file:
        for i in range(round(minutes * 3)):
            file.write(0.9 * pieces[i % len(pieces)])


def make_stages(count: int) -> list:
    from stimuli.filters.stages import StageSpec
    from stimuli.response.bands import third_octave_bands
    from stimuli.response.measured import Response, power_average

    bands = third_octave_bands()
    stages = []
    for i in range(count):
        levels = np.random.default_rng(i).normal(75, 4, len(bands))
        response = power_average([Response(bands.nominal_hz, levels)])
        stages.append(StageSpec(f"stage-{i}", f"Stage {i}", response))
    return stages


def copy(source: Path, folder: Path, sounds: list[np.ndarray], workers: int) -> float:
    started = time.perf_counter()
    soundfile.read(source, dtype="int32", always_2d=True)

    def write(i: int) -> None:
        soundfile.write(folder / f"copy-{i}.flac", sounds[i], RATE, subtype="PCM_24")

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(write, range(len(sounds))))
    return time.perf_counter() - started


def copy_each(folder: Path, files: list[Path], workers: int) -> float:
    started = time.perf_counter()

    def again(i: int) -> None:
        x, _ = soundfile.read(files[i], dtype="int32", always_2d=True)
        soundfile.write(folder / f"copy-{i}.flac", x, RATE, subtype="PCM_24")

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(again, range(len(files))))
    return time.perf_counter() - started


def finished_files(folder: Path) -> list[Path]:
    """Stimuli of the track."""
    from stimuli.render.manifest import read_manifest

    return [folder / s.file_name for s in read_manifest(folder).stimuli if s.programme == "track"]


def straightforward(source: Path, folder: Path, filters: list) -> float:
    import pyloudnorm
    import soxr
    from scipy.signal import oaconvolve

    started = time.perf_counter()
    x, rate = soundfile.read(source, always_2d=True)
    meter = pyloudnorm.Meter(rate)
    for i, h in enumerate(filters):
        y = oaconvolve(x, h[:, None], axes=0)[: len(x)]
        gain_db = -23.0 - meter.integrated_loudness(y)
        y *= 10 ** (gain_db / 20)
        peak = np.abs(soxr.resample(y, rate, 4 * rate)).max()
        assert peak < 10
        soundfile.write(folder / f"plain-{i}.flac", y, rate, subtype="PCM_24")
    return time.perf_counter() - started


def ours(source: Path, folder: Path, stages: list) -> float:
    from stimuli.programme.reading import ProgrammeSpec
    from stimuli.render.sets import render_set

    started = time.perf_counter()
    # Little pink noise: the bench is about the track.
    render_set(stages, [ProgrammeSpec("track", source)], folder, pink_seconds=2.0)
    return time.perf_counter() - started


def peak_memory_mb(source: Path, folder: Path, stages: int) -> tuple[float, float]:
    """Render in a fresh process; peak resident memory and seconds."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[4]);"
        "from pathlib import Path; import bench_render as b;"
        "t = b.ours(Path(sys.argv[1]), Path(sys.argv[2]), b.make_stages(int(sys.argv[3])));"
        # Not getrusage: that also counts what this process held when it started the other.
        "print(next(int(line.split()[1]) / 1024 for line in open('/proc/self/status')"
        " if line.startswith('VmHWM')), t)"
    )
    command = [sys.executable, "-c", code, source, folder, str(stages), Path(__file__).parent]
    result = subprocess.run(command, capture_output=True, text=True, check=True)
    memory, seconds = result.stdout.split()
    return float(memory), float(seconds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--stages", type=int, default=5)
    parser.add_argument("--repeats", type=int, default=8)
    parser.add_argument("--long", type=float, default=0.0, help="minutes for the memory figure")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--cores", type=int, help="use so many cores only")
    options = parser.parse_args()
    if options.cores:
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: options.cores])
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    stages = make_stages(options.stages)
    from stimuli.filters.design import design_stage_filter

    filters = [design_stage_filter(s.response, rate=RATE).taps for s in stages]
    best: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "track.flac"
        make_source(source, options.minutes)
        ours(source, folder / "kept", stages)
        files = finished_files(folder / "kept")
        sounds = [soundfile.read(file, dtype="int32", always_2d=True)[0] for file in files]
        works = {
            "copy_serial": lambda: copy(source, folder, sounds, 1),
            "copy_all_cores": lambda: copy(source, folder, sounds, cores or 1),
            "copy_each_all_cores": lambda: copy_each(folder, files, cores or 1),
            "straightforward": lambda: straightforward(source, folder, filters),
            "ours": lambda: ours(source, folder / "set", stages),
        }
        # Interleaved, so that a busy moment hits all alike. The straightforward script takes ten
        # times as long as the others and leaves the machine's memory in another state: by itself.
        slow = {"straightforward": works.pop("straightforward")}
        for turn in [works] * options.repeats + [slow] * min(options.repeats, 2):
            for key, work in turn.items():
                cpu = time.process_time()
                seconds = work()
                cpu = time.process_time() - cpu
                best[f"{key}_s"] = min(best.get(f"{key}_s", np.inf), seconds)
                best[f"{key}_cpu_s"] = min(best.get(f"{key}_cpu_s", np.inf), cpu)
        result = {
            "machine": platform.machine(),
            "cores": cores,
            "minutes": options.minutes,
            "stages": options.stages,
            "repeats": options.repeats,
            **best,
            "ours_over_copy_serial": best["ours_s"] / best["copy_serial_s"],
            "ours_over_copy_all_cores": best["ours_s"] / best["copy_all_cores_s"],
            "ours_over_copy_each": best["ours_s"] / best["copy_each_all_cores_s"],
            "straightforward_over_ours": best["straightforward_s"] / best["ours_s"],
        }
        if options.long:
            make_source(source, options.long)
            memory, seconds = peak_memory_mb(source, folder / "long", options.stages)
            result |= {"long_minutes": options.long, "long_peak_mb": memory, "long_s": seconds}
    print(json.dumps(result, indent=1))
    if options.json:
        options.json.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
