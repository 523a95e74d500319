"""Define the demo's workshop: machine, tune, faults on each day, recordings.

`config.yaml` and `recordings.csv` hold what the builder knows; this module holds what the builder does not know.
"""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pyarrow as pa

from demo import chance, machine, sound, tune
from demo.machine import Crew, Faults, Leg, ShaftFault
from demo.sound import Body
from demo.tune import Tune
from pipeline.settings import Barrel, Flywheel, Machine, Shaft, Striker

BPM = 96.0
SEED = 2031
CLOCK = "clock arm"
ARM = "turn mark"  # the body that the arm strikes once a turn

# name, MIDI note, material, share of the speed a strike takes (narrow pulley), delay s, scatter s, level dB
_STRIKERS = (
    ("oak block", 60, "wood", 0.0012, -0.0015, 0.0010, -8.0),
    ("brass cup", 64, "metal", 0.0008, 0.0005, 0.0012, -9.0),
    ("slate", 67, "stone", 0.0009, -0.0005, 0.0012, -10.0),
    ("hide drum", 48, "skin", 0.0040, 0.0000, 0.0018, -4.0),
    ("glass bottle", 72, "stone", 0.0006, 0.0090, 0.0013, -11.0),
    ("iron rail", 76, "metal", 0.0014, 0.0005, 0.0012, -7.0),
)
# bar, beat in bar, striker, mm (positive: late); the last three stay as they are when the others are mended
MISPLACED = (
    (3, 3.0, "oak block", 0.9),
    (10, 1.0, "brass cup", -1.4),
    (13, 4.0, "iron rail", 2.6),
    (19, 1.0, "oak block", -0.8),
    (21, 3.0, "glass bottle", 1.7),
    (27, 1.0, "brass cup", 1.2),
    (35, 1.0, "iron rail", -2.1),
    (38, 3.0, "oak block", 0.7),
)
N_LEFT = 3
PIN_SD_MM = 0.04

# One line a striker, sixteen steps a bar: X loud, x middling, o soft; a bar each, repeated through the passage.
_SCORE = (
    ("lamplight", {
        "oak block": ("x...x...x...x...", "x...x...x...x.o."),
        "hide drum": ("X.......x.......", "X.....o.x..o...."),
        "glass bottle": ("................", "........x.....o."),
    }),
    ("round dance", {
        "oak block": ("x...x...x...x...", "x...x..x....x..."),
        "brass cup": ("x.......x...x...", "x..x..x...x.x..o"),
        "slate": ("..x...x...x...x.",),
        "hide drum": ("X.......X..x....", "X....x..X......."),
        "iron rail": ("............x...", "........x..x...."),
    }),
    ("mill race", {
        "oak block": ("X...x...X...x...", "X...x.x.X...x.x."),
        "brass cup": ("x...x...x.x.x...", "x.x...x..xx...x."),
        "slate": ("x.x.xxx.x.x.x.xx", "x.xxx.x.x.x.xxx."),
        "hide drum": ("X.....X.X.......", "X.....X..X..X..."),
        "glass bottle": ("....x...x...x...", "x......x....x.x."),
        "iron rail": ("X.......X.......", "X...x...X......."),
    }),
    ("still water", {
        "brass cup": ("o.......o.......", "......o.....o..."),
        "glass bottle": ("....o...........", "o.......o......."),
        "oak block": ("........o...o...", "o...........o..."),
    }),
    ("homeward", {
        "oak block": ("X...x...X...x...", "X...x...X...x.x."),
        "brass cup": ("x...x...x...x...", "x...x.x..x..x..."),
        "slate": ("..x...x...x...x.", "..x.x.x...x.x.x."),
        "hide drum": ("X.......X..x....", "X.......X.....x."),
        "glass bottle": ("........x.......", "....x......x...."),
        "iron rail": ("X...............", "X.......x....x.."),
    }),
)  # fmt: skip
_LOUD = {"X": 112, "x": 88, "o": 62}
_PASSAGE_BARS = 8


@dataclass(frozen=True)
class Plan:
    """One recording to be made. `kind`: full, tracks, room, clock, list or broken."""

    recording: str
    file: str  # within the demo's folder of recordings
    build_day: date
    kind: str
    setup: str = ""
    subtype: str = "PCM_16"
    legs: tuple[Leg, ...] = (Leg(),)
    clock_ppm: float = 0.0  # by how much the recorder's clock reads long
    bang_s: float | None = None
    drive_db: float = 0.0  # of the drum's preamplifier
    pace: float = 1.0  # of the crew, where no click holds it


