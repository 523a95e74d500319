"""Print how often each fault of a recording is found, and how often one is said that is not there.

Run: python -m tests.benchmarks.hits_health [first_seed] [n_takes]; about 10 s a take.

A take is a random machine of the demo's simulator (own microphones that leak, or one in the room) or real percussion
sounds (`hits_scenes`), most with a looped-back click, of every awkward kind of `AWKWARD` in turn, at 22.05 to 96 kHz in
16 bit, 24 bit or float. It is heard as it is (whatever is said is a false alarm) and then with each fault in turn
(whatever else is said is one, too). How bad the faults are, drawn evenly:

clipped            1 to 10 dB over, at full scale or in an analogue stage below it (then with droop and noise)
hum                mains, up to 8 harmonics, 3 to 25 dB above what is there at the quietest moments, at least -68 dB
rumble             8 to 35 Hz, a tone that swells or noise, 3 to 25 dB above, at least -68 dB
gate               closes 20 to 45 dB under the peak after 30 to 200 ms, where that silences 15 % of the time
limiter            takes 6 to 15 dB off the strikes, comes back in 0.15 to 0.6 s; where the noise shows between strikes
gain touched       3 to 12 dB up or down in 0.02 to 1 s, in the middle half; where a fifth of the time is noise alone
dead               zeros, or a plug that hangs in the air: nothing but noise or hum
identical          the same sound 12 dB down to 12 up, either polarity, another preamplifier's noise
swapped            the click and a striker
dropout            one to three buffers of 64 to 2048 samples (at 48 kHz) lost or doubled
thin               first-order high pass at 2 to 8 kHz: 10 nF on 2 to 10 kilohm
click not looped   the same samples at whole places, silent or with 24-bit dither between
two clocks         40 to 300 ppm either way
hits on a grid     lists moved to 4ths to 24ths of a beat, also with swing, written to 0.1 or 1 ms
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, lfilter, resample_poly

from demo import chance, sound, tune
from demo import machine as simulator
from pipeline import hits
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker
from tests.benchmarks import hits_scenes

FIRST_SEED, N_TAKES = 61_000, 12
AWKWARD = (
    "plain", "quiet", "dense", "ringing", "rest", "stalls", "uneven", "crescendo", "passages", "one rests", "bright",
    "room", "room dense", "samples", "samples mixed", "click changes", "click accented", "noise varies", "low drums",
)  # fmt: skip
MATERIALS = ("wood", "metal", "stone", "skin")


@dataclass(frozen=True)
class Take:
    """A recording: samples, one column a channel, what each hears, and how it is written."""

    kind: str
    samples: np.ndarray
    rate_hz: int
    hears: tuple[str, ...]
    bpm: float | None
    subtype: str

    @property
    def strikers(self) -> np.ndarray:
        """The columns that hear strikers."""
        return np.array([k for k, what in enumerate(self.hears) if what not in ("click", "index")])

    @property
    def click(self) -> int | None:
        """The click's column."""
        return self.hears.index("click") if "click" in self.hears else None


@dataclass(frozen=True)
class Faulty:
    """A take with a fault: the word it is to be named with, the column (None: all), and its size if it has one."""

    take: Take
    word: str
    column: int | None = None
    size: float | None = None
    besides: tuple[str, ...] = ()  # what may rightly be said, too


