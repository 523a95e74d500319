"""Say what each machine set-up did, and what is foreseen of those on which the machine does not run now.

In: the table 'setups' of the leading arrangement. Out: a list of them, and one paragraph for each.
"""

import numpy as np

from pipeline import words
from pipeline.report.lists import NOTHING, Column
from pipeline.report.results import KEYS, Results

# Column stems and units of the table, what they are called, in the order in which they are said.
QUANTITIES = (
    ("felt_sd", "_s", "spread", "felt_sd_s"),
    ("steady_1", "", "steadiness from bar to bar", "steady_1"),
    ("sag_max", "", "speed lost to load", "sag_max"),
    ("click_sd", "_s", "distance from the click", "late_sd_s"),
)
TESTED = (*QUANTITIES, ("steady_4", "", "steadiness over 4 bars", "steady_4"))
WON_BY_MASS = 0.1  # of the spread: what mass can win at most; below that it does not help. Our own choice
STORED = (
    ("Inertia at the barrel", "inertia_at_barrel_kg_m2", "kg m²"),
    ("Energy in the wheel", "energy_j", "J"),
    ("Rim speed", "rim_m_per_s", "m/s"),
)
HARDLY = 0.1  # of a quantity: less is no change worth a wheel. Our own choice
HEAVIER = 1.01  # times as much energy, speed or inertia: more than rounding
ASSUMED = (
    "Foreseen: the speed of the newest takes, turned back into torque, on the other inertia; the same crew, friction "
    "and mechanism. In brackets: where the mean of as many takes on another day lies, in 95 cases of 100. Only the "
    "wheel as configured counts: barrel and shafts, which add to the inertia, make every change a little smaller."
)


def rows_of(results: Results) -> list:
    """Return the rows of the leading arrangement, the set-up on the machine now first; nothing with only one."""
    if not results.sections:
        return []
    lead = results.sections[0].group
    frame = results.setups[results.setups["arrangement"] == lead.arrangement]
    frame = frame.assign(other=(frame["setup"] != lead.setup) | (frame["more_wheels"] > 0))
    rows = list(frame.sort_values(["other", "more_wheels", "setup"], kind="stable").itertuples(index=False))
    return rows if len(rows) > 1 and not rows[0].other else []


def table(results: Results) -> list[Column]:
    """List what each set-up did and what is foreseen of it, a set-up a column; lines in which nothing is known go."""
    rows = rows_of(results)
    if not rows:
        return []
    sources = [_source(results, row, rows) for row in rows]
    n_takes = [row.n_recordings if one is None else len(one) for row, one in zip(rows, sources, strict=True)]
    lines = [("Recordings", [str(number) if number else "–" for number in n_takes])]
    lines += [
        (words.capital(name), [_cell(row, one, stem, unit, as_what) for row, one in zip(rows, sources, strict=True)])
        for stem, unit, name, as_what in QUANTITIES
    ]
    lines += [(title, _against_now(rows, name, unit)) for title, name, unit in STORED]
    takes = [_of_column(results, row, one) for row, one in zip(rows, sources, strict=True)]
    lines += [("Time to stop", [_stops(row, rows[0], one) for row, one in zip(rows, takes, strict=True)])]
    lines = [(title, cells) for title, cells in lines if any(cell not in NOTHING for cell in cells)]
    titles, cells = [title for title, _ in lines], list(zip(*(cells for _, cells in lines), strict=True))
    names = [_named(row, rows[0]) + _of_day(one) for row, one in zip(rows, sources, strict=True)]
    of_setups = [Column(name, list(mine), True) for name, mine in zip(names, cells, strict=True)]
    return [Column("", titles), *of_setups]


def said(results: Results) -> list[str]:
    """Return one paragraph for each set-up but the one on the machine now, and the inertia that was measured."""
    rows = rows_of(results)
    chance = _chance_said(results, rows[0].arrangement) if rows else ""
    paragraphs = [_said(row, rows, _before(results, row), chance) for row in rows[1:]]
    return list(filter(None, [*paragraphs, _measured(rows[0]) if rows else ""]))