@dataclass(frozen=True, eq=False)
class Workshop:
    """A project whose truth is known: everything `make` needs."""

    tune: Tune
    days: tuple[date, ...]
    plans: tuple[Plan, ...]
    bars_per_turn: float
    crank_turns: float = 14.0


DAYS = (date(2031, 5, 3), date(2031, 5, 10), date(2031, 5, 17))
WIDE = "wide pulley"


def demo() -> Workshop:
    """Return the demo: three days, two set-ups, eleven recordings."""
    first, second, third = DAYS
    plans = (
        Plan("first-1", "first-1.flac", first, "full", drive_db=5.0),
        Plan("first-2", "first-2.flac", first, "full", legs=(Leg(last_bar=2), Leg(pause_s=3.0))),
        Plan("first-room", "first-room.wav", first, "room", subtype="PCM_24"),
        Plan("second-1", "second-1.flac", second, "full", clock_ppm=18.0),
        Plan("second-2", "second-2", second, "tracks"),
        Plan("second-trigger", "second-trigger.csv", second, "list"),
        Plan("second-clock", "second-clock.wav", second, "clock", legs=(Leg(last_bar=28),)),
        Plan("third-1", "third-1.flac", third, "full", WIDE, bang_s=0.6),
        Plan("third-2", "third-2.flac", third, "full", WIDE),
        Plan("third-3", "third-3.flac", third, "full", WIDE, legs=(Leg(9, 40),)),
        Plan("third-clock", "third-clock.wav", third, "clock", WIDE, legs=(Leg(last_bar=28),)),
        Plan("third-broken", "third-broken.wav", third, "broken", WIDE),
    )
    return Workshop(song(), DAYS, plans, bars_per_turn=8.0)


def tiny() -> Workshop:
    """Return a small project for tests of the workflow: two days, five recordings of some 12 s."""
    first, second = DAYS[:2]
    plans = (
        Plan("first-1", "first-1.wav", first, "full"),
        Plan("first-list", "first-list.csv", first, "list"),
        Plan("second-1", "second-1.wav", second, "full", WIDE),
        Plan("second-room", "second-room.wav", second, "room", WIDE),
        Plan("second-broken", "second-broken.wav", second, "broken", WIDE),
    )
    whole = song()
    early = whole.beat >= 18 * 4  # four bars of the densest passage
    few = early & (whole.beat < 22 * 4)
    short = Tune(
        whole.beat[few] - 18 * 4,
        whole.pitch[few],
        whole.velocity[few],
        BPM,
        4,
        4,
        ((1, "first half"), (3, "second half")),
    )
    return Workshop(short, DAYS[:2], plans, bars_per_turn=2.0)


def song() -> Tune:
    """Compose the demo's tune, "The Mill by Night": five passages of eight bars."""
    pitch_of = {name: pitch for name, pitch, *_ in _STRIKERS}
    notes, passages = [], []
    for number, (passage, parts) in enumerate(_SCORE):
        passages.append((number * _PASSAGE_BARS + 1, passage))
        for name, bars in parts.items():
            for bar in range(_PASSAGE_BARS):
                for step, mark in enumerate(bars[bar % len(bars)]):
                    if mark in _LOUD:
                        beat = (number * _PASSAGE_BARS + bar) * 4 + step / 4
                        notes.append((beat, pitch_of[name], _LOUD[mark]))
    return tune.made(notes, BPM, len(_SCORE) * _PASSAGE_BARS, passages=passages)


def machine_of(workshop: Workshop, setup: str) -> Machine:
    """Return the machine as `config.yaml` describes it."""
    return Machine(
        barrel=Barrel(workshop.bars_per_turn, 420.0, "song"),
        shafts=(
            Shaft("flywheel", _flywheel_turns(workshop, setup), "belt"),
            Shaft("crank", workshop.crank_turns, "freewheel"),
        ),
        flywheel=Flywheel(inertia_kg_m2=1.9, diameter_mm=600.0),
        strikers=tuple(Striker(name, (pitch,)) for name, pitch, *_ in _STRIKERS),
    )


