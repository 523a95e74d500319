"""Find the strokes of real drum kits that play invented grooves into one microphone, and print F by case.

Run: python -m tests.benchmarks.hits_drums [first_seed] [n_scenes] [folder of drum kits]

The strokes are recordings by other people, in several degrees of loudness, from Debian's package hydrogen-drumkits
(free licences, kit by kit in its copyright file; `apt-get install --no-install-recommends hydrogen-drumkits`). Grooves,
levels and room are invented: kick, snare with ghost strokes, hi-hat in eighths and sixteenths, open hi-hat, ride and
crash that wash over the rest, toms, flams, people's timing. Mixed to one channel at 44.1 kHz with a tail of decaying
noise at -15 to -25 dB (a room) and noise at -55 to -75 dB, normalised to its peak.

True onset = first sample above -40 dB of the stroke's peak, or above -30 dB where the recording of the stroke is noisy.
Strokes nearer than 30 ms to the one before are one onset, as annotators write it. F is mir_eval's, of the hits with a
probability of at least .5.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import itertools
import re
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import soundfile
from scipy.signal import butter, fftconvolve, lfilter, resample_poly, sosfilt

from tests.benchmarks import hits_scenes

FOLDER = Path("/usr/share/hydrogen/data/drumkits")
KITS = ("BJA_Pacific", "ColomboAcousticDrumkit", "ForzeeStereo", "Millo_MultiLayered2", "The Black Pearl 1.0")
RATE_HZ = 44_100
MERGED_S = 0.030
FIRST_SEED, N_SCENES = 52_000, 30
# What a kit's own list may call it (the first that fits), and its usual peak in a mix, dB against the snare.
PARTS = {
    "kick": (r"bass ?drum|kick", 0.0),
    "snare": (r"^(pearl )?snare( \(|$)|^snare1|snare rock", 0.0),
    "stick": (r"stick|rim click|snare dry", -4.0),
    "closed": (r"(hat|hh).*closed|closed (hh|hat)", -11.0),
    "pedal": (r"pedal hh|hat pedal|hi-hat pedal|(hat|hh).*closed", -15.0),
    "open": (r"(hat|hh).*open(ed)?\b(?!.*semi)|open hh", -9.0),
    "ride": (r"^(paiste )?ride( \(| jazz|$)|ride-crash", -11.0),
    "bell": (r"(?<!cow)bell|ride-cup|ride rock", -8.0),
    "crash": (r"crash", -5.0),
    "high tom": (r"tom hi|tom high|tom 1|^tom$", -2.0),
    "low tom": (r"floor tom|tom low|tom floor", -2.0),
}
# Other kits of the package, of which only single strokes are used, and what of them is no single stroke.
OTHER_KITS = (
    *("Gimme A Hand 1.0", "circAfrique v4", "VariBreaks", "Audiophob", "ElectricEmpireKit", "HardElectro1"),
    "rumpf_kit_z01_h2",
)
NO_STROKE = r"roll|clap|marac|tambour|shak|sample|fx|whistle|zap|loop|swish|flink|ring|phaser|water|snaps|^[\d\s]*$"
CHOKED = {"closed": "open", "pedal": "open"}  # the pedal ends what rings
LOUDNESS_DB = (0.0, -10.0, -20.0, -30.0, -60.0)  # classes, against the loudest stroke


@dataclass(frozen=True)
class Stroke:
    """One stroke of a groove; `velocity` 0 to 1."""

    time_s: float
    part: str
    velocity: float


@dataclass(frozen=True)
class Scene:
    """A recording and its truth, one entry an onset (strokes nearer than MERGED_S are one)."""

    samples: np.ndarray
    onset_s: np.ndarray
    part: np.ndarray  # the loudest stroke's
    level_db: np.ndarray  # against the loudest of the scene
    stroke_s: np.ndarray  # of all strokes, merged or not


def installed(folder: Path = FOLDER) -> bool:
    """Tell whether the kits are on this machine."""
    return all((folder / kit / "drumkit.xml").exists() for kit in KITS)


@cache
def layers(folder: Path, kit: str, part: str) -> tuple[tuple[np.ndarray, int], ...]:
    """Return the strokes of a part, soft to loud: mono samples of peak 1, and the onset's sample."""
    for instrument in ElementTree.parse(folder / kit / "drumkit.xml").iter():
        if not instrument.tag.endswith("instrument"):
            continue
        name = next((child.text or "" for child in instrument if child.tag.endswith("name")), "")
        if not re.search(PARTS[part][0], name.lower()):
            continue
        found = []
        for layer in instrument.iter():
            if layer.tag.endswith("layer"):
                told = {child.tag.split("}")[-1]: child.text for child in layer}
                if (folder / kit / told["filename"]).exists():
                    found.append((float(told["min"]), told["filename"]))
        if found:
            return tuple(_stroke(folder / kit / file) for _, file in sorted(found))
    raise LookupError(f"{kit} has no {part}")


