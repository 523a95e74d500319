"""Tables of a group made for the purpose, for the tests of the work list."""

from datetime import date

import numpy as np

from pipeline import felt, tables, worklist
from pipeline.settings import Arrangement, Barrel, Detection, Machine, Recording, Settings, Striker

DAY = date(2031, 5, 3)
GROUP = {"arrangement": "song", "build_day": DAY, "session": 1, "setup": ""}
NAMES = ("oak block", "slate")
SURFACE_MM_PER_S = 66.0  # 420 mm across, a turn in 20 s
GAP_S = 0.4  # from note to note: 10 ms are noticed (Friberg & Sundberg 1995)
SELDOM = ("oak block", "slate", "slate", "slate")  # the oak block plays one note in four


def make_settings(days=(DAY,), finest_move_mm=0.2, names=NAMES, n_takes=1):
    takes = tuple(
        Recording(f"t{at * n_takes + take}", "t.csv", day, "", "song")
        for at, day in enumerate(days)
        for take in range(n_takes)
    )
    strikers = tuple(Striker(name, (60 + at,)) for at, name in enumerate(names))
    machine = Machine(Barrel(8, 420.0), (), None, strikers, finest_move_mm)
    return Settings("c", "r", None, (Arrangement("song", "s.mid"),), machine, (), (), Detection(), takes)


def make(name, rows):
    """Make a table from rows that name only what matters; the rest is 0, '' or null."""
    blank = {"int64": 0, "double": 0.0, "string": "", "bool": False, "date32[day]": DAY}
    columns = {}
    for field in tables.CONTRACTS[name].schema:
        default = None if field.nullable else [] if "list" in str(field.type) else blank[str(field.type)]
        columns[field.name] = [row.get(field.name, default) for row in rows]
    return tables.build(name, columns)


def make_columns(name, n, **columns):
    """Make a table of `n` rows from whole columns; the rest is 0, '' or null."""
    blank = make(name, [{}]).to_pylist()[0]
    return tables.build(name, {one: columns.get(one, [value] * n) for one, value in blank.items()})


def make_notes(n=400, names=NAMES):
    """Strikers in turn, a note every GAP_S; each note has its own pin, of the same number."""
    rows = [
        {"note_id": at, "pin_id": at, "striker": names[at % len(names)], "score_beat": at * 0.5, "score_s": at * GAP_S}
        for at in range(n)
    ]
    return make("notes", rows)


def faults_felt(*takes_s):
    """Count the strikes that are heard displaced, of takes with a note every GAP_S, each `late_s` late."""
    count = 0
    for late_s in takes_s:
        due_s = np.arange(len(late_s)) * GAP_S
        pace, start_s = np.polyfit(due_s, due_s + late_s, 1)
        off_s = due_s + late_s - start_s - pace * due_s
        felt_s, felt_se = felt.felt_of(pace * due_s, np.arange(len(due_s)), off_s[:, None], np.ones(len(due_s), bool))
        gap_s = np.diff(pace * due_s, prepend=np.nan)
        count += int((np.abs(felt_s[:, 0]) > felt.limit_s(gap_s, felt_se)).sum())
    return count


def make_lateness(n=400, seed=0, offsets=None, sd_s=0.001, n_takes=1, names=NAMES, load_s=0.0, limit_s=0.006):
    """Playthroughs in which every note was struck: scatter, `offsets[pin]` and `load_s` (each or all) on top."""
    chance = np.random.default_rng(seed)
    load_s = np.broadcast_to(load_s, n)
    rows = []
    for take in range(n_takes):
        rest = chance.normal(0, sd_s, n)
        felt = rest + load_s
        for pin, offset in (offsets or {}).items():
            felt[pin] += offset
        rows += [
            {"recording": f"t{take}", "playthrough": 1, "note_id": at, "pin_id": at, "hit_id": at, "shared": 1}
            | {"striker": names[at % len(names)], "felt_s": felt[at], "felt_load_s": load_s[at]}
            | {"felt_rest_s": rest[at] / 2, "felt_motion_s": rest[at] / 2}
            | {
                "score_beat": at * 0.5,
                "noticed_from_s": limit_s,
                "segment": 1,
                "load_s": load_s[at],
                "late_s": felt[at],
            }
            | {"score_s": at * GAP_S, "hit_s": 2.0 + at * GAP_S + felt[at]}
            for at in range(n)
        ]
    return make("lateness", rows)


def make_aligned(counts):
    """Make takes from {recording: {striker: (played, missed, extra)}}."""
    takes = {}
    for recording, strikers in counts.items():
        numbers = [number for three in strikers.values() for number in three]
        striker = np.repeat(np.repeat(list(strikers), 3), numbers)
        status = np.repeat(np.tile(["played", "missed", "extra"], len(strikers)), numbers)
        at = np.arange(len(status))
        takes[recording] = make_columns(
            "aligned", len(at), striker=striker.tolist(), status=status.tolist(), hit_id=at, playthrough=at * 0 + 1
        )
    return takes


def make_pin(pin, offset_s=0.0, names=NAMES, **more):
    row = GROUP | {"pin_id": pin, "note_id": pin, "striker": names[pin % len(names)], "bar": 1 + pin // 8}
    row |= {"offset_s": offset_s, "offset_se": 0.001, "offset_mm": offset_s * SURFACE_MM_PER_S, "beat_in_bar": 1.0}
    row |= {"n_takes": 3, "n_struck": 3, "miss_q_value": 1.0}
    return row | {"q_value": 0.001, "misplaced": True} | more


def make_striker(name, **more):
    return GROUP | {"striker": name, "n_played": 600, "miss_pattern": "at random"} | more


def jobs(lateness, strikers=(), pins=(), aligned=None, settings=None, notes=None, tempo=None, recordings=()):
    """Return the list of the newest group as a frame."""
    settings = settings or make_settings()
    pins = make("pins", list(pins)) if isinstance(pins, list | tuple) else pins
    given = {"strikers": make("strikers", list(strikers)), "pins": pins, "recordings": make("recordings", recordings)}
    tempo = {settings.groups()[-1].id: make("tempo", []) if tempo is None else tempo}
    at = {settings.groups()[-1].id: lateness}
    notes = make_notes() if notes is None else notes
    return worklist.jobs(settings, at, tempo, aligned or {}, {"song": notes}, **given).to_pandas()
