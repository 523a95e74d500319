"""Takes of three strikers with a known truth, as sound (the demo's simulator) and as the tables that would tell it."""

import json
from datetime import date
from types import SimpleNamespace

import numpy as np
import soundfile

from demo import sound as simulated
from pipeline import tables
from pipeline.settings import Channel, Rig, Striker
from tests import worklist_tables

RATE_HZ = simulated.RATE_HZ
NAMES = ("oak block", "slate", "iron rail")
BODIES = tuple(
    simulated.material_body(name, kind) for name, kind in zip(NAMES, ("wood", "stone", "metal"), strict=True)
)
OWN = Rig("own", tuple(Channel(number, (name,)) for number, name in enumerate(NAMES, 1)))
ROOM = Rig("room", (Channel(1, ("everything",), delay_s=0.0035),))
BEAT_S, START_S = 0.5, 1.3
PIN_S = 0.022
DAY = date(2031, 5, 3)
GROUP = {"arrangement": "song", "build_day": DAY, "session": 1, "setup": ""}


def make(name, rows):
    """Make a table from rows that name only what matters, as `worklist_tables.make`; hits have their bands."""
    bands = {"bands_db": [0.0] * tables.N_BANDS} if name == "hits" else {}
    return worklist_tables.make(name, [row | bands for row in rows])


def make_take(seed=0, n=24, late_s=None, chord_every=0):
    """Return notes of strikers in turn, a half beat apart, with the true time of each strike.

    `late_s` by note; of every `chord_every`-th note the next striker plays along.
    """
    generator = np.random.default_rng(seed)
    rows = []
    for at in range(n):
        for also in range(2 if chord_every and at % chord_every == 0 else 1):
            note = {"note_id": len(rows), "score_beat": at * 1.0, "striker": NAMES[(at + also) % 3], "beat": at}
            rows.append(note | {"true_s": START_S + at * BEAT_S + generator.normal(0, 0.0004)})
    for note, by_s in (late_s or {}).items():
        rows[note]["true_s"] += by_s
    return rows


def make_tables(rows, pins=(), pin_s=PIN_S):
    """Return notes, tempo, lateness, aligned and hits as if the truth had been found: `pins` are `pin_s` late."""
    rows = [row | {"bar": row["beat"] // 4 + 1, "beat_in_bar": row["beat"] % 4 + 1.0} for row in rows]
    notes = [row | {"pin_id": row["note_id"], "pitch": 60} for row in rows]
    beats = np.arange(0, max(row["beat"] for row in rows) + 0.5, 0.5)
    tempo = [{"recording": "t1", "playthrough": 1, "segment": 1} | {"score_beat": b} for b in beats]
    tempo = [row | {"time_s": START_S + row["score_beat"] * BEAT_S, "tempo_bpm": 120.0} for row in tempo]
    struck = [
        {"playthrough": 1, "segment": 1, "shared": 1, "status": "played", "hit_id": row["note_id"]} for row in rows
    ]
    struck = [one | row | {"hit_s": row["true_s"], "recording": "t1"} for one, row in zip(struck, rows, strict=True)]
    struck = [one | {"pin_s": pin_s if one["note_id"] in pins else 0.0} for one in struck]
    hits = [{"hit_id": row["note_id"], "channel": 1, "hit_s": row["true_s"], "kind": "strike"} for row in rows]
    made = {"notes": notes, "tempo": tempo, "lateness": struck, "aligned": struck, "hits": hits}
    return SimpleNamespace(**{name: make(name, given) for name, given in made.items()})


def make_job(rows, pins, **more):
    places = [{"striker": rows[pin]["striker"], "score_beat": rows[pin]["score_beat"]} for pin in pins]
    return {"mends": "place", "places": json.dumps(places), "certainty": 0.99, "where": ""} | more


def render(path, rows, microphones, length_s=None, seed=1):
    """Record the strikes; return the samples as they were written, a column a channel."""
    order = sorted(rows, key=lambda row: row["true_s"])
    blows = simulated.Blows(
        np.array([row["true_s"] for row in order]),
        np.array([NAMES.index(row["striker"]) for row in order]),
        np.full(len(order), -9.0),
    )
    length_s = length_s or order[-1]["true_s"] + 1.5
    samples = np.concatenate(list(simulated.render(BODIES, blows, microphones, length_s, seed)))
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    return samples


def make_own(path, rows):
    return render(path, rows, simulated.own_microphones(3, 5))


def make_room(path, rows):
    """One microphone that hears all strikers 3.5 ms late, and nothing but them."""
    microphone = simulated.Microphone(np.zeros(3), np.full(3, 0.0035), np.full(3, np.inf))
    return render(path, rows, (microphone,))


def strikers():
    return tuple(Striker(name, (60 + at,)) for at, name in enumerate(NAMES))


def onset_s(samples, about_s, reach_s=0.05, share=0.2, rate_hz=RATE_HZ):
    """Return the first time near `about_s` at which the sound is a share of its peak there: a plain threshold."""
    first = max(round((about_s - reach_s) * rate_hz), 0)
    near = np.abs(samples[first : round((about_s + reach_s) * rate_hz)])
    return (first + np.argmax(near >= share * near.max())) / rate_hz
