"""Measure speed, memory and start-up of the hits beside librosa. Run: python -m tests.benchmarks.hits_speed [minutes]

Ratios are taken in one run on one core. The memory files have 16 channels at 48 kHz in 16 bit, 10 and 60 minutes long
(or as many as are asked for), and are read from disk: 60 minutes are 5.5 GB and take some minutes. They repeat half a
minute, at a slightly different level each time, so that no block is like another; channels 9 to 16 are the first eight,
half of that later.

Goals: 150 times real time per channel, faster than librosa's onset detector at a hop of 128, under 400 MB whatever the
length, start-up under 0.6 s of processor time.
"""

import os

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
import soundfile

from pipeline import audio, hits
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker

N_SOUNDS = 8


def find(path: Path, n_channels: int):
    """Find the hits of a file with one striker a channel."""
    names = [f"striker {k}" for k in range(n_channels)]
    machine = Machine(Barrel(), (), None, tuple(Striker(name, (k,)) for k, name in enumerate(names)))
    rig = Rig("rig", tuple(Channel(k, (name,)) for k, name in enumerate(names, 1)))
    return hits.find(Recording("take", str(path), date(2031, 5, 3), "rig", "song"), rig, machine, Detection())


def made(seed: int, duration_s: float, snr_db: float = 40):
    """Return a scene of two hits a second and channel."""
    # Brings modules that the stage has not, and they would count as its memory.
    from tests.benchmarks import hits_scenes

    names = hits_scenes.TEST_SOUNDS[:N_SOUNDS]
    return hits_scenes.scene(seed, names, mixed=False, per_s=2, snr_db=snr_db, duration_s=duration_s)


def cpu_s(work) -> float:
    """Return the processor seconds of a call."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def speed(folder: Path) -> None:
    """Print real-time ratios per channel: hits, decoding alone, librosa at hop 128; and hits in noise, where channels
    are searched twice."""
    import librosa

    scene = made(77, 60)
    path = folder / "speed.flac"
    soundfile.write(path, scene.samples, scene.rate_hz, subtype="PCM_24")
    heard_s = 60 * N_SOUNDS

    def decode():
        for _ in audio.look(path).blocks(480_000):
            pass

    def general():
        for column in scene.samples.T:
            librosa.onset.onset_detect(
                y=np.ascontiguousarray(column), sr=scene.rate_hz, hop_length=128, backtrack=True, units="time"
            )

    decode(), general(), find(path, N_SOUNDS)  # warm caches and compilers
    ours, alone, theirs = cpu_s(lambda: find(path, N_SOUNDS)), cpu_s(decode), cpu_s(general)
    print(f"hits {heard_s / ours:.0f} x real time per channel; decoding alone {heard_s / alone:.0f} x", end="; ")
    print(f"librosa at hop 128 (without decoding) {heard_s / theirs:.0f} x; hits over librosa {theirs / ours:.2f}")
    noisy = made(77, 60, snr_db=20)
    soundfile.write(path, noisy.samples, noisy.rate_hz, subtype="PCM_24")
    ours, alone = cpu_s(lambda: find(path, N_SOUNDS)), cpu_s(decode)
    print(f"strikes 20 dB over the noise: hits {heard_s / ours:.0f} x; decoding alone {heard_s / alone:.0f} x")


def memory(folder: Path, minutes: int) -> int:
    """Print peak memory (MB) and speed of a process that finds the hits of a file with 16 channels; return the peak."""
    scene = made(78, 30)
    block = np.concatenate([scene.samples, np.roll(scene.samples, len(scene.samples) // 2, axis=0)], axis=1)
    path = folder / "long.wav"
    rng = np.random.default_rng(79)
    with soundfile.SoundFile(path, "w", scene.rate_hz, 16, "PCM_16", format="RF64") as file:
        for _ in range(minutes * 2):
            file.write(block * np.float32(rng.uniform(0.7, 1.0)))
    # Not getrusage: a new process inherits the peak of the one that started it.
    code = (
        "import pathlib, re, time; from tests.benchmarks.hits_speed import find; "
        f"table, said = find(pathlib.Path({str(path)!r}), 16); "
        "status = pathlib.Path('/proc/self/status').read_text(); "
        "peak_mb = int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) // 1024; "
        "print(len(table), peak_mb, time.process_time(), said['refused'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    path.unlink()
    if done.returncode:
        sys.exit(f"{minutes} minutes of 16 channels failed:\n{done.stderr}")
    n_hits, peak_mb, used_s, *refused = done.stdout.split(maxsplit=3)
    speed = minutes * 60 * 16 / float(used_s)
    print(
        f"{minutes} minutes of 16 channels: {n_hits} hits, peak {peak_mb} MB, {speed:.0f} x real time per channel",
        end="",
    )
    print(f"; refused: {refused[0]}" if refused and refused[0].strip() else "", flush=True)
    return int(peak_mb)


def start_up() -> None:
    """Print the processor seconds of importing the stage."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", "import pipeline.hits"], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"start-up {after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime:.2f} s of processor time")


def main() -> None:
    """Print all of them."""
    with tempfile.TemporaryDirectory() as folder:
        start_up()
        speed(Path(folder))
        lengths = [int(word) for word in sys.argv[1:]] or [10, 60]
        peaks_mb = [memory(Path(folder), minutes) for minutes in lengths]
        if len(lengths) > 1:
            grown = (peaks_mb[-1] - peaks_mb[0]) / (lengths[-1] - lengths[0])
            print(f"memory grows by {grown:.2f} MB a minute; goal: under 400 MB, not growing")


if __name__ == "__main__":
    main()