def note(results: Results) -> str:
    """Return what the table rests on: where the wheel turns, and what is foreseen or why nothing is."""
    rows = rows_of(results)
    return " ".join(filter(None, [_on_the_barrel(results, rows), _foreseen_note(rows)])) if rows else ""


def _on_the_barrel(results, rows) -> str:
    """Say that the wheel is taken to turn with the barrel where no shaft is named after it."""
    told = any(words.known(row.energy_j) or words.known(row.rim_m_per_s) for row in rows)
    shafts = results.sections[0].machine.shafts
    if not told or any(shaft.name == "flywheel" for shaft in shafts):
        return ""
    return (
        "No shaft is named flywheel: inertia, energy and rim speed are those of a wheel that turns with the barrel. If "
        "it turns faster than that, they are larger: give its shaft the name flywheel and its turns."
    )


def _foreseen_note(rows) -> str:
    """Return what predictions rest on, or what must be told or played before there are any; '' where neither helps."""
    if any(_known(row, stem, unit)[0] for row in rows for stem, unit, *_ in QUANTITIES):
        return ASSUMED
    if sum(words.known(row.inertia_at_barrel_kg_m2) for row in rows) < 2:
        return "What another wheel or pulley would change is not foreseen: the flywheel's inertia is not told."
    return (
        "What another wheel or pulley would change is not known here: it takes two recordings or more of one day, some "
        "minutes long, and set-ups of at most 8 times the inertia of the one played, at least a quarter of it."
    )


def _source(results, row, rows):
    """Return the takes from which other set-ups are foreseen, where they are this one's; None where they are not."""
    if row.more_wheels:
        return None
    foreseen = [one for one in rows if one is not row and any(_known(one, *of[:2])[0] is not None for of in QUANTITIES)]
    from_it = [one for one in foreseen if one.predicted_from == row.setup]
    return _takes_before(results, from_it[0]) if from_it else None


def _of_column(results, row, source):
    """Return the takes that a column speaks of: those that others are foreseen from, else all of the set-up."""
    if source is not None:
        return source
    takes = results.recordings
    on = takes["setup"].eq(row.setup) & takes["arrangement"].eq(row.arrangement) & (row.more_wheels == 0)
    return takes[on]


def _of_day(takes) -> str:
    """Write `, takes of 4 May 2031`: what is foreseen is to be held against these."""
    return "" if takes is None or not len(takes) else f", takes of {words.day(takes['build_day'].iloc[0])}"


def _takes_before(results, row):
    """Return the takes from which a set-up is foreseen."""
    takes = results.recordings
    on = (takes["status"] == "used") & (takes["arrangement"] == row.arrangement)
    on &= (takes["setup"] == row.predicted_from) & (takes["build_day"] == row.predicted_from_day)
    return takes[on & (takes["session"] == takes.loc[on, "session"].max())]


def _before(results, row) -> dict[str, float]:
    """Return the measured quantities of the takes from which a set-up is foreseen, by the columns of 'recordings'."""
    return _means(_takes_before(results, row))


def _means(takes) -> dict[str, float]:
    takes = takes.assign(late_sd_s=takes["late_sd_s"].where(takes["click_offset_s"].notna()))
    logs = np.log(takes[[as_what for *_, as_what in QUANTITIES]].astype(float).where(lambda values: values > 0))
    return {name: float(np.exp(mean)) for name, mean in logs.mean().items() if np.isfinite(mean)}


def _said(row, rows, before, chance) -> str:
    """Return the paragraph of one set-up; '' where nothing is foreseen of it."""
    known = [of for of in QUANTITIES if _known(row, *of[:2])[0] is not None]
    if not known:
        return ""
    lead = f"{words.capital(_name(row, rows[0]))}, foreseen from the takes of {words.day(row.predicted_from_day)}"
    if row.predicted_from != rows[0].setup:
        lead += f" ({row.predicted_from or words.WITHOUT_SETUP})"
    more = (_mechanism(row, rows, before.get("felt_sd_s")), _played(row, chance), _caution(row, rows[0]))
    return " ".join([f"{lead}: {_changes(row, known, before)}.", *filter(None, more)])