@cache
def strokes_of(folder: Path, kit: str) -> tuple[tuple[tuple[np.ndarray, int], ...], ...]:
    """Return the strokes of all parts of a kit, whatever they are, as `layers` gives them."""
    found = []
    for instrument in ElementTree.parse(folder / kit / "drumkit.xml").iter():
        told = {child.tag.split("}")[-1]: child.text or "" for child in instrument}
        if not instrument.tag.endswith("instrument") or re.search(NO_STROKE, told.get("name", "").lower()):
            continue
        names = [one.text or "" for one in instrument.iter() if one.tag.endswith("filename")]
        names = [name for name in names if (folder / kit / name).is_file()]
        if names:
            found.append(tuple(_stroke(folder / kit / name) for name in names))
    return tuple(found)


def _stroke(path: Path) -> tuple[np.ndarray, int]:
    samples, rate_hz = soundfile.read(path, always_2d=True)
    samples = samples.mean(axis=1)[: 5 * rate_hz]
    if rate_hz != RATE_HZ:
        divisor = np.gcd(rate_hz, RATE_HZ)
        samples = resample_poly(samples, RATE_HZ // divisor, rate_hz // divisor)
    size = np.abs(samples)
    size, samples = size / size.max(), samples / size.max()
    onset = int(np.argmax(size > 0.01))
    if np.argmax(size > 0.03) - onset > 0.004 * RATE_HZ:  # noise before the stroke, not its beginning
        onset = int(np.argmax(size > 0.03))
    samples[-400:] *= np.linspace(1, 0, min(400, len(samples)))
    return samples, onset


def groove(rng: np.random.Generator, duration_s: float) -> list[Stroke]:
    """Invent a few bars of one style, played by a person."""
    style = rng.choice(["eighths", "sixteenths", "ride", "swing", "toms", "slow", "fast", "hands"])
    bpm = {"slow": rng.uniform(55, 80), "fast": rng.uniform(150, 190), "sixteenths": rng.uniform(75, 110)}.get(
        style, rng.uniform(85, 140)
    )
    beat_s, strokes, at, bar = 60 / bpm, [], 0.4, 0
    while at < duration_s - 2:
        fill = bar % 4 == 3 and rng.random() < 0.7
        sway_s = {}  # of a moment; hands and feet differ less
        for where, part, velocity in _bar(rng, style, fill, first=bar % 4 == 0):
            time_s = at + where * beat_s + sway_s.setdefault(where, rng.normal() * 0.006) + rng.normal() * 0.003
            velocity = float(np.clip(velocity * np.exp(rng.normal() * 0.12), 0.05, 1.0))
            strokes.append(Stroke(time_s, part, velocity))
            if part == "snare" and velocity > 0.6 and rng.random() < 0.06:
                strokes.append(Stroke(time_s - rng.uniform(0.018, 0.038), part, velocity * rng.uniform(0.35, 0.6)))
        at, bar = at + 4 * beat_s, bar + 1
    return sorted(strokes, key=lambda stroke: stroke.time_s)


def _bar(rng, style: str, fill: bool, first: bool) -> list[tuple[float, str, float]]:
    """Return (beat, part, velocity) of a bar of four beats."""
    made = [(0.0, "crash", 0.85)] if first and rng.random() < 0.6 else []
    kicks = {0.0} | {float(k) for k in np.arange(0, 4, 0.5) if rng.random() < 0.25}
    if style in ("sixteenths", "fast"):
        kicks |= {float(k) for k in np.arange(0.25, 4, 0.5) if rng.random() < 0.12}
    made += [(beat, "kick", 0.9 if beat % 1 == 0 else 0.7) for beat in kicks]
    back = "stick" if style == "slow" and rng.random() < 0.5 else "snare"
    made += [(beat, back, 0.9) for beat in ((1.0, 3.0) if style != "toms" else (3.0,))]
    if style in ("sixteenths", "swing", "eighths"):
        ghosts = np.arange(0.25, 4, 0.5) if style != "swing" else np.arange(2 / 3, 4, 1)
        made += [(float(beat), "snare", 0.25) for beat in ghosts if rng.random() < 0.25]
    time = {"sixteenths": "closed", "ride": "ride", "swing": "ride", "hands": "closed"}.get(style, "closed")
    steps = {"sixteenths": np.arange(0, 4, 0.25), "swing": np.array([0, 1, 5 / 3, 2, 3, 11 / 3])}.get(
        style, np.arange(0, 4, 0.5)
    )
    until = 2.0 if fill else 4.0
    for beat in steps[steps < until]:
        part = time
        if time == "closed" and beat % 1 == 0.5 and rng.random() < 0.12:
            part = "open"
        if time == "ride" and rng.random() < 0.08:
            part = "bell"
        made.append((float(beat), part, 0.8 if beat % 1 == 0 else 0.5))
    if style in ("ride", "swing"):
        made += [(beat, "pedal", 0.6) for beat in (1.0, 3.0)]
    if fill:
        step = 0.25 if rng.random() < 0.7 else 1 / 3
        for beat in np.arange(2, 4 - 1e-6, step):
            if rng.random() < 0.9:
                made.append((float(beat), str(rng.choice(["snare", "high tom", "low tom"])), 0.75))
    if style == "toms":
        made += [(float(beat), str(rng.choice(["high tom", "low tom"])), 0.7) for beat in np.arange(0.5, until, 0.5)]
    return made


def scene(seed: int, folder: Path = FOLDER, duration_s: float = 20.0) -> tuple[str, Scene]:
    """Play a groove on a kit in a room; returns the kit's name too."""
    rng = np.random.default_rng(seed)
    kit = KITS[seed % len(KITS)]
    strokes = [one for one in groove(rng, duration_s) if one.time_s < duration_s + 1]
    dry = np.zeros(round((duration_s + 1) * RATE_HZ))
    onset_s, level_db = [], []
    for number, stroke in enumerate(strokes):
        soft_to_loud = layers(folder, kit, stroke.part)
        samples, onset = soft_to_loud[min(int(stroke.velocity * len(soft_to_loud)), len(soft_to_loud) - 1)]
        level = PARTS[stroke.part][1] + 30 * (stroke.velocity - 1)
        begin = round(stroke.time_s * RATE_HZ) - onset
        end = min(begin + len(samples), len(dry))
        ringing = samples[: end - begin] * 10 ** (level / 20)
        stop_s = next(
            (later.time_s for later in strokes[number + 1 :] if CHOKED.get(later.part) == stroke.part), np.inf
        )
        choked = int(min((stop_s - stroke.time_s) * RATE_HZ + onset, len(ringing)))
        ringing[choked:] *= np.exp(-np.arange(len(ringing) - choked) / (0.02 * RATE_HZ))
        dry[max(begin, 0) : end] += ringing[max(-begin, 0) :]
        onset_s.append((begin + onset) / RATE_HZ)
        level_db.append(level)
    return kit, _mixed(rng, dry, np.array(onset_s), np.array(level_db), np.array([one.part for one in strokes]))


def _mixed(rng, dry, onset_s, level_db, part) -> Scene:
    time = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
    tail = rng.normal(size=len(time)) * np.exp(-time * 6.9 / rng.uniform(0.25, 0.8)) * (time > 0.004)
    tail *= 10 ** (rng.uniform(-25, -15) / 20) / np.sqrt(np.square(tail).sum())
    wet = dry + fftconvolve(dry, tail)[: len(dry)]
    wet = wet / np.abs(wet).max() * 0.98
    wet += rng.normal(size=len(wet)) * 10 ** (rng.uniform(-75, -55) / 20)
    first = np.flatnonzero(np.diff(onset_s, prepend=-1) > MERGED_S) if len(onset_s) else np.zeros(0, int)
    groups = np.split(np.arange(len(onset_s)), first[1:])
    loudest = np.array([group[np.argmax(level_db[group])] for group in groups])
    return Scene(wet, onset_s[first], part[loudest], level_db[loudest] - level_db.max(), onset_s)


def scattered(seed: int, parts, duration_s: float = 20.0) -> tuple[np.ndarray, np.ndarray]:
    """Strike some of the parts at random, evenly or not; returns samples and the times of the strokes (s)."""
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(parts), size=min(len(parts), int(rng.integers(3, 11))), replace=False)
    times_s = hits_scenes.times(rng, rng.uniform(2, 12), duration_s, rng.choice([0.015, 0.02, 0.03, 0.06]))
    if rng.random() < 0.5:
        grid_s = np.arange(0.5, duration_s - 0.6, rng.uniform(0.09, 0.3))
        rows = [grid_s[rng.random(len(grid_s)) < rng.uniform(0.3, 0.9)] for _ in range(rng.integers(1, 4))]
        rows = [row + rng.normal(size=len(row)) * rng.uniform(0.001, 0.012) for row in rows]
        times_s = np.sort(np.concatenate(rows))
    usual_db, sd_db = rng.normal(size=len(chosen)) * 4, rng.choice([1, 2, 4, 6, 9])
    samples, stroke_s = np.zeros(round(duration_s * RATE_HZ)), []
    for time_s in times_s:
        which = rng.integers(len(chosen))
        soft_to_loud = parts[chosen[which]]
        velocity = np.clip(rng.normal() * 0.25 + 0.6, 0, 0.999)
        stroke, onset = soft_to_loud[int(velocity * len(soft_to_loud))]
        begin = round(time_s * RATE_HZ) - onset
        if begin < 0:
            continue
        end = min(begin + len(stroke), len(samples))
        samples[begin:end] += 10 ** ((usual_db[which] + rng.normal() * sd_db) / 20) * stroke[: end - begin]
        stroke_s.append((begin + onset) / RATE_HZ)
    return samples, np.sort(stroke_s)


