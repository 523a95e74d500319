"""Make sound takes of many awkward kinds, which `hits_health` then spoils.

A take is a random machine of the demo's simulator (own microphones that leak, or one in the room) or real percussion
sounds (`hits_scenes`), most with a looped-back click, of every awkward kind of `AWKWARD` in turn, at 22.05 to 96 kHz in
16 bit, 24 bit or float.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import resample_poly

from demo import chance, sound, tune
from demo import machine as simulator
from tests.benchmarks import hits_scenes

AWKWARD = (
    "plain", "quiet", "dense", "ringing", "rest", "stalls", "uneven", "crescendo", "passages", "one rests", "bright",
    "room", "room dense", "samples", "samples mixed", "click changes", "click accented", "noise varies", "low drums",
    "sparse",
)  # fmt: skip
RATES_HZ = (22_050, 44_100, 44_100, 48_000, 48_000, 48_000, 48_000, 96_000)
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


def make_take(seed: int, kinds: tuple[str, ...] = AWKWARD) -> Take:
    """Make a sound take of the awkward kind that is due."""
    rng = np.random.default_rng([seed, 50])
    kind = kinds[seed % len(kinds)]
    if kind.startswith("samples"):
        take = _samples_take(rng, kind, seed)
    else:
        take = _workshop_take(rng, kind, seed)
    rate_hz = int(rng.choice(RATES_HZ))
    if rate_hz != take.rate_hz:
        divisor = np.gcd(rate_hz, take.rate_hz)
        samples = resample_poly(take.samples, rate_hz // divisor, take.rate_hz // divisor, axis=0)
        take = replace(take, samples=samples, rate_hz=rate_hz)
    subtype = str(rng.choice(["PCM_16", "PCM_24", "PCM_24", "FLOAT"]))
    return replace(take, samples=take.samples.astype(np.float32), subtype=subtype)


def _workshop_take(rng, kind: str, seed: int) -> Take:
    n = int(rng.integers(2, 5))
    machine = chance.random_machine(n, seed)
    bpm = float(np.round(rng.uniform(80, 126), 1))
    duration_s = {"rest": 52, "stalls": 52, "sparse": 68}.get(kind, 34)
    per_bar = 26 if "dense" in kind else rng.uniform(1.5, 4) if kind == "sparse" else rng.uniform(5, 10)
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
