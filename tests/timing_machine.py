"""A machine straight from the model's equations, for coverage and recovery tests (nothing physical in it)."""

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing import Take

DAY = date(2031, 5, 3)
BEAT_S = 0.625  # 96 quarter notes per minute
BEATS_PER_TURN = 32


@dataclass
class Wobble:
    """A shaft out of true: late by amplitude × sin 2π (order × turn + phase)."""

    order: float  # cycles per turn of the barrel
    amplitude_s: float
    phase: float | None = None  # None: drawn for each take
    creep_sd: float = 0.0  # by which the order differs from take to take


@dataclass
class Slip:
    """The barrel falls behind in one take: at once, or in a smooth stumble of so many beats."""

    take: str
    beat: float
    size_s: float
    within_beat: float = 0.0


@dataclass
class Truth:
    """What is hidden in the takes; per striker or per pin."""

    delay_s: np.ndarray
    drag: np.ndarray
    company_s: np.ndarray
    readiness_s: np.ndarray
    pin_s: np.ndarray
    recovery_beats: float = 8.0
    ready_s: float = 0.25
    speed_sd: float = 0.005
    speed_beats: float = 8.0
    jitter_s: float = 0.0015
    jitter_df: float = np.inf
    missed: float = 0.03
    tempo_sd: float = 0.01
    wobbles: tuple = ()
    slips: tuple = ()
    rate: list = field(default_factory=list)  # per take: (score_beat, tempo in bpm) of the half beats
    course: list = field(default_factory=list)  # per take: the Course of the half beats


@dataclass
class Course:
    """How one take went at half beats, the first and the last but one included."""

    score_beat: np.ndarray
    slow: np.ndarray  # by how much more time it takes than on the straight line through its places at the notes
    load: np.ndarray  # part of that by load, less its own straight line