def in_a_room(rng: np.random.Generator, samples: np.ndarray) -> np.ndarray:
    """Return a recording as a microphone farther off takes it: a tail that decays, often dull, and noise."""
    if rng.random() < 0.7:
        time = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
        tail = rng.normal(size=len(time)) * np.exp(-time * 6.9 / rng.uniform(0.15, 1.0))
        tail *= time > rng.uniform(0.002, 0.02)
        tail *= 10 ** (rng.uniform(-28, -8) / 20) / np.sqrt(np.square(tail).sum())
        if rng.random() < 0.5:
            tail = _shelf(tail, rng.uniform(1500, 6000), -rng.uniform(3, 15), True)
        samples = samples + fftconvolve(samples, tail)[: len(samples)]
    noise = hits_scenes.noise(rng, len(samples), pink=rng.uniform(0, 1))
    return samples + np.abs(samples).max() * 10 ** (-rng.uniform(15, 70) / 20) * noise


def mastered(rng: np.random.Generator, samples: np.ndarray) -> np.ndarray:
    """Return a recording as studios hand it on: tone controls, a compressor, soft clipping, less treble."""
    samples = _shelf(samples, rng.uniform(100, 400), rng.uniform(-6, 6), False)
    samples = _shelf(samples, rng.uniform(2000, 8000), rng.uniform(-8, 6), True)
    samples = samples / np.abs(samples).max()
    if rng.random() < 0.7:
        samples = _compressed(rng, samples)
    if rng.random() < 0.5:
        drive = 10 ** (rng.uniform(0, 10) / 20)
        samples = np.tanh(drive * samples / np.abs(samples).max())
    if rng.random() < 0.5:
        samples = sosfilt(butter(6, rng.uniform(9000, 18000), fs=RATE_HZ, output="sos"), samples)
    return samples / np.abs(samples).max() * 0.95