def _changes(row, known, before) -> str:
    """Say what changes, and what hardly does."""
    changed, same = [], []
    for stem, unit, name, as_what in known:
        value, low, high = _known(row, stem, unit)
        if as_what in before and abs(value / before[as_what] - 1) < HARDLY:
            same.append(name)
            continue
        against = f" instead of {words.quantity(as_what, before[as_what])}" if as_what in before else ""
        changed.append(f"{name} {_range(as_what, value, low, high)}{against}")
    return ", ".join([*changed, *([f"about the same {words.joined(same)}"] if same else [])])


def _mechanism(row, rows, before) -> str:
    """Say what more mass leaves of the spread `before`; '' for a set-up that has no more than it is foreseen from."""
    still, source = row.mechanism_predicted_s, _row_of(rows, row.predicted_from)
    if before is None or source is None or not words.known(still):
        return ""
    if not row.inertia_at_barrel_kg_m2 > HEAVIER * source.inertia_at_barrel_kg_m2 or still < before / 2:
        return ""
    mechanism = "the mechanism (strikers, pins, wobbles, scatter)"
    if still < (1 - WON_BY_MASS) * before:
        return f"No mass, however much, brings the spread below {words.milliseconds(still)}: so much {mechanism} makes."
    return f"Mass will not help the spread: {_number(still)} of {words.milliseconds(before)} are {mechanism}."


def _row_of(rows, setup):
    return next((one for one in rows if not one.more_wheels and one.setup == setup), None)


def _chance_said(results, arrangement) -> str:
    """Say which differences by chance a measured set-up was held against; days count where a set-up has two groups."""
    used = results.recordings[
        results.recordings["status"].eq("used") & results.recordings["arrangement"].eq(arrangement)
    ]
    if used.drop_duplicates(KEYS)["setup"].duplicated().any():
        return "Takes, and days of one set-up, seldom differ so much by chance."
    return "Takes seldom differ so much by chance; how much days do is not known, as no set-up was played on two."


def _played(row, chance) -> str:
    """Say whether the takes of this set-up agree with what was foreseen of it; what may differ are questions."""
    if row.agrees == "agrees":
        text = "It was played, and what the wheel acts on was as foreseen."
        if row.mechanism_changed:
            text += (
                " What no wheel changes (strikers, pins, wobbles, scatter) was not the same: it made "
                f"{_number(row.mechanism_sd_s)} there, {words.milliseconds(row.mechanism_predicted_s)} in the takes "
                "that it is foreseen from."
            )
        return text
    if row.agrees != "differs":
        return ""
    found = words.joined([_against_foreseen(row, at, one) for at, one in enumerate(row.differs)])
    return (
        f"It was played, and was not as foreseen: {found}. {chance}{_wider(row)} Was something not as configured, or "
        "not as in those takes: the wheel, the crew, the friction? Do not build on what is foreseen here."
    )


def _against_foreseen(row, at: int, name) -> str:
    """Write `speed lost to load 3.1 % where 2.0 % (1.6 to 2.5) was foreseen`; of the spread the part tested."""
    stem, unit, called, as_what = next(one for one in TESTED if one[0] + one[1] == name)
    measured, foreseen = getattr(row, stem + unit), getattr(row, f"{stem}_predicted{unit}")
    if name == "felt_sd_s":
        called, measured = "the part of the spread that the wheel acts on", row.speed_sd_s
        foreseen = row.speed_predicted_s
    ends = (row.differs_low, row.differs_high)
    told = words.quantity(as_what, foreseen)
    if all(one is not None and len(one) > at for one in ends):
        told = _range(as_what, foreseen, ends[0][at], ends[1][at])
    return f"{called} {words.quantity(as_what, measured)} where {told} was foreseen"


def _wider(row) -> str:
    """Say why the brackets of what is foreseen are wider than those of the test, where they hold what was played."""
    for stem, unit, *_ in TESTED:
        value, (_, low, high) = getattr(row, stem + unit), _known(row, stem, unit)
        if stem + unit in row.differs and words.known(value) and low is not None and low <= value <= high:
            return (
                " The brackets for another day are wider: they take the difference of the two set-ups for one of days."
            )
    return ""


