"""The report says what the tables say, from disk, to a builder, whatever the names are."""

import html
import re
import shutil
from dataclasses import replace
from datetime import date

import numpy as np

from pipeline import report, tables
from pipeline.report import results
from pipeline.settings import (
    Arrangement,
    Barrel,
    Clock,
    Detection,
    Flywheel,
    Machine,
    Recording,
    Rig,
    Settings,
    Shaft,
    Striker,
)

STRIKERS = ("oak block", "slate", "brass cup", "goat drum", "reed slat", "zinc disc")
PASSAGES = (("opening", 1, 8), ("verse", 9, 20), ("full", 21, 32), ("coda", 33, 40))
BPM = 96.0
BEAT_S = 60.0 / BPM
FIRST, SECOND = date(2031, 5, 9), date(2031, 5, 12)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def make_settings(folder, recordings=None, strikers=STRIKERS, pins="song", clock=True) -> Settings:
    machine = Machine(
        Barrel(bars_per_turn=8, diameter_mm=420, pins=pins),
        (Shaft("flywheel", 6.5),),
        Flywheel(inertia_kg_m2=1.9, diameter_mm=600),
        tuple(Striker(name, (60 + number,)) for number, name in enumerate(strikers)),
    )
    arrangements = (Arrangement("song", file="song.mid"),)
    if clock:
        arrangements += (Arrangement("clock", clock=Clock(bpm=BPM, bars=32, striker="clock arm")),)
    return Settings(
        path="demo.yaml",
        results=str(folder / "results"),
        baseline=None,
        arrangements=arrangements,
        machine=machine,
        setups=(("two rims", replace(machine, flywheel=Flywheel(inertia_kg_m2=3.8, diameter_mm=600))),),
        rigs=(Rig("full", ()),),
        detection=Detection(),
        recordings=tuple(make_recordings(clock) if recordings is None else recordings),
    )


def make_recordings(clock=True):
    takes = [("r1", FIRST, "song", ""), ("r2", FIRST, "song", ""), ("r3", SECOND, "song", "two rims")]
    takes += [("r4", SECOND, "song", "two rims"), ("r5", SECOND, "song", "two rims")]
    if clock:
        takes.append(("arm1", SECOND, "clock", ""))
    return [Recording(name, f"{name}.wav", day, "full", arrangement, setup) for name, day, arrangement, setup in takes]