def _shelf(samples: np.ndarray, edge_hz: float, gain_db: float, high: bool) -> np.ndarray:
    gain, edge = 10 ** (gain_db / 20), np.tan(np.pi * edge_hz / RATE_HZ)
    above, below = (gain, 1.0) if high else (1.0, gain)
    return lfilter([above + edge * below, edge * below - above], [1 + edge, edge - 1], samples)


def _compressed(rng: np.random.Generator, samples: np.ndarray) -> np.ndarray:
    hop = 22
    attack, release = np.exp(-hop / RATE_HZ / np.array([rng.uniform(0.002, 0.03), rng.uniform(0.05, 0.3)]))
    threshold_db, ratio = rng.uniform(-25, -8), rng.uniform(2, 6)
    level, levels = 0.0, []
    for peak in np.maximum.reduceat(np.abs(samples), np.arange(0, len(samples), hop)):
        keep = attack if peak > level else release
        level = keep * level + (1 - keep) * peak
        levels.append(level)
    over_db = np.maximum(20 * np.log10(np.array(levels) + 1e-9) - threshold_db, 0)
    gain = 10 ** (-over_db * (1 - 1 / ratio) / 20)
    return samples * np.interp(np.arange(len(samples)), np.arange(len(gain)) * hop, gain)


def merged_hits(hit_s: np.ndarray) -> np.ndarray:
    """Return the hits without those nearer than MERGED_S to the one before."""
    return hit_s[np.diff(hit_s, prepend=-1) > MERGED_S]