def _measured(now) -> str:
    """Say the inertia that two set-ups with a known added mass tell; '' where they do not."""
    ends = [getattr(now, f"inertia_measured{end}_kg_m2") for end in ("", "_low", "_high")]
    if not all(words.known(one) for one in ends):
        return ""
    value, low, high = (words.about(one) for one in ends)
    return (
        f"By what strikes cost with and without the added wheel, the inertia at the barrel is {value} kg m² "
        f"({low} to {high}), all that turns included; the wheel as configured makes "
        f"{words.about(now.inertia_at_barrel_kg_m2)} of it."
    )


def _caution(row, now) -> str:
    """Say by how much energy, rim speed and time to stop change against the machine as it is now."""
    ratios = [_times(row, now, name) for name in ("energy_j", "rim_m_per_s", "inertia_at_barrel_kg_m2")]
    if None in ratios:
        return ""
    energy, rim, stop = ratios
    text = (
        f"Against the machine as it is now: energy in the wheel {_by(energy)}, rim speed {_by(rim)}, time to stop "
        f"{_by(stop)} with the same friction and brake"
    )
    if max(ratios) < HEAVIER:
        return text + "."
    return text + ": guards, brake, shaft and fixings must be reconsidered by someone competent before it turns."


def _by(ratio) -> str:
    return "as now" if 1 / HEAVIER < ratio < HEAVIER else f"×\N{NO-BREAK SPACE}{words.about(ratio)}"


def _times(row, now, name) -> float | None:
    value, own = getattr(row, name), getattr(now, name)
    return float(value / own) if words.known(value) and words.known(own) and own else None


def _stops(row, now, takes) -> str:
    """Write the time to stop: of the run-downs of its takes, else how many times that of the machine as it is."""
    stops_s = takes["stops_s"].dropna()
    if len(stops_s):
        return words.about(stops_s.mean(), "s")
    ratio = _times(row, now, "inertia_at_barrel_kg_m2")
    return _by(ratio) if ratio is not None and row.other else "–"


def _name(row, now) -> str:
    if row.more_wheels:
        return f"{now.setup} and one more wheel" if now.setup else "one more wheel"
    return row.setup or words.WITHOUT_SETUP


def _named(row, now) -> str:
    return _name(row, now) + ("" if row.other else " (as it is now)")


def _known(row, stem, unit) -> tuple:
    """Return what is foreseen and its ends; three None where nothing is."""
    found = tuple(getattr(row, f"{stem}{part}{unit}") for part in ("_predicted", "_low", "_high"))
    return found if all(words.known(one) for one in found) else (None, None, None)


def _cell(row, source, stem, unit, as_what) -> str:
    """Write what was measured and what is foreseen; of takes that others are foreseen from, what these alone say."""
    measured, (value, low, high) = getattr(row, stem + unit), _known(row, stem, unit)
    se = row.sag_max_se if stem == "sag_max" else None
    if source is not None:
        measured, se = _means(source).get(as_what), None
    parts = [words.quantity(as_what, measured, se)] if words.known(measured) else []
    parts += [f"foreseen {_range(as_what, value, low, high)}"] if value is not None else []
    return "; ".join(parts)


def _range(as_what, value, low, high) -> str:
    """Write a value and the ends of its interval, the unit once: `3.6 ms (3.3 to 3.8)`."""
    unit = words.quantity(as_what, value).partition("\N{NO-BREAK SPACE}")[2]
    ends = words.between(as_what, low, high).removesuffix(f"\N{NO-BREAK SPACE}{unit}")
    return f"{words.quantity(as_what, value)} ({ends})"


def _number(value_s) -> str:
    return words.milliseconds(value_s).partition("\N{NO-BREAK SPACE}")[0]


def _against_now(rows: list, name: str, unit: str) -> list[str]:
    """Write a quantity of the set-ups, with how many times it is that of the set-up now on the machine."""
    now = float(getattr(rows[0], name) if words.known(getattr(rows[0], name)) else np.nan)
    cells = []
    for row in rows:
        value = getattr(row, name)
        cell = words.about(value, unit)
        if row.other and words.known(value) and now > 0:
            cell += f" (× {words.about(value / now)})"
        cells.append(cell)
    return cells