def make_notes(strikers=STRIKERS, bars=40):
    """Two strikes on each beat, one after the other round the strikers; four beats to a bar."""
    note = np.arange(bars * 8)
    beat = note // 2
    bar = beat // 4 + 1
    names = np.array([name for name, _, _ in PASSAGES])
    return {
        "note_id": note,
        "pin_id": note,
        "bar": bar,
        "beat_in_bar": beat % 4 + 1.0,
        "score_beat": beat.astype(float),
        "score_s": beat * BEAT_S,
        "striker": np.array(strikers)[(note * 5 + note // 7) % len(strikers)],
        "pitch": 60 + note % len(strikers),
        "velocity": np.full(len(note), 90),
        "passage": names[np.searchsorted([last for _, _, last in PASSAGES], np.minimum(bar, 40))],
        "barrel_turn": beat / 32.0,
    }


def make_clock_notes(bars=32):
    bar = np.arange(bars)
    return {
        "note_id": bar,
        "pin_id": bar,
        "bar": bar + 1,
        "beat_in_bar": np.ones(bars),
        "score_beat": 4.0 * bar,
        "score_s": 4 * BEAT_S * bar,
        "striker": ["clock arm"] * bars,
        "pitch": np.zeros(bars, int),
        "velocity": np.full(bars, 90),
        "passage": [""] * bars,
        "barrel_turn": bar / 1.0,
    }


def make_lateness(group, notes, felt_sd_s=0.007, missed=(), seed=1):
    """Strikes of every take of a group, scattered evenly wide around the beat; `missed` notes never sound."""
    rng = np.random.default_rng(seed)
    played = ~np.isin(notes["note_id"], missed)
    columns = {name: [] for name in tables.CONTRACTS["lateness"].schema.names}
    for take in group.recordings:
        n = int(played.sum())
        felt = felt_sd_s * rng.standard_normal(n)
        early = notes["score_beat"][played] < 4
        parts = {name: np.zeros(n) for name in ("motion", "load", "shaft", "striker", "pin")}
        parts["load"] = 0.5 * felt
        made = {name: notes[name][played] if isinstance(notes[name], np.ndarray) else None for name in ()}
        made |= {"arrangement": [group.arrangement] * n, "session": [group.session] * n, "setup": [group.setup] * n}
        made |= {"recording": [take.recording] * n, "playthrough": [1] * n, "segment": [1] * n}
        for name in ("note_id", "pin_id", "striker", "bar", "beat_in_bar", "passage", "score_beat", "score_s"):
            made[name] = np.asarray(notes[name])[played]
        made |= {"hit_id": np.arange(n), "hit_s": 1.0 + made["score_s"] + felt, "shared": [1] * n}
        made |= {"level_db": np.full(n, -12.0), "late_s": felt, "rest_s": felt - parts["load"]}
        made |= {f"{name}_s": part for name, part in parts.items()}
        made["felt_s"] = np.where(early, np.nan, felt)
        made |= {f"felt_{name}_s": np.where(early, np.nan, part) for name, part in parts.items()}
        made["felt_rest_s"] = made["felt_s"] - made["felt_load_s"]
        for name, values in made.items():
            columns[name].extend(values)
    return columns


def make_tempo(group, notes, sag=0.05):
    columns = {name: [] for name in tables.CONTRACTS["tempo"].schema.names}
    beat = np.arange(0, max(notes["score_beat"]) + 0.5, 0.5)
    full = (beat >= 80) & (beat < 128)
    for number, take in enumerate(group.recordings):
        load = np.convolve(np.where(full, -sag, 0.015), np.ones(12) / 12, "same")
        motion = 0.006 * np.sin(beat / 7 + number)
        made = {"arrangement": [group.arrangement] * len(beat), "session": [group.session] * len(beat)}
        made |= {"setup": [group.setup] * len(beat), "recording": [take.recording] * len(beat)}
        made |= {"playthrough": [1] * len(beat), "segment": [1] * len(beat), "score_beat": beat}
        made |= {"time_s": 1 + beat * BEAT_S, "tempo_bpm": BPM * (1 + load + motion)}
        made |= {"tempo_se": np.full(len(beat), 0.1), "motion": motion, "load": load, "shaft": np.zeros(len(beat))}
        for name, values in made.items():
            columns[name].extend(values)
    return columns


def make_rows(name, rows):
    """Fill the columns that a row leaves out: 0, '' or null, as the contract allows."""
    zero = {"int64": 0, "double": 0.0, "string": "", "bool": False}
    columns = {}
    for field in tables.CONTRACTS[name].schema:
        rest = (
            None
            if field.nullable
            else zero.get(str(field.type), [] if field.name in ("health", "costs_most") else None)
        )
        columns[field.name] = [row.get(field.name, rest) for row in rows]
    return tables.build(name, columns) if rows else tables.empty(name)


def keys(group):
    return {name: getattr(group, name) for name in results.KEYS}


def make_recording_row(group, take, felt_sd_s=0.007, **more):
    row = keys(group) | {"recording": take.recording, "status": "used", "n_notes": 320, "n_played": 317}
    row |= {"n_missed": 3, "n_extra": 1, "tempo_bpm": BPM, "tempo_trend_per_min": -0.004, "felt_sd_s": felt_sd_s}
    row |= {"felt_p95_s": 2 * felt_sd_s, "late_sd_s": 0.031, "together_s": 0.004, "steady_1": 0.009, "sag_max": 0.05}
    return row | more


def make_pins(group, notes, misplaced=((40, 0.014), (77, -0.011)), silent=(5,)):
    wrong = dict(misplaced)
    rng = np.random.default_rng(3)
    rows = []
    for note in range(len(notes["note_id"])):
        offset = wrong.get(note, 0.0012 * rng.standard_normal())
        row = keys(group) | {name: notes[name][note] for name in ("pin_id", "note_id", "striker", "bar", "beat_in_bar")}
        row |= {"barrel_turn": notes["barrel_turn"][note], "offset_s": offset, "offset_se": 0.0008, "n_takes": 3}
        row |= {"offset_mm": offset * 66.0, "q_value": 0.001 if note in wrong else 0.8, "misplaced": note in wrong}
        row |= {"n_takes": 0, "n_missed": 3} if note in silent else {}
        rows.append(row)
    return rows


def make_passages(group, sag=0.052):
    rows = []
    for rank, (name, first, last) in enumerate(PASSAGES, 1):
        row = keys(group) | {"passage": name, "first_bar": first, "last_bar": last, "n_played": 80, "rank": rank}
        row |= {"felt_sd_s": 0.006, "felt_sd_se": 0.0005, "sag": sag if name == "full" else -0.01, "sag_se": 0.003}
        row |= {"load_share": 0.92, "load_share_se": 0.04, "costs_most": ["goat drum", "slate"]}
        rows.append(row)
    return rows


def make_trend(group, value, change=None, verdict="", quantity="felt_sd_s", against="previous", half=0.001):
    row = keys(group) | {"quantity": quantity, "against": against, "n_recordings": 3, "value": value}
    row |= {"verdict": verdict, "value_se": 0.0003}
    if change is not None:
        row |= {"change": change, "change_low": change - half, "change_high": change + half}
        row |= {"df": 5.0, "detectable": 0.0017}
    return row


def make_budget(group):
    shares = {"load": 0.5, "motion": 0.2, "shaft": 0.0, "striker": 0.12, "pin": 0.08, "rest": 0.1}
    rows = [
        keys(group)
        | {"ruler": ruler, "part": part, "sd_s": 0.007 * np.sqrt(share), "share": share, "sd_without_s": 0.005}
        for ruler in ("felt", "song")
        for part, share in shares.items()
    ]
    return rows


def make_jobs(group):
    pin = keys(group) | {"rank": 2, "part": "pin", "where": "goat drum, bar 6 beat 1", "certainty": 0.999}
    pin |= {"finding": "pin is 14.0 ms late (±1.6)", "correction": "move it 0.9 mm forward", "gain_s": 0.0003}
    load = keys(group) | {"rank": 1, "part": "load", "where": "flywheel", "finding": "load makes 50% of it"}
    load |= {"correction": "twice the inertia halves it", "gain_s": 0.0021, "gain_audible": 12.0, "certainty": 0.97}
    unsure = keys(group) | {"rank": 3, "part": "striker", "where": "slate", "finding": "strikes 1 ms later"}
    return [pin, load, unsure | {"correction": "mend its delay", "gain_s": 0.0001, "certainty": 0.7}]


def make_striker(group, name):
    row = keys(group) | {"striker": name, "delay_s": 0.0013, "delay_se": 0.0002, "drag": 0.0041, "drag_se": 0.0003}
    return row | {"rest_sd_s": 0.0015, "n_played": 150, "n_missed": 2, "n_extra": 1, "miss_pattern": "at random"}


def make_project(folder, settings=None, felt_sd_s=0.007, **replaced):
    """Write every table of a small project; `replaced` tables take the place of the usual ones."""
    settings = settings or make_settings(folder)
    strikers = tuple(striker.name for striker in settings.machine.strikers)
    notes = {"song": make_notes(strikers), "clock": make_clock_notes()}
    rows = {name: [] for name in (*tables.GATHERED, "trend", "worklist", "setups")}
    for number, group in enumerate(settings.groups()):
        song, is_clock = notes[group.arrangement], group.arrangement == "clock"
        at = {"build_day": group.build_day, "group": group.id}
        lateness = tables.build("lateness", make_lateness(group, song, felt_sd_s, seed=number))
        tables.write(tables.path(settings.results, "lateness", **at), "lateness", lateness)
        tempo = tables.build("tempo", make_tempo(group, song))
        tables.write(tables.path(settings.results, "tempo", **at), "tempo", tempo)
        together = None if is_clock else 0.004
        rows["recordings"] += [
            make_recording_row(group, one, felt_sd_s, together_s=together) for one in group.recordings
        ]
        if is_clock:
            rows["trend"].append(make_trend(group, 0.009, quantity="steady_1"))
            continue
        rows["passages"] += make_passages(group)
        rows["pins"] += make_pins(group, song)
        rows["budget"] += make_budget(group)
        rows["strikers"] += [make_striker(group, name) for name in strikers]
        shaft = {"shaft": "flywheel", "order": 6.49, "creep": -0.0015, "amplitude_s": 0.002, "amplitude_se": 0.0003}
        rows["shafts"].append(keys(group) | shaft)
        newest = group.build_day == SECOND
        rows["trend"].append(make_trend(group, felt_sd_s, -0.0031 if newest else None, "better" if newest else ""))
        rows["worklist"] += make_jobs(group) if newest else []
    for setup, energy in (("", 120.0), ("two rims", 240.0)):
        rows["setups"].append({"arrangement": "song", "setup": setup, "n_recordings": 2, "energy_j": energy})
    rows |= replaced
    for name in ("song", "clock"):
        tables.write(
            tables.path(settings.results, "notes", arrangement=name), "notes", tables.build("notes", notes[name])
        )
    for name, given in rows.items():
        tables.write(tables.path(settings.results, name), name, make_rows(name, given))
    return settings


def page_of(folder, settings=None, **replaced) -> str:
    settings = make_project(folder, settings, **replaced)
    report.write(folder / "report", settings)
    return (folder / "report" / "index.html").read_text(encoding="utf-8")


def said(page) -> str:
    """Return the words of a page as a reader sees them."""
    page = re.sub(r"<style>.*?</style>|<title>.*?</title>|<svg.*?</svg>", " ", page, flags=re.S)
    text = html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\N{NO-BREAK SPACE}", " ")
    return " ".join(text.split())


def test_the_page_opens_with_the_verdict_and_its_number(tmp_path):
    text = said(page_of(tmp_path))
    assert "Not tight yet: 9 of 960 strikes missing and 3 double or stray." in text