def cause(time_s: float, made: Scene) -> str:
    """Tell what a false hit stands at."""
    if np.abs(made.stroke_s - time_s).min() < 0.01:
        return "flam or chord merged away"
    after_s = time_s - made.onset_s
    after_s = after_s[after_s > 0].min(initial=np.inf)
    return "within 80 ms after an onset" if after_s < 0.08 else "elsewhere"


def main() -> None:
    """Print a line a scene, then what was missed and what was false."""
    given = sys.argv[1:]
    seed, n = (int(given[k]) if len(given) > k else usual for k, usual in enumerate((FIRST_SEED, N_SCENES)))
    folder = Path(given[2]) if len(given) > 2 else FOLDER
    if not installed(folder):
        sys.exit(f"expected drum kits in {folder}; found none; install Debian's hydrogen-drumkits")
    rows, false, total, merged = [], [], np.zeros(4), np.zeros(2)
    for number in range(seed, seed + n):
        kit, made = scene(number, folder)
        found = hits_scenes.find(made.samples, RATE_HZ, ("everything",), "PCM_16")
        wide = mir_eval.util.match_events(made.onset_s, found["hit_s"], 0.05)
        near = mir_eval.util.match_events(made.onset_s, found["hit_s"], 0.01)
        counts = np.array([len(wide), len(near), len(made.onset_s), len(found["hit_s"])])
        total += counts
        once_s = merged_hits(found["hit_s"])
        merged += len(mir_eval.util.match_events(made.onset_s, once_s, 0.05)), len(once_s)
        f50, f10 = 2 * counts[:2] / counts[2:].sum()
        print(
            f"{number} {kit:24s} F {f50:.3f} within 50 ms, {f10:.3f} within 10 ms; "
            f"{counts[2]} onsets, {counts[3]} hits, precision {counts[0] / max(counts[3], 1):.3f}, "
            f"recall {counts[0] / counts[2]:.3f}",
            flush=True,
        )
        right = {a for a, _ in wide}
        rows += [(made.part[k], made.level_db[k], k in right) for k in range(len(made.onset_s))]
        loudest = found["level_db"].max(initial=-200)
        matched = {b for _, b in wide}
        false += [
            ("" if k in matched else cause(found["hit_s"][k], made), found["level_db"][k] - loudest, found["kind"][k])
            for k in range(len(found["hit_s"]))
        ]
    _summary(total, rows, false)
    print(f"with hits nearer than 30 ms merged too: F {2 * merged[0] / (total[2] + merged[1]):.3f} within 50 ms")


def _summary(total: np.ndarray, rows: list, false: list) -> None:
    f50, f10 = 2 * total[:2] / total[2:].sum()
    print(f"all: F {f50:.3f} within 50 ms, {f10:.3f} within 10 ms; goal .95 within 50 ms")
    part, level_db, right = (np.array(column) for column in zip(*rows, strict=True))
    by_part = [f"{one} {right[part == one].mean():.2f} of {sum(part == one)}" for one in PARTS if one in part]
    print("recall by part:", ", ".join(by_part))
    why, found_db, kind = (np.array(column) for column in zip(*false, strict=True))
    for top, bottom in itertools.pairwise(LOUDNESS_DB):
        mine = (level_db <= top) & (level_db > bottom)
        hit = (found_db <= top) & (found_db > bottom)
        print(
            f"{top:.0f} to {bottom:.0f} dB: recall {right[mine].mean() if mine.any() else np.nan:.3f} of {mine.sum()}, "
            f"precision {(why[hit] == '').mean() if hit.any() else np.nan:.3f} of {hit.sum()}"
        )
    wrong = why != ""
    counts = ", ".join(f"{sum(why == one)} {one}" for one in np.unique(why[wrong]))
    print(f"false hits: {counts}; {sum(kind[wrong] == 'rebound')} of them are called rebounds")


if __name__ == "__main__":
    main()