def make_notes(
    chance, n_strikers=12, bars=72, beats_per_bar=4, density=(0.5, 1.1), sections="ABACAB", rolled=True
) -> pa.Table:
    """Compose sections that repeat, of different density, on a grid of half and quarter beats."""
    kinds = {}
    lengths = np.full(len(sections), bars // len(sections))
    lengths[-1] += bars - lengths.sum()
    rows, start = [], 0
    for name, length in zip(sections, lengths, strict=True):
        if name not in kinds:
            thick = density[0] + (density[1] - density[0]) * (ord(name) - ord("A")) / 2
            cells = []
            for cell in range(int(length) * beats_per_bar * 4):
                often = thick * (0.5 if cell % 4 == 0 else 0.3 if cell % 2 == 0 else 0.1) / 4.5
                cells += [(cell / 4, s) for s in np.flatnonzero(chance.random(n_strikers) < often)]
            # A roll every other bar, so that striker 1 is often asked again soon.
            rolls = [(bar * beats_per_bar + 2 + k / 4, 1) for bar in range(0, int(length), 2) for k in range(4)]
            kinds[name] = sorted(set(cells) | set(rolls[: 4 * rolled * int(length)]))
        rows += [
            (start + beat, s, f"{name} at {start // beats_per_bar + 1}")
            for beat, s in kinds[name]
            if beat < length * beats_per_bar
        ]
        start += int(length) * beats_per_bar
    return notes_of(rows, beats_per_bar)


def notes_of(rows, beats_per_bar=4, beat_s=BEAT_S) -> pa.Table:
    """Return the contract 'notes' for (score_beat, striker number, passage)."""
    frame = pd.DataFrame(rows, columns=["score_beat", "striker", "passage"]).sort_values(["score_beat", "striker"])
    n = len(frame)
    beat = frame["score_beat"].to_numpy(dtype=float)
    return tables.build(
        "notes",
        {
            "note_id": np.arange(n),
            "pin_id": np.arange(n),
            "bar": (beat // beats_per_bar).astype(int) + 1,
            "beat_in_bar": beat % beats_per_bar + 1,
            "bar_start_beat": beat // beats_per_bar * beats_per_bar,
            "bar_beats": np.full(n, float(beats_per_bar)),
            "score_beat": beat,
            "score_s": beat * beat_s,
            "striker": [f"striker {s}" for s in frame["striker"]],
            "pitch": 60 + frame["striker"].to_numpy(),
            "velocity": np.full(n, 90),
            "passage": frame["passage"].tolist(),
            "barrel_turn": beat / BEATS_PER_TURN,
        },
    )


def make_machine(n_strikers=12) -> settings.Machine:
    return settings.Machine(
        barrel=settings.Barrel(8.0, 420.0),
        shafts=(settings.Shaft("flywheel", 6.5),),
        flywheel=settings.Flywheel(inertia_kg_m2=1.9, diameter_mm=600),
        strikers=tuple(settings.Striker(f"striker {s}", (60 + s,)) for s in range(n_strikers)),
    )


def make_truth(chance, notes, n_strikers=12, misplaced=0.03, pin_sd_s=0.001) -> Truth:
    """Draw hidden truth: mean drag .5 %, delays 3 ms, one in thirty pins off by 6 to 20 ms."""
    drag = chance.uniform(0.3, 1.7, n_strikers)
    delay = chance.normal(0, 0.003, n_strikers)
    n_pins = len(notes)
    far = chance.random(n_pins) < misplaced
    pins = np.where(
        far, chance.uniform(0.006, 0.02, n_pins) * chance.choice([-1, 1], n_pins), chance.normal(0, pin_sd_s, n_pins)
    )
    zero = np.zeros(n_strikers)
    return Truth(delay - delay.mean(), 0.005 * drag / drag.mean(), zero, zero.copy(), pins)


def make_takes(chance, notes, truth, n=5, rounds=1, names=None) -> list[Take]:
    """Play the notes `n` times."""
    return [make_take(chance, notes, truth, f"take-{k + 1}" if names is None else names[k], rounds) for k in range(n)]


def make_take(chance, notes, truth, name="take-1", rounds=1, speed=None, start_s=2.0) -> Take:
    """Play the notes once (or `rounds` times round); `speed` is the mean relative speed."""
    frame = notes.to_pandas()
    length = np.ceil(frame["score_beat"].max() / 4 + 1e-6) * 4
    one = frame["score_beat"].to_numpy()
    beat_s = frame["score_s"].iloc[-1] / one[-1] if one[-1] else BEAT_S
    playthrough = np.repeat(np.arange(rounds), len(frame)) + 1
    u = np.tile(one, rounds) + (playthrough - 1) * length
    striker = np.tile(frame["pitch"].to_numpy() - 60, rounds)
    missed = chance.random(len(u)) < truth.missed
    speed = 1 + chance.normal(0, truth.tempo_sd) if speed is None else speed
    omega = speed / beat_s
    grid = np.arange(0, rounds * length, 0.25)
    places = np.unique(np.concatenate([u, grid]))
    f, _ = _motion(chance, places, truth.speed_sd / omega, truth.speed_beats)

    # A strike takes the same energy from a slower barrel: a larger share. And recovery takes its time, not its beats.
    share = np.where(missed, 0, truth.drag[striker]) / speed**2
    loaded = _loaded(u, share, truth.recovery_beats * speed, rounds * length)

    waves = [_wave(chance, one) for one in truth.wobbles]
    slips = [one for one in truth.slips if one.take == name]

    def curve(at):
        slow_s = f[np.searchsorted(places, at)] + np.interp(at, *loaded) / omega
        odd_s = sum(wave(at / BEATS_PER_TURN) for wave in waves) + sum(_slipped(one, at) for one in slips)
        return start_s + at / omega + slow_s + odd_s

    mean = truth.drag[striker].mean()
    heavy = truth.drag / mean if mean > 0 else np.ones(len(truth.drag))
    # A pin far out of place comes alone.
    comes_s = u * beat_s + np.where(np.abs(pin_s := np.tile(truth.pin_s, rounds)) >= 0.006, pin_s, 0.0)
    near = np.abs(comes_s[:, None] - comes_s[None, :]) <= 0.015
    weight = np.where(missed, 0, heavy[striker])
    company = near @ weight - weight
    gap = np.full(len(u), np.inf)
    last = {}
    for k in range(len(u)):
        if striker[k] in last:
            gap[k] = (u[k] - last[striker[k]]) / omega
        if not missed[k]:
            last[striker[k]] = u[k]
    e = truth.jitter_s * (
        chance.normal(size=len(u)) if np.isinf(truth.jitter_df) else chance.standard_t(truth.jitter_df, len(u))
    )
    # A pin out of place is out by an angle: it costs more time where the barrel turns slower.
    slower = (1 + (np.interp(u + 0.25, *loaded) - np.interp(u - 0.25, *loaded)) / 0.5) / speed
    hit = curve(u) + truth.delay_s[striker] + truth.company_s[striker] * company
    hit = hit + truth.readiness_s[striker] * np.exp(-gap / truth.ready_s) + pin_s * slower + e
    half = np.arange(0.5, rounds * length - 0.5, 0.5)
    truth.rate.append((half, 0.5 / (curve(half + 0.25) - curve(half - 0.25)) * 60))
    truth.course.append(_course(curve, loaded, u[~missed], half, omega))
    return take_of(notes, hit, missed, playthrough, name)


def _wave(chance, wobble):
    """Return the lateness by a wobble as a function of the barrel's turn, in one take."""
    phase = chance.random() if wobble.phase is None else wobble.phase
    order = wobble.order * (1 + wobble.creep_sd * chance.normal())
    return lambda turn: wobble.amplitude_s * np.sin(2 * np.pi * (order * turn + phase))


def _slipped(slip, at):
    """Return the lateness by a slip at places of the score, beats."""
    if not slip.within_beat:
        return slip.size_s * (at > slip.beat)
    gone = np.clip((at - slip.beat) / slip.within_beat, 0, 1)
    return slip.size_s * (1 - np.cos(np.pi * gone)) / 2


def _course(curve, loaded, struck, half, omega) -> Course:
    """Return the true speed at half beats."""
    if len(half) == 0 or len(np.unique(struck)) < 2:
        return Course(*np.zeros((3, 0)))
    pace = np.polyfit(struck, curve(struck), 1)[0]
    begin = np.concatenate([[0.0], half - 0.25, [half[-1] + 0.25]])
    end = np.concatenate([[0.25], half + 0.25, [half[-1] + 0.5]])
    width = end - begin
    slower = (np.interp(end, *loaded) - np.interp(begin, *loaded)) / width
    slope = np.polyfit(struck, np.interp(struck, *loaded), 1)[0]
    slow = (curve(end) - curve(begin)) / (pace * width) - 1
    return Course(np.concatenate([[0.0], half, [half[-1] + 0.5]]), slow, (slower - slope) / omega / pace)


def take_of(notes, hit_s, missed, playthrough, name="take-1", clicks=(), rig=None, segment=None, said=None) -> Take:
    """Wrap strikes as a Take with tables under their contracts."""
    frame = notes.to_pandas()
    rounds = len(hit_s) // len(frame)
    column = {key: np.tile(frame[key].to_numpy(), rounds) for key in frame}
    played_s = np.where(missed, np.nan, hit_s)
    every = np.concatenate([played_s[~missed], clicks])
    order = np.argsort(np.argsort(every, kind="stable"), kind="stable")
    hit_id = np.full(len(hit_s), np.nan)
    hit_id[~missed] = order[: (~missed).sum()]
    n = len(every)
    strikers = np.concatenate([column["striker"][~missed], np.full(len(clicks), None, dtype=object)])
    hits = tables.build(
        "hits",
        {
            "hit_id": order,
            "channel": np.ones(n, dtype=int),
            "hit_s": every,
            "hit_se": np.full(n, 5e-5),
            "level_db": np.full(n, -12.0),
            "snr_db": np.full(n, 30.0),
            "probability": np.ones(n),
            "striker": pa.array(strikers.tolist(), pa.string()),
            "kind": ["strike"] * int((~missed).sum()) + ["click"] * len(clicks),
            "bands_db": pa.array([[0.0] * 12] * n, pa.list_(pa.float32(), 12)),
        },
    )
    rows = len(hit_s)
    aligned = tables.build(
        "aligned",
        {
            "arrangement": ["song"] * rows,
            "session": [1] * rows,
            "setup": [""] * rows,
            "playthrough": playthrough,
            "segment": np.ones(rows, dtype=int) if segment is None else segment,
            "status": np.where(missed, "missed", "played").tolist(),
            "note_id": column["note_id"].astype(float),
            "pin_id": column["pin_id"].astype(float),
            "hit_id": hit_id,
            "striker": column["striker"].tolist(),
            "bar": column["bar"].astype(float),
            "beat_in_bar": column["beat_in_bar"],
            "passage": column["passage"].tolist(),
            "score_beat": column["score_beat"],
            "score_s": column["score_s"],
            "hit_s": played_s,
            "hit_se": np.where(missed, np.nan, 5e-5),
            "shared": np.where(missed, 0, 1),
            "confidence": np.where(missed, np.nan, 1.0),
        },
    )
    recording = settings.Recording(name, f"{name}.wav", DAY, "full", "song")
    return Take(recording, aligned, hits, {"refused": "", "health": [], "duration_s": 200.0} | (said or {}), rig)


def make_group(takes) -> settings.Group:
    return settings.Group("song", DAY, 1, "", tuple(take.recording for take in takes))


def _loaded(u, share, recovery_beats, length, step=0.01):
    """Return places and the lateness there, in beats, by integrating the balance of energy step by step.

    With the speed v over its mean under load and y = (v² − 1)/2: torque that falls with v gives
    dy/du = a − (v − 1)/τ, a strike takes its share from y. `a`, and y at the start, are what make the mean of 1/v one.
    """
    order = np.argsort(u)
    u, share = u[order], share[order]
    place = np.union1d(np.arange(0, length + step, step), u)
    first = np.searchsorted(u, place, side="left")  # a strike has not yet acted where it is
    taken = np.diff(np.concatenate([[0.0], np.cumsum(share)])[first])
    a, begun = share.sum() / length, min(share.sum() / length * recovery_beats, 0.3)
    for _ in range(4):
        y, speed = begun, np.empty(len(place))
        for k, (gone, loss) in enumerate(zip(np.diff(place), taken, strict=True)):
            speed[k] = np.sqrt(1 + 2 * y)
            y += gone * (a - (speed[k] - 1) / recovery_beats) - loss
        speed[-1] = np.sqrt(1 + 2 * y)
        between = 0.5 * (1 / speed[1:] + 1 / speed[:-1]) * np.diff(place)
        a += (between.sum() / place[-1] - 1) / recovery_beats
    late = np.concatenate([[0.0], np.cumsum(between)]) - place
    return place, late


def _motion(chance, places, sd, length):
    """Draw the integral of an Ornstein-Uhlenbeck process, exactly, at sorted places."""
    f, v = np.zeros(len(places)), np.zeros(len(places))
    v[0] = chance.normal(0, sd)
    for k in range(1, len(places)):
        r = (places[k] - places[k - 1]) / length
        decay = np.exp(-r)
        q22 = sd**2 * (1 - decay**2)
        q12 = sd**2 * length * (1 - decay) ** 2
        q11 = sd**2 * length**2 * (2 * r - 3 + 4 * decay - decay**2)
        if r < 0.02:
            q11 = sd**2 * length**2 * r**3 * (2 / 3 - r / 2)
        a = np.sqrt(max(q11, 0))
        z1, z2 = chance.normal(size=2)
        b = q12 / a if a > 0 else 0
        f[k] = f[k - 1] + length * (1 - decay) * v[k - 1] + a * z1
        v[k] = decay * v[k - 1] + b * z1 + np.sqrt(max(q22 - b**2, 0)) * z2
    return f, v
