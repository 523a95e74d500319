"""Print how often each fault of a recording is found, and how often one is said that is not there.

Run: python -m tests.benchmarks.hits_health [first_seed] [n_takes] [word ...]; about 6 s a take. Words (`FAULTS`,
`sound`, `lists`) choose what is studied, those of `AWKWARD` the kinds of takes: a fault that few takes can show is
studied alone, e.g. a limiter by `limiter sparse`.

A sound take (`hits_takes`) is heard as it is: whatever is said is a false alarm. Then it is heard twice with faults,
one of the click or the clock and another in each channel: whatever else is said is a false alarm, too. How bad the
faults are, drawn evenly:

clipped            1 to 10 dB over, at full scale or in an analogue stage below it (then with droop and noise)
hum                mains, up to 8 harmonics, 3 to 25 dB above what is there at the quietest moments, at least -68 dB
rumble             8 to 35 Hz, a tone that swells or noise, 3 to 25 dB above, at least -68 dB
gate               closes 20 to 45 dB under the peak after 30 to 200 ms, where that silences 15 % of the time
limiter            takes 3 to 15 dB off the loudest strike, 2:1 to all above a level, within 0 to 5 ms, and comes back
                   in 0.15 to 0.6 s; where it moves the strikes' levels against each other by 1 dB, which 3 dB do seldom
                   and 9 dB mostly; where, without it, the noise shows before and after eight sounds
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
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import soundfile
from scipy.fft import next_fast_len
from scipy.signal import butter, lfilter, resample

from pipeline import hits
from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker
from tests.benchmarks.hits_takes import AWKWARD, Take, make_take

FIRST_SEED, N_TAKES = 61_000, 12
TIMES = 2  # each take is spoilt
CONFIDENCE = 1.96  # standard errors: 95 %
# Root mean square: about the smallest change of level one hears (Jesteadt, Wier & Green 1977, "Intensity discrimination
# as a function of frequency and sensation level").
MOVED_DB = 1.0
SLIGHT = " (slight)"  # after the word of a fault whose sentence is not owed


@dataclass(frozen=True)
class Faulty:
    """A take with a fault: the word it is to be named with, the column (None: all), and its size if it has one."""

    take: Take
    word: str
    column: int | None = None
    size: float | None = None
    besides: tuple[str, ...] = ()  # what may rightly be said of the column, too
    spoilt: tuple[int, ...] = ()  # columns that hold no other fault, beside its own
    owed: bool = True  # else it may be said, or not


@dataclass
class Count:
    """How often a fault was made, at which sizes, and whether it was found."""

    found: list[bool] = field(default_factory=list)
    size: list[float] = field(default_factory=list)


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


def _striker(take: Take, free: set[int], rng) -> int | None:
    """Return a striker's column that is still sound, if there is one."""
    columns = [column for column in take.strikers if column in free]
    return int(rng.choice(columns)) if columns else None


def clip(take: Take, free: set[int], rng) -> Faulty | None:
    """Cut a channel off, at three moments at least."""
    column, over_db = _striker(take, free, rng), rng.uniform(1, 10)
    if column is None:
        return None
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


def hum(take: Take, free: set[int], rng) -> Faulty | None:
    """Add mains hum whose frequency wanders a little, as the mains' does."""
    column, above_db = _striker(take, free, rng), rng.uniform(3, 25)
    if column is None:
        return None
    wander_hz = np.interp(np.arange(len(take.samples)), [0, len(take.samples)], rng.uniform(-0.06, 0.06, 2))
    phase = 2 * np.pi * np.cumsum(50 + wander_hz) / take.rate_hz
    harmonic = np.arange(1, int(rng.integers(2, 9)))
    gain = harmonic ** -rng.uniform(0.3, 1.5) * rng.uniform(0.4, 1, len(harmonic))
    wave = sum(g * np.sin(h * phase + rng.uniform(0, 6.28)) for g, h in zip(gain, harmonic, strict=True))
    wave *= 10 ** (max(rms_db(take, column) + above_db, -68) / 20) / wave.std()
    return Faulty(_with(take, column, take.samples[:, column] + wave), "hum", column, above_db)


