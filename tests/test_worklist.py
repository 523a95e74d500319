"""What to mend next, from tables made for the purpose."""

from datetime import date

import numpy as np
import pytest

from pipeline import tables, worklist
from pipeline.settings import Arrangement, Barrel, Detection, Machine, Recording, Settings, Striker

DAY = date(2031, 5, 3)
GROUP = {"arrangement": "song", "build_day": DAY, "session": 1, "setup": ""}
NAMES = ("oak block", "slate")
SURFACE_MM_PER_S = 66.0  # 420 mm across, a turn in 20 s


def make_settings(days=(DAY,), finest_move_mm=0.2):
    takes = tuple(Recording(f"t{at}", f"t{at}.csv", day, "", "song") for at, day in enumerate(days))
    strikers = tuple(Striker(name, (60 + at,)) for at, name in enumerate(NAMES))
    machine = Machine(Barrel(8, 420.0), (), None, strikers, finest_move_mm)
    return Settings("c", "r", None, (Arrangement("song", "s.mid"),), machine, (), (), Detection(), takes)


def make(name, rows):
    """Make a table from rows that name only what matters; the rest is 0, '' or null."""
    blank = {"int64": 0, "double": 0.0, "string": "", "bool": False, "date32[day]": DAY}
    schema = tables.CONTRACTS[name].schema
    columns = {}
    for field in schema:
        default = None if field.nullable else [] if "list" in str(field.type) else blank[str(field.type)]
        columns[field.name] = [row.get(field.name, default) for row in rows]
    return tables.build(name, columns)


def make_lateness(n=400, seed=0, offsets=None, sd_s=0.004):
    """One playthrough of one take: scatter, and `offsets[pin]` on top."""
    felt = np.random.default_rng(seed).normal(0, sd_s, n)
    for pin, offset in (offsets or {}).items():
        felt[pin] += offset
    rows = [
        {"recording": "t0", "playthrough": 1, "note_id": at, "pin_id": at, "hit_id": at, "striker": NAMES[at % 2]}
        | {"felt_s": felt[at], "felt_load_s": 0.0, "shared": 1}
        for at in range(n)
    ]
    return make("lateness", rows)