def make_take(seed: int) -> Take:
    """Make a sound take of the awkward kind that is due."""
    rng = np.random.default_rng([seed, 50])
    kind = AWKWARD[seed % len(AWKWARD)]
    if kind.startswith("samples"):
        take = _samples_take(rng, kind, seed)
    else:
        take = _workshop_take(rng, kind, seed)
    rate_hz = int(rng.choice([22_050, 44_100, 48_000, 48_000, 96_000]))
    if rate_hz != take.rate_hz:
        divisor = np.gcd(rate_hz, take.rate_hz)
        samples = resample_poly(take.samples, rate_hz // divisor, take.rate_hz // divisor, axis=0)
        take = replace(take, samples=samples, rate_hz=rate_hz)
    return replace(take, subtype=str(rng.choice(["PCM_16", "PCM_24", "PCM_24", "FLOAT"])))


def _workshop_take(rng, kind: str, seed: int) -> Take:
    n = int(rng.integers(2, 5))
    machine = chance.random_machine(n, seed)
    bpm = float(np.round(rng.uniform(80, 126), 1))
    duration_s = 52 if kind in ("rest", "stalls") else 34
    per_bar = 26 if "dense" in kind else rng.uniform(5, 10)
    bars = round(duration_s / (240 / bpm))
    notes = tune.notes_table(tune.random_tune(n, bars, seed, bpm, per_bar), machine)
    faults = chance.random_faults(machine, notes, seed)
    crew = chance.random_crew(machine, notes, faults, seed, hard=kind == "stalls", click_bpm=bpm)
    take = simulator.simulate(machine, notes, faults, crew, seed)
    names = [striker.name for striker in machine.strikers]
    played = ~take.strikes.missed
    time_s = np.concatenate([take.strikes.strike_s[played], take.extras.strike_s])
    who = np.array([names.index(name) for name in [*take.strikes.striker[played], *take.extras.striker]])
    level_db = np.concatenate([take.strikes.level_db[played], take.extras.level_db])
    order = np.argsort(time_s)
    blows = sound.Blows(time_s[order], who[order], level_db[order])
    blows = _played(rng, kind, blows, n)
    bodies = _bodies(rng, kind, names, seed)
    if kind.startswith("room"):
        room = sound.room_microphone(n, seed)
        microphones = [replace(room, hum_db=room.noise_db - 10, rumble_db=room.noise_db - 6)]
    else:
        microphones = list(sound.own_microphones(n, seed))
        noise_db = rng.uniform(-94, -84) if kind == "quiet" else rng.uniform(-78, -66)
        microphones = [
            replace(one, noise_db=noise_db, hum_db=min(one.hum_db, noise_db - 9), rumble_db=noise_db - 6)
            for one in microphones
        ]
    hears = ("everything",) if kind.startswith("room") else tuple(names)
    click_s = _clicks(rng, kind, take, bpm)
    if rng.random() < 0.85 or kind.startswith("click"):
        silent = np.full(n, -np.inf)
        noise_db = rng.uniform(-104, -85)
        cable = sound.Microphone(
            silent, np.zeros(n), np.full(n, np.inf), noise_db, -120.0, -120.0, tone_s=click_s,
            tone_hz=float(rng.uniform(800, 3000)),
        )  # fmt: skip
        microphones, hears = [*microphones, cable], (*hears, "click")
    samples = np.concatenate(list(sound.render(bodies, blows, tuple(microphones), take.length_s, seed)))
    samples = samples.astype(float)
    time = np.arange(len(samples)) / sound.RATE_HZ
    if kind == "click accented":
        first = np.searchsorted(click_s[::4] - 0.01, time, side="right")
        since = time - np.concatenate([[-9.0], click_s[::4] - 0.01])[first]
        samples[:, -1] *= np.where(since < 0.03, 1.0, 0.45)
    if kind == "noise varies":
        loud = 1 + 2 * np.interp(time, np.arange(0, 100, 4), rng.random(25) ** 2)
        samples[:, : len(samples[0]) - ("click" in hears)] += (
            rng.normal(size=(len(samples), 1)) * 10 ** (-68 / 20) * loud[:, None]
        )
    return Take(kind, samples, sound.RATE_HZ, hears, None if kind == "click changes" else bpm, "")


def _clicks(rng, kind: str, take, bpm: float) -> np.ndarray:
    """Return the clicks; a changing click follows a tempo map, with a jump and a ritardando."""
    if kind != "click changes":
        return take.click_s
    gap_s = 60 / bpm * np.repeat([1.0, rng.uniform(0.85, 0.95), 1.05], [20, 20, 80])
    gap_s[60:70] *= np.linspace(1, 1.2, 10)
    click_s = 0.5 + np.cumsum(gap_s)
    return click_s[click_s < take.length_s - 0.3]


def _played(rng, kind: str, blows: sound.Blows, n: int) -> sound.Blows:
    level_db, keep = blows.level_db.copy(), np.ones(len(blows.body), bool)
    end_s = blows.onset_s[-1]
    if kind == "quiet":
        level_db -= rng.uniform(20, 32)
    if kind == "rest":
        begin_s = rng.uniform(10, end_s - 30)
        keep = (blows.onset_s < begin_s) | (blows.onset_s > begin_s + 20)
    if kind == "uneven":
        level_db += np.linspace(-18, 0, n)[rng.permutation(n)][blows.body]
    if kind == "crescendo":
        level_db += rng.uniform(6, 12) * (blows.onset_s / end_s - 1)
    if kind == "passages":
        level_db += np.where((blows.onset_s // rng.uniform(6, 12)) % 2 == 0, 0, -rng.uniform(4, 9))
    if kind == "one rests":
        keep = blows.body != rng.integers(n)
    level_db = np.minimum(level_db, -1.0)
    return sound.Blows(blows.onset_s[keep], blows.body[keep], level_db[keep])


def _bodies(rng, kind: str, names: list[str], seed: int) -> tuple[sound.Body, ...]:
    materials = rng.permutation(MATERIALS)
    if kind == "bright":
        materials = ("metal", "stone")
    if kind == "low drums":
        materials = ("skin",)
    bodies = [sound.material_body(name, materials[k % len(materials)], seed) for k, name in enumerate(names)]
    if kind == "ringing":
        bodies = [replace(body, decay_s=body.decay_s * 6) for body in bodies]
    if kind == "low drums":
        bodies = [replace(body, mode_hz=body.mode_hz / 2, burst_gain=0.0) for body in bodies]
    return tuple(bodies)


def _samples_take(rng, kind: str, seed: int) -> Take:
    mixed = kind == "samples mixed"
    names = tuple(str(name) for name in rng.permutation(hits_scenes.SOUNDS)[: int(rng.integers(2, 5))])
    rate_hz = int(rng.choice([44_100, 48_000]))
    made = hits_scenes.scene(
        seed, names, mixed=mixed, per_s=rng.uniform(1.5, 3), snr_db=rng.uniform(35, 60), duration_s=34,
        rate_hz=rate_hz, leak_db=None if mixed else (-30, -18),
    )  # fmt: skip
    samples = made.samples.astype(float)
    bpm = float(np.round(rng.uniform(80, 126), 1))
    click = rng.normal(size=len(samples)) * 10 ** (-95 / 20)
    for at in np.arange(0.4, 33.5, 60 / bpm):
        body, _, _ = hits_scenes.one_hit("elec_tick", rate_hz, (at * rate_hz) % 1, 0.0)
        begin = int(at * rate_hz)
        click[begin : begin + len(body)] += 0.4 * body[: len(click) - begin]
    hears = ("everything",) if mixed else names
    return Take(kind, np.column_stack([samples, click]), rate_hz, (*hears, "click"), bpm, "")


def rms_db(take: Take, column: int) -> float:
    """Return the root mean square at the quietest moments (50 ms), dB re full scale."""
    samples, size = take.samples[:, column], take.rate_hz // 20
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    frames = frames - frames.mean(axis=1, keepdims=True)
    return 10 * np.log10(np.quantile(np.square(frames).mean(axis=1), 0.1) + 1e-14)


def _with(take: Take, column: int, samples: np.ndarray) -> Take:
    changed = take.samples.copy()
    changed[:, column] = samples
    return replace(take, samples=changed)


def clip(take: Take, rng) -> Faulty | None:
    """Cut a channel off, at three moments at least."""
    column = int(rng.choice(take.strikers))
    over_db = rng.uniform(1, 10)
    size = np.abs(take.samples[:, column])
    if np.sum(np.diff(np.flatnonzero(size > size.max() * 10 ** (-over_db / 20))) > 0.1 * take.rate_hz) < 2:
        return None
    samples = take.samples[:, column] / np.abs(take.samples[:, column]).max() * 10 ** (over_db / 20)
    samples = np.clip(samples, -1, 1)
    if rng.random() < 0.4:
        samples *= 10 ** (-rng.uniform(0.5, 9) / 20)
        samples = lfilter(*butter(1, 2, "high", fs=take.rate_hz), samples)
        samples += rng.normal(size=len(samples)) * 10 ** (-98 / 20)
    return Faulty(_with(take, column, samples), "clipped", column, over_db)


def hum(take: Take, rng) -> Faulty:
    """Add mains hum whose frequency wanders a little, as the mains' does."""
    column = int(rng.choice(take.strikers))
    level_db = max(rms_db(take, column) + rng.uniform(3, 25), -68)
    wander_hz = np.interp(np.arange(len(take.samples)), [0, len(take.samples)], rng.uniform(-0.06, 0.06, 2))
    phase = 2 * np.pi * np.cumsum(50 + wander_hz) / take.rate_hz
    harmonic = np.arange(1, int(rng.integers(2, 9)))
    gain = harmonic ** -rng.uniform(0.3, 1.5) * rng.uniform(0.4, 1, len(harmonic))
    wave = sum(g * np.sin(h * phase + rng.uniform(0, 6.28)) for g, h in zip(gain, harmonic, strict=True))
    wave *= 10 ** (level_db / 20) / wave.std()
    return Faulty(_with(take, column, take.samples[:, column] + wave), "hum", column, level_db)


def rumble(take: Take, rng) -> Faulty:
    """Add what a stand on a shaking floor hears."""
    column = int(rng.choice(take.strikers))
    level_db = max(rms_db(take, column) + rng.uniform(3, 25), -68)
    time = np.arange(len(take.samples)) / take.rate_hz
    if rng.random() < 0.5:
        wave = np.sin(2 * np.pi * rng.uniform(8, 35) * time) * (1 + 0.4 * np.sin(2 * np.pi * 0.3 * time))
    else:
        wave = lfilter(*butter(2, [8, 30], "band", fs=take.rate_hz), rng.normal(size=len(time)))
    wave *= 10 ** (level_db / 20) / wave.std()
    return Faulty(_with(take, column, take.samples[:, column] + wave), "rumble", column, level_db)


def gate(take: Take, rng) -> Faulty | None:
    """Silence a channel between strikes."""
    column = int(rng.choice(take.strikers))
    samples, block = take.samples[:, column].copy(), max(1, take.rate_hz // 1000)
    n = len(samples) // block
    level, struck = _heights(samples, block)
    threshold = struck * 10 ** (-rng.uniform(20, 45) / 20)
    hold = int(rng.integers(30, 200))
    open_ = np.convolve(level > threshold, np.ones(hold), "full")[:n] > 0
    fade = int(rng.choice([1, 20]))
    gain = np.convolve(open_, np.ones(fade) / fade, "full")[:n]
    samples[: n * block] *= np.repeat(gain, block)
    if (gain == 0).mean() < 0.15 or open_.mean() < 0.02:
        return None
    return Faulty(_with(take, column, samples), "gate", column)


def limit(take: Take, rng) -> Faulty | None:
    """Turn a channel down by each strike, and up again slowly."""
    column = int(rng.choice(take.strikers))
    samples, block = take.samples[:, column].copy(), max(1, take.rate_hz // 2000)
    n = len(samples) // block
    level, struck = _heights(samples, block)
    off_db, release_s = rng.uniform(6, 15), rng.uniform(0.15, 0.6)
    fall, held, gain_db = np.exp(-block / take.rate_hz / release_s), 0.0, np.zeros(n)
    for k in range(n):  # decibels come back like a capacitor's charge
        held = max(off_db * np.clip(1 + 20 * np.log10(level[k] / struck + 1e-9) / 20, 0, 1), held * fall)
        gain_db[k] = -held
    samples[: n * block] *= np.repeat(10 ** (gain_db / 20), block)
    faulty = Faulty(_with(take, column, samples), "limiter", column, off_db)
    return faulty if _noise_shows(take, column) else None


def _blocks(samples: np.ndarray, block: int) -> np.ndarray:
    """Return the samples in blocks, (n, block) array, without the rest."""
    return samples[: len(samples) // block * block].reshape(-1, block)


def _heights(samples: np.ndarray, block: int) -> tuple[np.ndarray, float]:
    """Return the peak of each block, and that of strikes."""
    height = np.abs(_blocks(samples, block)).max(axis=1)
    return height, np.quantile(height, 0.995)


def _share_of_noise(take: Take, column: int) -> float:
    """Return the share of the time that is within 3 dB of the quietest moments."""
    level = np.square(_blocks(take.samples[:, column], take.rate_hz // 50)).mean(axis=1)
    return float(np.mean(level < 2 * np.quantile(level, 0.02)))


def _noise_shows(take: Take, column: int) -> bool:
    """Tell whether the sound of at least eight strikes has died away to the noise 0.25 s later."""
    level = np.square(_blocks(take.samples[:, column], take.rate_hz // 100)).mean(axis=1)
    floor = np.quantile(level, 0.05)
    loud = level > 0.05 * np.quantile(level, 0.99)
    start = np.flatnonzero(loud & ~np.roll(loud, 1))
    quiet_after = [level[k + 20 : k + 30].mean() < 1.6 * floor for k in start if k + 60 < len(level)]
    quiet_before = [level[k - 12 : k - 2].mean() < 1.6 * floor for k in start if k + 60 < len(level)]
    return sum(a and b for a, b in zip(quiet_after, quiet_before, strict=True)) >= 8


def touch_gain(take: Take, rng) -> Faulty | None:
    """Turn a knob once."""
    column = int(rng.choice(take.strikers))
    if take.kind == "one rests":  # a channel without strikes has only noise to go by
        column = int(take.strikers[np.abs(take.samples[:, take.strikers]).max(axis=0).argmax()])
    if _share_of_noise(take, column) < 0.2:
        return None
    step_db = rng.uniform(3, 12) * rng.choice([-1, 1])
    n = len(take.samples)
    at, ramp = rng.uniform(0.25, 0.75) * n, rng.uniform(0.02, 1) * take.rate_hz
    gain_db = np.interp(np.arange(n), [at, at + ramp], [0, step_db]) - max(step_db, 0)
    return Faulty(_with(take, column, take.samples[:, column] * 10 ** (gain_db / 20)), "gain touched", column, step_db)


def die(take: Take, rng) -> Faulty | None:
    """Pull a plug."""
    if len(take.hears) < 2:
        return None
    column = int(rng.choice(take.strikers))
    n, how = len(take.samples), rng.integers(3)
    time = np.arange(n) / take.rate_hz
    wave = [np.zeros(n), rng.normal(size=n) * 10 ** (-85 / 20), 0.003 * np.sin(2 * np.pi * 50 * time)][how]
    return Faulty(_with(take, column, wave + (how == 2) * rng.normal(size=n) * 1e-5), "dead", column, None, ("hum",))


def copy(take: Take, rng) -> Faulty | None:
    """Send one microphone to two channels."""
    if len(take.strikers) < 2:
        return None
    one, two = rng.permutation(take.strikers)[:2]
    gain = 10 ** (rng.uniform(-12, 12) / 20) * rng.choice([-1, 1])
    gain /= max(1.0, np.abs(gain * take.samples[:, one]).max())
    samples = gain * take.samples[:, one] + rng.normal(size=len(take.samples)) * 10 ** (-90 / 20)
    return Faulty(_with(take, int(two), samples), "identical", None)


def swap(take: Take, rng) -> Faulty | None:
    """Plug the click and a striker into each other's inputs."""
    if take.click is None:
        return None
    order = np.arange(len(take.hears))
    column = int(rng.choice(take.strikers))
    order[[take.click, column]] = column, take.click
    return Faulty(replace(take, samples=take.samples[:, order]), "swapped")


def drop_out(take: Take, rng) -> Faulty | None:
    """Lose or double buffers, all channels together."""
    if take.click is None:
        return None
    samples, size = take.samples, 2 ** rng.uniform(6, 11) * take.rate_hz / 48_000
    at = np.sort(rng.uniform(0.12, 0.88, int(rng.integers(1, 4))))
    for part in at[::-1]:
        k, length = int(part * len(samples)), max(1, round(size))
        again = samples[k : k + length] if rng.random() < 0.5 else samples[:0]
        samples = np.concatenate([samples[:k], again, again, samples[k + length :]])
    return Faulty(replace(take, samples=samples), "dropout", None, size / take.rate_hz * 1000)


def thin(take: Take, rng) -> Faulty | None:
    """Plug contact microphones into inputs of a few kilohm."""
    if len(take.strikers) < 2:
        return None
    samples = take.samples.copy()
    pair = butter(1, rng.uniform(2000, 8000), "high", fs=take.rate_hz)
    samples[:, take.strikers] = lfilter(*pair, samples[:, take.strikers], axis=0)
    samples[:, take.strikers] += rng.normal(size=(len(samples), len(take.strikers))) * 10 ** (-85 / 20)
    return Faulty(replace(take, samples=samples), "thin")


def exact_click(take: Take, rng) -> Faulty | None:
    """Put the sequencer's own click in the place of the looped-back one."""
    if take.click is None or take.bpm is None:
        return None
    n, wave = len(take.samples), np.sin(np.arange(300) * rng.uniform(0.1, 0.5)) * np.linspace(0.5, 0, 300)
    samples = np.zeros(n)
    for number, at_s in enumerate(np.arange(0.3, n / take.rate_hz - 0.5, 60 / take.bpm)):
        at = round(at_s * take.rate_hz)
        samples[at : at + 300] = wave * (1.0 if number % 4 == 0 else 0.6)
    if rng.random() < 0.4 and take.subtype != "PCM_16":  # dither of 16 bit is as loud as a cable
        samples += np.round(rng.uniform(-1, 1, n)) * 2**-23
    return Faulty(_with(take, take.click, samples), "click not looped back", take.click)


def two_clocks(take: Take, rng) -> Faulty | None:
    """Record with a clock of its own."""
    if take.click is None or take.bpm is None:
        return None
    ppm = rng.uniform(40, 300) * rng.choice([-1, 1])
    # Finer first: straight lines between samples would swell the noise several times a second.
    fine = resample_poly(take.samples, 8, 1, axis=0)
    at = 8 * np.arange(0, len(take.samples) - 2, 1 + ppm * 1e-6)  # ppm > 0: fewer samples a second
    samples = np.stack([np.interp(at, np.arange(len(fine)), one) for one in fine.T], axis=1)
    return Faulty(replace(take, samples=samples), "two clocks", None, ppm)


FAULTS: tuple[Callable, ...] = (
    clip, hum, rumble, gate, limit, touch_gain, die, copy, swap, drop_out, thin, exact_click, two_clocks,
)  # fmt: skip


def said_of(take: Take) -> list[str]:
    """Return what is said of a take."""
    names = [what for what in take.hears if what not in ("everything", "index", "click")]
    machine = Machine(Barrel(), (), None, tuple(Striker(name, (k,)) for k, name in enumerate(names)))
    channels = tuple(
        Channel(k, (what,), bpm=take.bpm if what == "click" else None) for k, what in enumerate(take.hears, 1)
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, np.clip(take.samples, -1, 1 - 2**-23), take.rate_hz, subtype=take.subtype)
        recording = Recording("take", str(path), date(2031, 5, 3), "rig", "song")
        _, said = hits.find(recording, Rig("rig", channels), machine, Detection())
    return [f"refused: {said['refused']}"] if said["refused"] else said["health"]


def is_named(faulty: Faulty, sentence: str) -> bool:
    """Tell whether a sentence names the fault, on its channel."""
    if faulty.word == "dead" and sentence.startswith("refused") and "expected strikes" in sentence:
        return True
    if not sentence.startswith(faulty.word):
        return False
    return faulty.column is None or re.search(rf"channel {faulty.column + 1}\b", sentence) is not None


def grids(first: int, n: int) -> tuple[int, int, int, int]:
    """Return lists on a grid, those refused, lists as played, those refused."""
    refused, wrong = 0, 0
    machine = Machine(Barrel(), (), None, ())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hits.csv"
        for seed in range(first, first + n):
            rng = np.random.default_rng([seed, 51])
            beat_s, part = 60 / rng.uniform(70, 140), int(rng.choice([1, 2, 3, 4, 6]))
            step = np.cumsum(rng.choice([1, 1, 1, 2, 2, 3, 4], int(rng.integers(60, 300))))
            grid_s = 0.5 + step * beat_s / part
            if part == 4 and rng.random() < 0.4:  # swing: every second sixteenth late
                grid_s += np.where(step % 2, rng.choice([1 / 24, 1 / 12]) * beat_s, 0)
            spread_s = rng.choice([0.0015, 0.003, 0.006])
            for off_s in (0.0, spread_s):
                hit_s = np.sort(np.round(grid_s + off_s * rng.normal(size=len(grid_s)), int(rng.choice([3, 4, 6]))))
                path.write_text("hit_s\n" + "\n".join(f"{one:.6f}" for one in hit_s))
                _, said = hits.find(
                    Recording("take", str(path), date(2031, 5, 3), "", "song"), None, machine, Detection()
                )
                refused += off_s == 0 and "on a grid" in said["refused"]
                wrong += off_s > 0 and said["refused"] != ""
    return n, refused, n, wrong


def main() -> None:
    """Hear the takes; print each miss and false alarm, then a line a fault."""
    given = [int(word) for word in sys.argv[1:]]
    first, n = (given + [FIRST_SEED, N_TAKES][len(given) :])[:2]
    counted = {fault.__name__: [0, 0] for fault in FAULTS}
    false, n_heard = {}, 0
    for seed in range(first, first + n):
        take = make_take(seed)
        for number, fault in enumerate((None, *FAULTS)):
            rng = np.random.default_rng([seed, 52, number])
            faulty = Faulty(take, "nothing at all") if fault is None else fault(take, rng)
            if faulty is None:
                continue
            said, n_heard = said_of(faulty.take), n_heard + 1
            mine = [sentence for sentence in said if is_named(faulty, sentence)]
            if fault is not None:
                counted[fault.__name__][0] += 1
                counted[fault.__name__][1] += bool(mine)
            size = "" if faulty.size is None else f" {faulty.size:.1f}"
            what = f"{seed} {take.kind} ({take.rate_hz} {take.subtype}), {faulty.word}{size}"
            if fault is not None and not mine:
                print(f"{what}: MISSED", flush=True)
            for sentence in said:
                if sentence not in mine and not sentence.startswith(faulty.besides or ("nothing",)):
                    name = sentence.split(":")[0]
                    false.setdefault(name, []).append(what)
                    print(f"{what}: FALSE {sentence.split(';')[0]}", flush=True)
                elif "-v" in os.environ.get("SHOW", ""):
                    print(f"{what}: {sentence}")
    print(f"{n_heard} takes heard")
    for name, (made, found) in counted.items():
        print(f"{name:12s} found {found} of {made} ({found / max(made, 1):.3f})")
    for name, where in sorted(false.items()):
        print(f"false '{name}': {len(where)} of {n_heard} takes ({len(where) / n_heard:.3f})")
    made, refused, played, wrong = grids(first, 10 * n)
    print(f"lists on a grid: {refused} of {made} refused; of lists as played {wrong} of {played} refused")


if __name__ == "__main__":
    main()
