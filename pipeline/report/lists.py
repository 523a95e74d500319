"""Lay out what is read in rows: passages, pins, strikers, shafts, changes, jobs, recordings.

A column in which nothing is known is left out, a list without rows is empty: what does not apply is absent.
"""

import json
from dataclasses import dataclass

import pandas as pd

from pipeline import words
from pipeline.report import barrel, news, song
from pipeline.report.results import Found, Results

NOTHING = ("", "–", ())
MARK = (
    "The mark: where the first beat of the song strikes; places lie from it on, against the direction of rotation. "
    "Job: its number on the work list; none where it is not sure that a listener notices the move."
)
AGAINST = ("previous", "first", "baseline")

PATTERNS = {
    "one pin": "at one pin",
    "short gaps": "after short gaps",
    "company": "when others fire with it",
    "low speed": "at low speed",
    "at random": "in no pattern that can be told",
}


@dataclass(frozen=True)
class Fault:
    """A fault of a recording and its cure."""

    found: str
    cure: str


@dataclass(frozen=True)
class Column:
    """One column; a cell is text, or faults with their cures."""

    title: str
    cells: list
    is_number: bool = False


def rows_of(columns: list[Column]) -> list[list]:
    """Return the cells row by row, each with its column."""
    return [list(zip(columns, row, strict=True)) for row in zip(*(column.cells for column in columns), strict=True)]


def passages(found: Found) -> list[Column]:
    """List the passages in the order of the song; nothing with only one."""
    rows = list(found.passages.sort_values(["first_bar", "rank"]).itertuples(index=False))
    if len(rows) < 2 or found.is_clock:
        return []
    series = [pd.Series(row._asdict()) for row in rows]
    # A stray strike belongs to a passage only where it could be placed: else no column, for zeros would be false.
    placed = found.passages["n_extra"].sum() or not found.used["n_extra"].sum()
    return _told(
        Column("Passage", [row.passage or f"bars {row.first_bar}–{row.last_bar}" for row in rows]),
        Column("Bars", [song.bars_said(found, row) for row in series], True),
        Column("Against the straight line", [words.slower(row.sag, row.sag_se) for row in rows], True),
        Column("By load alone", [words.slower(row.by_load, row.by_load_se) for row in rows], True),
        Column("More load than others", [words.joined(song.costly(found, row)) for row in series]),
        Column("Spread", [words.milliseconds(row.felt_sd_s, row.felt_sd_se) for row in rows], True),
        Column("Missed", [str(row.n_missed) for row in rows], True),
        Column("Double or stray", [str(row.n_extra) if placed else "" for row in rows], True),
    )


def pins_to_move(found: Found) -> list[Column]:
    """List the misplaced pins in the order in which one walks round the barrel, each with its job on the work list."""
    order = ["index_deg", "barrel_turn", "pin_id"]
    rows = list(barrel.misplaced(found).sort_values(order).itertuples(index=False))
    number = {striker.name: f"{place} " for place, striker in enumerate(found.machine.strikers, 1)}
    told = bool(found.machine.barrel.bars_per_turn)
    several = told and found.notes["barrel_turn"].max() >= 1 and not barrel.one_turn(found)
    job = _job_of_pin(found)
    return _told(
        Column("Row", [number.get(row.striker, "") + row.striker for row in rows]),
        Column("Turn", [str(int(row.barrel_turn + 1e-9) + 1) if several else "" for row in rows], True),
        Column(
            "From the mark",
            [f"{words.plain(row.index_deg)}°" if words.known(row.index_deg) else "" for row in rows],
            True,
        ),
        Column("Along the surface", [words.millimetres(row.index_mm) for row in rows], True),
        Column("Where", [words.place(row.bar, row.beat_in_bar) for row in rows]),
        Column("The pin is", [words.late(row.offset_s, row.offset_se) for row in rows], True),
        Column("Move it", [barrel.move(row) for row in rows], True),
        Column("Playthroughs", [str(row.n_takes) for row in rows], True),
        Column("Job", [job.get((row.striker, row.bar, round(row.beat_in_bar, 4)), "") for row in rows]),
    )


def _job_of_pin(found: Found) -> dict[tuple[str, int, float], str]:
    """Return the number of the job that moves a pin, by its striker, bar and place in the bar."""
    jobs = found.worklist[found.worklist["places"].notna()].sort_values("rank")
    numbers = {rank: place for place, rank in enumerate(sorted(found.worklist["rank"]), 1)}
    return {
        (one["striker"], one["bar"], one["beat_in_bar"]): f"{numbers[job.rank]}."
        for job in jobs.itertuples(index=False)
        for one in json.loads(job.places)
        if one["move_mm"] is not None
    }


def strikers(found: Found) -> list[Column]:
    """List the strikers that have anything to play, in the order of the machine; nothing with only one."""
    rank = {striker.name: place for place, striker in enumerate(found.machine.strikers)}
    order = found.strikers["striker"].map(lambda name: rank.get(name, len(rank)))
    rows = list(found.strikers.assign(rank=order).sort_values(["rank", "striker"]).itertuples(index=False))
    rows = [row for row in rows if row.n_played + row.n_missed + row.n_extra]
    if len(rows) < 2 or found.is_clock:
        return []
    return _told(
        Column("Striker", [row.striker for row in rows]),
        Column("Striker delay", [_delay(row) for row in rows], True),
        Column("Load per strike", [words.percent(row.drag, row.drag_se, digits=2) for row in rows], True),
        Column("Scatter", [words.milliseconds(row.rest_sd_s) for row in rows], True),
        Column("Played", [str(row.n_played) for row in rows], True),
        Column("Missed", [str(row.n_missed) for row in rows], True),
        Column("Double or stray", [str(row.n_extra) for row in rows], True),
        Column("Its own sound or click", [_sound(row) for row in rows]),
        Column("Misses come", [PATTERNS.get(row.miss_pattern, row.miss_pattern) for row in rows]),
    )