def make_pin(pin, offset_s, **more):
    row = GROUP | {"pin_id": pin, "note_id": pin, "striker": NAMES[pin % 2], "bar": 1 + pin // 8, "beat_in_bar": 1.0}
    row |= {"offset_s": offset_s, "offset_se": 0.001, "offset_mm": offset_s * SURFACE_MM_PER_S, "n_takes": 3}
    return row | {"q_value": 0.001, "misplaced": True} | more


def jobs(lateness, strikers=(), pins=(), budget=(), settings=None):
    settings = settings or make_settings()
    given = {"strikers": strikers, "pins": pins, "budget": budget}
    made = {name: make(name, list(rows)) for name, rows in given.items()}
    return worklist.jobs(settings, {settings.groups()[-1].id: lateness}, **made).to_pandas()


def test_a_late_pin_is_moved_forward_by_its_millimetres_and_an_early_one_backward():
    made = jobs(make_lateness(offsets={40: 0.02, 81: -0.03}), pins=[make_pin(40, 0.02), make_pin(81, -0.03)])
    assert list(made["where"]) == ["slate, bar 11 beat 1", "oak block, bar 6 beat 1"]
    # 20 ms on a surface that passes at 66 mm/s.
    np.testing.assert_allclose(made["correction_mm"], [-0.03 * 66, 0.02 * 66])
    assert "2.0 mm backward" in made["correction"][0] and "1.3 mm forward" in made["correction"][1]
    assert (made["gain_audible"] == 1).all()


def test_the_gain_is_the_felt_spread_before_less_the_spread_after():
    with_fault, without = make_lateness(offsets={40: 0.05}), make_lateness()
    made = jobs(with_fault, pins=[make_pin(40, 0.05)])
    before, after = (np.std(table["felt_s"].to_numpy(), ddof=1) for table in (with_fault, without))
    assert made["gain_s"][0] == pytest.approx(before - after, rel=1e-9)


def test_what_is_too_fine_to_do_or_not_sure_is_no_job():
    fine = make_pin(40, 0.002)  # 0.13 mm
    unsure = make_pin(41, 0.02, q_value=0.2)
    innocent = make_pin(42, 0.02, misplaced=False)
    assert len(jobs(make_lateness(), pins=[fine, unsure, innocent])) == 0


def test_a_whole_row_late_is_one_job():
    late = {pin: 0.008 for pin in range(0, 400, 2)}
    striker = GROUP | {"striker": "oak block", "delay_s": 0.004, "delay_se": 0.0003, "n_played": 600}
    other = GROUP | {"striker": "slate", "delay_s": -0.004, "delay_se": 0.0003, "n_played": 600}
    pins = [make_pin(0, 0.02)]
    made = jobs(make_lateness(offsets=late), [striker, other], pins)
    assert made["part"][0] == "striker" and made["where"][0] == "oak block"
    assert made["correction_mm"][0] == pytest.approx(0.008 * 66)
    assert "or mend its delay" in made["correction"][0]


def test_only_the_late_one_of_four_strikers_is_moved_and_by_all_of_its_lateness():
    """One striker 8 ms later than three others: against the mean of all, 6 ms and three times −2 ms."""
    late = {pin: 0.008 for pin in range(0, 400, 2)}
    delays = {"oak block": 0.006, "slate": -0.002, "tin cup": -0.002, "gong": -0.002}
    strikers = [
        GROUP | {"striker": name, "delay_s": delay, "delay_se": 0.0003, "n_played": 600}
        for name, delay in delays.items()
    ]
    made = jobs(make_lateness(offsets=late), strikers, [make_pin(0, 0.02)])
    made = made[made["part"] == "striker"]
    assert list(made["where"]) == ["oak block"] and made["correction_mm"].iloc[0] == pytest.approx(0.008 * 66)


def test_a_lever_too_fine_to_move_leaves_the_delay_to_mend():
    striker = GROUP | {"striker": "oak block", "delay_s": 0.008, "delay_se": 0.0003, "n_played": 600}
    other = GROUP | {"striker": "slate", "delay_s": 0.0, "delay_se": 0.0003, "n_played": 600}
    late = {pin: 0.008 for pin in range(0, 400, 2)}
    slow = [make_pin(0, 0.02, offset_mm=0.02 * 10.0)]  # a surface that passes at 10 mm/s
    made = jobs(make_lateness(offsets=late), [striker, other], slow).set_index("where")
    assert np.isnan(made.loc["oak block", "correction_mm"]) and "mend its delay" in made.loc["oak block", "correction"]


def test_missing_strikes_come_before_everything_else():
    striker = GROUP | {"striker": "slate", "n_played": 570, "n_missed": 30, "miss_pattern": "short gaps"}
    made = jobs(make_lateness(offsets={40: 0.05}), [striker], [make_pin(40, 0.05)])
    assert list(made["part"]) == ["striker", "pin"]
    assert made["gain_missed"][0] == 10 and "30 of 600" in made["finding"][0]


def test_a_few_misses_in_many_strikes_are_left_to_chance():
    """5 in 600 are below the 1 % that is worth a stop: it takes 11 to be sure (scipy's beta distribution)."""
    few = GROUP | {"striker": "slate", "n_played": 595, "n_missed": 5, "miss_pattern": "at random"}
    assert len(jobs(make_lateness(), [few])) == 0
    assert len(jobs(make_lateness(), [few | {"n_played": 589, "n_missed": 11}])) == 1


def test_only_the_newest_day_is_on_the_list_and_nothing_played_is_no_list():
    settings = make_settings(days=(DAY, date(2031, 5, 9)))
    old, new = settings.groups()
    lateness = {old.id: make_lateness(offsets={40: 0.02}), new.id: make_lateness()}
    given = {"strikers": [], "pins": [make_pin(40, 0.02)], "budget": []}
    made = worklist.jobs(settings, lateness, **{name: make(name, rows) for name, rows in given.items()})
    assert made.num_rows == 0
    assert worklist.newest(settings, dict.fromkeys(lateness, tables.empty("lateness"))) == []


def test_no_job_asks_to_run_faster_or_says_safe():
    part = GROUP | {"ruler": "felt", "part": "load", "sd_s": 0.004, "share": 0.5, "sd_without_s": 0.003}
    lateness = make_lateness()
    loaded = lateness.set_column(
        lateness.column_names.index("felt_load_s"), lateness.schema.field("felt_load_s"), [lateness["felt_s"]]
    )
    made = jobs(loaded.cast(lateness.schema), budget=[part])
    assert list(made["part"]) == ["load"]
    assert "someone competent" in made["correction"][0]
    assert "safe" not in " ".join(made["correction"])