def bodies() -> tuple[Body, ...]:
    """Return the bodies of the strikers, and last that of the arm that marks the turn."""
    struck = tuple(sound.material_body(name, material) for name, _, material, *_ in _STRIKERS)
    return (*struck, sound.material_body(ARM, "metal"))


def faults_of(workshop: Workshop, notes: pa.Table, build_day: date, setup: str) -> Faults:
    """Return the true faults of the machine on that day.

    The drum is late in company. The bottle has a delay (mended before the third day). The slate is late or misses soon
    after its last strike. The rail rebounds. The pulley of the flywheel is out of true. Eight pins are misplaced (five
    are moved before the third day).
    """
    narrow = machine_of(workshop, "")
    mended = build_day == DAYS[2]
    table = list(zip(*_STRIKERS, strict=True))
    names = list(table[0])
    delay_s = np.array(table[4])
    if mended:
        delay_s[names.index("glass bottle")] = 0.0012
    blank = machine.no_faults(narrow, notes)

    def only(name, value):
        return np.where(np.array(names) == name, value, 0.0)

    return replace(
        blank,
        # The energy of a strike is the machine's own; what it costs in speed depends on the set-up.
        energy_j=machine.energy_of(np.array(table[3]), narrow, notes),
        delay_s=delay_s,
        company_s=only("hide drum", 0.0025),
        readiness_s=only("slate", 0.012),
        readiness_fade_s=0.15,
        jitter_s=np.array(table[5]),
        jitter_df=6.0,
        miss_rate=np.full(len(names), 0.004),
        miss_gap_s=only("slate", 0.165),
        rebound_rate=0.01 + only("iron rail", 0.12),
        double_rate=only("brass cup", 0.015),
        level_db=np.array(table[6]),
        level_sd_db=np.full(len(names), 1.2),
        pin_s=pins_mm(notes, mended) / surface_mm_per_s(notes),
        shafts=(ShaftFault("flywheel", _flywheel_turns(workshop, setup), 0.0016, creep_sd=0.0004),),
        strays_per_min=0.5,
    )


def pins_mm(notes: pa.Table, mended: bool) -> np.ndarray:
    """Return the misplacement of each pin on the surface of the barrel, mm, positive late; shape=(n_pins,)."""
    rng = np.random.default_rng([SEED, 40])
    offset_mm = rng.normal(0, PIN_SD_MM, int(notes["pin_id"].to_numpy().max()) + 1)
    bar, beat = notes["bar"].to_numpy(), notes["beat_in_bar"].to_numpy()
    striker, pin_id = np.array(notes["striker"].to_pylist()), notes["pin_id"].to_numpy()
    for at_bar, at_beat, name, mm in MISPLACED[-N_LEFT:] if mended else MISPLACED:
        here = (bar == at_bar) & (beat == at_beat) & (striker == name)
        offset_mm[pin_id[here]] = mm
    return offset_mm


def surface_mm_per_s(notes: pa.Table) -> float:
    """Return the speed of the barrel's surface at the written tempo."""
    return machine.nominal_rad_per_s(notes) * 420.0 / 2


def crew_of(workshop: Workshop, notes: pa.Table, faults: Faults, plan: Plan) -> Crew:
    """Return the crew: two pedals, following the click by ear; the same torque with either pulley.

    The variation of their torque is set for the first set-up; with more inertia it varies the speed less.
    """
    narrow = machine_of(workshop, "")
    crew = machine.steady_crew(narrow, notes, faults, recovery_beats=8.0)
    momentum = machine.inertia_at_barrel_kg_m2(narrow) * machine.nominal_rad_per_s(notes)
    stroke_rad_per_s = 2 * np.pi * 2 * workshop.crank_turns / (workshop.bars_per_turn * 4 * 60 / BPM)
    clicked = plan.kind != "room"
    return replace(
        crew,
        torque_nm=crew.torque_nm * plan.pace,
        wander_nm=chance.wander_nm(narrow, notes, crew, 0.006, 1.5),
        wander_s=1.5,
        stroke_nm=0.008 * stroke_rad_per_s * momentum,  # .8 % of the speed
        strokes_per_turn=2 * workshop.crank_turns,
        pull_nm_per_s=0.04 * momentum if clicked else 0.0,
        click_bpm=BPM if clicked else None,
        legs=plan.legs,
    )


def _flywheel_turns(workshop: Workshop, setup: str) -> float:
    return 31.0 if setup == WIDE else 22.0