def _sound(row) -> str:
    """Say how many hits are no strikes but the sound of one: `380, 16.3 ms after the strike`."""
    if not row.n_sound:
        return ""
    when = "after" if row.sound_gap_s > 0 else "before"
    return f"{row.n_sound}, {words.milliseconds(abs(row.sound_gap_s))} {when} the strike"


def shafts(found: Found) -> list[Column]:
    """List the wobbles that were found, the largest first."""
    rows = list(found.shafts.sort_values("amplitude_s", ascending=False, kind="stable").itertuples(index=False))
    return _told(
        Column("Shaft", [row.shaft if words.known(row.shaft) else "nobody named one that turns so" for row in rows]),
        # Of a shaft that nobody named, how often it turns is not known: only how often it is felt.
        Column("Times a turn of the barrel", [f"{row.order:.3f}" for row in rows], True),
        Column("Wobble", [words.spread(words.milliseconds(row.amplitude_s, row.amplitude_se)) for row in rows], True),
        Column("Off the told ratio", [_creep_said(row) for row in rows], True),
    )


def _creep_said(row) -> str:
    """Say by how much the ratio is off with its error: few turns of the barrel tell it but roughly."""
    return words.percent(row.creep, row.creep_se, sign=True, digits=2)


def changes(found: Found) -> list[Column]:
    """List each quantity with its changes against the day before, the first and the baseline, if there is a verdict."""
    rows = found.trend[found.trend["change"].notna() & (found.trend["verdict"] != "")]
    order = list(words.QUANTITIES)
    names = sorted(set(rows["quantity"]), key=lambda name: (order.index(name) if name in order else len(order), name))
    columns = [
        Column("What", [words.quantity_name(name) for name in names]),
        Column("Now", [_now_said(rows, name) for name in names], True),
    ]
    before = f"Against {news.before_said(found)}" if found.before else ""
    for against, title in zip(AGAINST, (before, "Against the first takes", "Against the baseline"), strict=True):
        some = rows[rows["against"] == against].set_index("quantity")
        cells = [news.changed(name, some.loc[name]) if name in some.index else "" for name in names]
        columns.append(Column(title, cells))
    # The baseline is often the first day.
    told = [
        column for place, column in enumerate(columns) if column.cells not in [one.cells for one in columns[:place]]
    ]
    return _told(*told)


def jobs(found: Found) -> list[Column]:
    """List all jobs of a group."""
    rows = news.jobs(found)
    return _told(
        Column("Where", [f"{place}. {job.where}" for place, job in enumerate(rows, 1)]),
        Column("Found", [job.finding for job in rows]),
        Column("Do", [job.correction for job in rows]),
        Column("Work", [job.effort for job in rows]),
        Column("To be sure", [job.to_be_sure for job in rows]),
        Column("Wins", [job.gain for job in rows]),
        Column("Sure", [job.certainty for job in rows], True),
    )


def recordings(results: Results) -> list[Column]:
    """List every recording with its state, and why it was refused."""
    rows = list(results.recordings.sort_values(["build_day", "recording"], kind="stable").itertuples(index=False))
    used = [row.status == "used" for row in rows]
    several = results.recordings["arrangement"].nunique() > 1

    def of_used(write):
        return [write(row) if good else "" for row, good in zip(rows, used, strict=True)]

    return _told(
        Column("Recording", [row.recording for row in rows]),
        Column("State", ["✓ used" if good else "✗ refused" for good in used]),
        Column("Build day", [_day(row) for row in rows]),
        Column("Arrangement", [row.arrangement if several else "" for row in rows]),
        Column("Machine set-up", [row.setup for row in rows]),
        Column("Tempo, quarter notes a minute", of_used(lambda row: words.plain(row.tempo_bpm)), True),
        Column("Played", of_used(lambda row: str(row.n_played)), True),
        Column("Missed", of_used(lambda row: str(row.n_missed)), True),
        Column("Double or stray", of_used(lambda row: str(row.n_extra)), True),
        Column("Spread", of_used(lambda row: words.milliseconds(row.felt_sd_s)), True),
        Column("Faults and cures", [_faults(row) for row in rows]),
    )


def _told(*columns: Column) -> list[Column]:
    """Keep the columns in which something is known."""
    return [column for column in columns if any(cell not in NOTHING for cell in column.cells)]


def _delay(row) -> str:
    """Write a striker's delay; one that is heard alone has nothing to be late against."""
    return words.milliseconds(row.delay_s, row.delay_se, sign=True) if row.delay_se else "–"


def _now_said(rows, name: str) -> str:
    now = rows[rows["quantity"] == name].iloc[0]
    return words.quantity(name, now["value"], now["value_se"])


def _day(row) -> str:
    return words.day(row.build_day) + (f", session {row.session}" if row.session > 1 else "")


def _faults(row) -> tuple[Fault, ...]:
    """Return why a recording was refused, and each 'name: finding; cure' of its health in two."""
    faults = [Fault(words.sentence(row.reason), "")] if row.status == "refused" else []
    for told in row.health:
        found, _, cure = told.rpartition("; ")
        faults.append(Fault(found, cure) if found else Fault(told, ""))
    return tuple(faults)