def rumble(take: Take, free: set[int], rng) -> Faulty | None:
    """Add what a stand on a shaking floor hears."""
    column, above_db = _striker(take, free, rng), rng.uniform(3, 25)
    if column is None:
        return None
    time = np.arange(len(take.samples)) / take.rate_hz
    if rng.random() < 0.5:
        wave = np.sin(2 * np.pi * rng.uniform(8, 35) * time) * (1 + 0.4 * np.sin(2 * np.pi * 0.3 * time))
    else:
        wave = lfilter(*butter(2, [8, 30], "band", fs=take.rate_hz), rng.normal(size=len(time)))
    wave *= 10 ** (max(rms_db(take, column) + above_db, -68) / 20) / wave.std()
    return Faulty(_with(take, column, take.samples[:, column] + wave), "rumble", column, above_db)


def gate(take: Take, free: set[int], rng) -> Faulty | None:
    """Silence a channel between strikes; its size is the share of the time that is silent."""
    column = _striker(take, free, rng)
    if column is None:
        return None
    samples, block = take.samples[:, column].copy(), max(1, take.rate_hz // 1000)
    n = len(samples) // block
    level, struck = _heights(samples, block)
    threshold = struck * 10 ** (-rng.uniform(20, 45) / 20)
    hold = int(rng.integers(30, 200))
    open_ = np.convolve(level > threshold, np.ones(hold), "full")[:n] > 0
    fade = int(rng.choice([1, 20]))
    gain = np.convolve(open_, np.ones(fade) / fade, "full")[:n]
    samples[: n * block] *= np.repeat(gain, block)
    silent = (gain == 0).mean()
    if silent < 0.15 or open_.mean() < 0.02:
        return None
    return Faulty(_with(take, column, samples), "gate", column, silent)


def limit(take: Take, free: set[int], rng) -> Faulty | None:
    """Turn a channel down where it is loud, and up again slowly; its size is how far at most (dB).

    The sentence is owed where the levels of the strikes differ by `MOVED_DB` from what they would be, after a common
    change: moments do not move (at 12 dB 95 % stay within 0.005 ms), so less than that changes nothing one could hear.
    """
    columns = [column for column in take.strikers if column in free and _noise_shows(take, column)]
    if not columns:
        return None
    column = int(rng.choice(columns))
    samples, block = take.samples[:, column], max(1, take.rate_hz // 2000)
    level, _ = _heights(samples, block)
    off_db, ratio = rng.uniform(3, 15), rng.choice([2, 4, 10, np.inf])
    wanted_db = np.maximum(off_db + (1 - 1 / ratio) * 20 * np.log10(level / level.max() + 1e-9), 0)
    attack_s, release_s = rng.choice([0.0, 0.0005, 0.002, 0.005]), rng.uniform(0.15, 0.6)
    held_db = _follow(wanted_db, *(1 - np.exp(-block / take.rate_hz / np.array([attack_s + 1e-9, release_s]))))
    if not attack_s:  # it looks ahead
        held_db = np.maximum(held_db, np.append(held_db[1:], 0.0))
    middle = (np.arange(len(level)) + 0.5) * block
    samples = samples * 10 ** (-np.interp(np.arange(len(samples)), middle, held_db) / 20)
    owed = held_db[_peaks(level, round(0.05 * take.rate_hz / block))].std() >= MOVED_DB
    if take.kind == "one rests":  # where the striker rests there are no levels, only what leaks in
        owed &= column != take.strikers[np.abs(take.samples[:, take.strikers]).max(axis=0).argmin()]
    return Faulty(_with(take, column, samples), "limiter", column, held_db.max(), owed=bool(owed))


def _follow(wanted_db: np.ndarray, rise: float, fall: float) -> np.ndarray:
    """Return what a limiter turns down: each block it takes a share `rise` of the way up, or `fall` of that to 0."""
    held_db, followed = 0.0, []
    for one in wanted_db.tolist():
        held_db = max(held_db + rise * (one - held_db), held_db * (1 - fall))
        followed.append(held_db)
    return np.array(followed)


def _peaks(level: np.ndarray, reach: int) -> np.ndarray:
    """Return the blocks that are the loudest within reach, down to 15 dB under the loudest: the strikes."""
    at = np.flatnonzero(level > level.max() * 10 ** (-15 / 20))
    return np.array([k for k in at if level[k] >= level[max(k - reach, 0) : k + reach + 1].max()])


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
    start = start[(start >= 12) & (start + 60 < len(level))]
    quiet_after = [level[k + 20 : k + 30].mean() < 1.6 * floor for k in start]
    quiet_before = [level[k - 12 : k - 2].mean() < 1.6 * floor for k in start]
    return sum(a and b for a, b in zip(quiet_after, quiet_before, strict=True)) >= 8


def touch_gain(take: Take, free: set[int], rng) -> Faulty | None:
    """Turn a knob once."""
    column = _striker(take, free, rng)
    if column is None:
        return None
    if take.kind == "one rests":  # a channel without strikes has only noise to go by
        columns = [one for one in take.strikers if one in free]
        column = int(columns[np.abs(take.samples[:, columns]).max(axis=0).argmax()])
    if _share_of_noise(take, column) < 0.2:
        return None
    step_db = rng.uniform(3, 12) * rng.choice([-1, 1])
    n = len(take.samples)
    at, ramp = rng.uniform(0.25, 0.75) * n, rng.uniform(0.02, 1) * take.rate_hz
    gain_db = np.interp(np.arange(n), [at, at + ramp], [0, step_db]) - max(step_db, 0)
    samples = take.samples[:, column] * 10 ** (gain_db / 20)
    return Faulty(_with(take, column, samples), "gain touched", column, abs(step_db))


def die(take: Take, free: set[int], rng) -> Faulty | None:
    """Pull a plug."""
    column, all_ = _striker(take, free, rng), set(range(len(take.hears)))
    alone = len(take.strikers) == 1  # then the recording is refused, and no other fault can be named
    if column is None or len(all_) < 2 or (alone and free != all_):
        return None
    n, how = len(take.samples), rng.integers(3)
    time = np.arange(n) / take.rate_hz
    wave = [np.zeros(n), rng.normal(size=n) * 10 ** (-85 / 20), 0.003 * np.sin(2 * np.pi * 50 * time)][how]
    wave += (how == 2) * rng.normal(size=n) * 1e-5
    return Faulty(_with(take, column, wave), "dead", column, None, ("hum",), tuple(all_) if alone else ())


def copy(take: Take, free: set[int], rng) -> Faulty | None:
    """Send one microphone to two channels."""
    columns = [column for column in take.strikers if column in free]
    if len(columns) < 2:
        return None
    one, two = (int(column) for column in rng.permutation(columns)[:2])
    gain = 10 ** (rng.uniform(-12, 12) / 20) * rng.choice([-1, 1])
    gain /= max(1.0, np.abs(gain * take.samples[:, one]).max())
    samples = gain * take.samples[:, one] + rng.normal(size=len(take.samples)) * 10 ** (-90 / 20)
    return Faulty(_with(take, two, samples), "identical", two, None, (), (one,))


def swap(take: Take, free: set[int], rng) -> Faulty | None:
    """Plug the click and a striker into each other's inputs."""
    column = _striker(take, free, rng)
    if take.click not in free or column is None:
        return None
    order = np.arange(len(take.hears))
    order[[take.click, column]] = column, take.click
    return Faulty(replace(take, samples=take.samples[:, order]), "swapped", take.click, None, (), (column,))


def drop_out(take: Take, free: set[int], rng) -> Faulty | None:
    """Lose or double buffers, all channels together; its size is a buffer's length (ms)."""
    if take.click not in free:
        return None
    samples, size = take.samples, 2 ** rng.uniform(6, 11) * take.rate_hz / 48_000
    at = np.sort(rng.uniform(0.12, 0.88, int(rng.integers(1, 4))))
    for part in at[::-1]:
        k, length = int(part * len(samples)), max(1, round(size))
        again = samples[k : k + length] if rng.random() < 0.5 else samples[:0]
        samples = np.concatenate([samples[:k], again, again, samples[k + length :]])
    return Faulty(replace(take, samples=samples), "dropout", take.click, size / take.rate_hz * 1000)


def thin(take: Take, free: set[int], rng) -> Faulty | None:
    """Plug contact microphones into inputs of a few kilohm; its size is the corner of the high pass (Hz)."""
    if len(take.strikers) < 2 or not free >= set(take.strikers):
        return None
    samples, corner_hz = take.samples.copy(), rng.uniform(2000, 8000)
    pair = butter(1, corner_hz, "high", fs=take.rate_hz)
    samples[:, take.strikers] = lfilter(*pair, samples[:, take.strikers], axis=0)
    samples[:, take.strikers] += rng.normal(size=(len(samples), len(take.strikers))) * 10 ** (-85 / 20)
    spoilt = tuple(int(column) for column in take.strikers)
    return Faulty(replace(take, samples=samples), "thin", None, corner_hz, (), spoilt)


def exact_click(take: Take, free: set[int], rng) -> Faulty | None:
    """Put the sequencer's own click in the place of the looped-back one."""
    if take.click not in free or take.bpm is None:
        return None
    n, wave = len(take.samples), np.sin(np.arange(300) * rng.uniform(0.1, 0.5)) * np.linspace(0.5, 0, 300)
    samples = np.zeros(n)
    for number, at_s in enumerate(np.arange(0.3, n / take.rate_hz - 0.5, 60 / take.bpm)):
        at = round(at_s * take.rate_hz)
        samples[at : at + 300] = wave * (1.0 if number % 4 == 0 else 0.6)
    if rng.random() < 0.4 and take.subtype != "PCM_16":  # dither of 16 bit is as loud as a cable
        samples += np.round(rng.uniform(-1, 1, n)) * 2**-23
    return Faulty(_with(take, take.click, samples), "click not looped back", take.click)


def two_clocks(take: Take, free: set[int], rng) -> Faulty | None:
    """Record with a clock of its own."""
    if take.click not in free or take.bpm is None:
        return None
    ppm = rng.uniform(40, 300) * rng.choice([-1, 1])
    # Band-limited, over a length that the transform likes: straight lines between samples would swell the noise.
    n = next_fast_len(len(take.samples), real=True)
    resampled = round(n / (1 + ppm * 1e-6))  # ppm > 0: fewer samples a second
    samples = resample(np.pad(take.samples, ((0, n - len(take.samples)), (0, 0)), mode="edge"), resampled, axis=0)
    samples = samples[: round(len(take.samples) * resampled / n) - 1]
    return Faulty(replace(take, samples=samples), "two clocks", take.click, abs(ppm))


OF_ALL = {"clocks": two_clocks, "swapped": swap, "dropout": drop_out, "click": exact_click}  # one of them a take
OF_CHANNELS = {
    "clipped": clip, "hum": hum, "rumble": rumble, "gate": gate, "limiter": limit, "gain": touch_gain, "dead": die,
    "identical": copy, "thin": thin,
}  # fmt: skip
FAULTS = OF_ALL | OF_CHANNELS
WORDS = (
    "clipped", "hum", "rumble", "gate", "limiter", "gain touched", "dead", "identical", "swapped", "dropout", "thin",
    "click not looped back", "two clocks",
)  # fmt: skip


def spoil(take: Take, rng: np.random.Generator, words: set[str]) -> tuple[Take, list[Faulty]]:
    """Put faults into a take, of those chosen, until no column is sound or no fault fits."""
    free, made = set(range(len(take.hears))), []
    for word in [*rng.permutation(list(OF_ALL)), *rng.permutation(list(OF_CHANNELS))]:
        faulty = FAULTS[word](take, free, rng) if word in words else None
        if faulty is not None:
            take = faulty.take
            free -= {faulty.column, *faulty.spoilt}
            made.append(replace(faulty, take=None))
    return take, made


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
    return sentence.startswith(faulty.word) and _on_its_channel(faulty, sentence)


def is_right(faulty: Faulty, sentence: str) -> bool:
    """Tell whether a sentence may be said of a fault: it names it, or something that comes with it."""
    if is_named(faulty, sentence):
        return True
    return bool(faulty.besides) and sentence.startswith(faulty.besides) and _on_its_channel(faulty, sentence)


def _on_its_channel(faulty: Faulty, sentence: str) -> bool:
    if faulty.column is None:
        return True
    return faulty.column + 1 in channels_of(sentence)


def channels_of(sentence: str) -> set[int]:
    """Return the channels that a sentence names first: 'channels 5 (oak, the worst), 1 and 7 to 9'."""
    listed = re.search(r"channels? ((?:\d+(?: to \d+)?(?:,? and |, )?)*)", re.sub(r" \([^)]*\)", "", sentence))
    ends = [part.split(" to ") for part in re.split(r", | and ", listed[1]) if part] if listed else []
    return {number for first, *last in ends for number in range(int(first), int((last or [first])[0]) + 1)}


def grids(first: int, n: int) -> tuple[int, int]:
    """Return how many of `n` lists on a grid, and of `n` lists as played, are refused."""
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
    return refused, wrong


def share(k: int, n: int) -> str:
    """Return 'k of n (share, interval)' with the interval of Wilson (1927) that holds the true share in 95 %."""
    if not n:
        return "0 of 0"
    p, z2 = k / n, CONFIDENCE**2
    middle, half = (p + z2 / 2 / n) / (1 + z2 / n), np.sqrt(z2 * (p * (1 - p) / n + z2 / 4 / n**2)) / (1 + z2 / n)
    return f"{k} of {n} ({p:.3f}, {middle - half:.3f} to {middle + half:.3f})"


def by_size(count: Count) -> str:
    """Return the share found in each third of the sizes."""
    if len(count.size) < 9:
        return ""
    order = np.argsort(count.size, kind="stable")
    size, found = np.array(count.size)[order], np.array(count.found)[order]
    return "; ".join(
        f"{size[part].min():.3g} to {size[part].max():.3g}: {found[part].mean():.2f}"
        for part in np.array_split(np.arange(len(size)), 3)
    )


def hear(sound: Take, seed: int, words: set[str], counted: dict[str, Count], false: dict[str, int]) -> int:
    """Hear one take as it is and with faults; print what is missed and what is wrongly said; return how often heard."""
    heard = 0
    for number in range(1 + TIMES):
        take, made = (sound, []) if number == 0 else spoil(sound, np.random.default_rng([seed, 52, number]), words)
        if (number == 0 and "sound" not in words) or (number > 0 and not made):
            continue
        said, heard = said_of(take), heard + 1
        what = f"{seed}/{number} {take.kind} ({take.rate_hz} {take.subtype})"
        for faulty in made:
            found = any(is_named(faulty, sentence) for sentence in said)
            count = counted[faulty.word if faulty.owed else faulty.word + SLIGHT]
            count.found.append(found)
            count.size += [] if faulty.size is None else [faulty.size]
            if faulty.owed and not found:
                where = "" if faulty.column is None else f" channel {faulty.column + 1}"
                print(f"{what}: MISSED {faulty.word}{where} {faulty.size or 0:.3g}", flush=True)
        wrong = [sentence for sentence in said if not any(is_right(faulty, sentence) for faulty in made)]
        for name in {sentence.split(":")[0] for sentence in wrong}:
            false[name] = false.get(name, 0) + 1
        for sentence in wrong:
            with_ = ", ".join(faulty.word for faulty in made) or "sound"
            print(f"{what}, {with_}: FALSE {sentence.split(';')[0]}", flush=True)
    return heard


def main() -> None:
    """Hear the takes; print each miss and false alarm, then a line a fault."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    given = [word for word in sys.argv[1:] if not word.isdigit()]
    if unknown := set(given) - {*FAULTS, *AWKWARD, "sound", "lists"}:
        raise SystemExit(f"expected {', '.join([*FAULTS, 'sound', 'lists', *AWKWARD])}; found {', '.join(unknown)}")
    kinds = tuple(word for word in AWKWARD if word in given) or AWKWARD
    words = set(given) - set(AWKWARD) or {*FAULTS, "sound", "lists"}
    first, n = (numbers + [FIRST_SEED, N_TAKES][len(numbers) :])[:2]
    counted, false, n_heard = {word + how: Count() for word in WORDS for how in ("", SLIGHT)}, {}, 0
    if words != {"lists"}:
        for seed in range(first, first + n):
            n_heard += hear(make_take(seed, kinds), seed, words, counted, false)
    print(f"{n_heard} takes heard")
    for name, count in counted.items():
        if count.found:
            print(f"{name:21s} found {share(sum(count.found), len(count.found))}  {by_size(count)}")
    for name, times in sorted(false.items()):
        print(f"false '{name}': {share(times, n_heard)} takes")
    if "lists" in words:
        refused, wrong = grids(first, 10 * n)
        print(f"lists on a grid refused: {share(refused, 10 * n)}; lists as played: {share(wrong, 10 * n)}")


if __name__ == "__main__":
    main()
