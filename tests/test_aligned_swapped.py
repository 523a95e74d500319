"""Microphones exchanged in the rig: said in health, and read by whose notes the hits follow."""

import re

import numpy as np
import pytest

from pipeline.aligned import align
from pipeline.settings import Channel, Rig
from tests.aligned_takes import (
    RECORDING,
    align_simulated,
    compare,
    hit_of,
    make_hits,
    make_machine,
    make_notes,
    make_song,
    simulate,
    some_bars,
    three_rounds,
    without,
)

SEEDS = range(7100, 7140)


def make_take(seed, n_strikers=6, n_notes=150, chords=True):
    """Return times and strikers of a song, and of a take of it: 5 % missed, 4 ms of scatter, strikes that come double.

    Every fifth strike of striker 1 comes twice, 60 ms apart.
    """
    chance = np.random.default_rng([seed, 21])
    score_s, striker = make_song(seed, n_notes, n_strikers, chords)
    hit_s = 1 + score_s * chance.uniform(0.9, 1.1) + chance.normal(0, 0.004, len(score_s))
    kept = chance.random(len(score_s)) >= 0.05
    double = [k for k, name in enumerate(striker) if name == "striker 1" and kept[k]][::5]
    times = np.concatenate((hit_s[kept], hit_s[double] + 0.06))
    names = [striker[k] for k in np.flatnonzero(kept)] + ["striker 1"] * len(double)
    return score_s, striker, times, names, len(double)


def full_rig(names):
    """Return a rig with a microphone on each striker, channels from 1 in the order of the names."""
    return Rig("full", tuple(Channel(place + 1, (name,)) for place, name in enumerate(sorted(set(names)))))


def align_named(score_s, striker, times, names, rig):
    """Align hits that arrive on the channels of these names."""
    order = np.argsort(times, kind="stable")
    channel = {one.hears[0]: one.channel for one in rig.channels}
    hits = make_hits(
        np.asarray(times)[order], [names[k] for k in order], channel=np.array([channel[names[k]] for k in order])
    )
    return align(make_notes(score_s, striker), hits, RECORDING, rig, make_machine(striker))


def cabled(names, ring):
    """Return the names that hits arrive with when each striker of the ring is plugged into the next one's channel."""
    to = {one: ring[(k + 1) % len(ring)] for k, one in enumerate(ring)}
    return [to.get(name, name) for name in names]


def swapped(said):
    return [line for line in said.get("health", []) if line.startswith("swapped")]


@pytest.mark.parametrize(
    ("ring", "channels"),
    [
        (("striker 1", "striker 4"), "channels 2 and 5 seem exchanged"),
        (("striker 0", "striker 1", "striker 3"), "channels 1, 2 and 4 seem exchanged"),
    ],
    ids=["two", "three rotated"],
)
def test_exchanged_channels_are_said_and_read_as_if_the_rig_were_right(ring, channels):
    score_s, striker, times, names, n_double = make_take(1)
    rig = full_rig(striker)
    right, _ = align_named(score_s, striker, times, names, rig)
    table, said = align_named(score_s, striker, times, cabled(names, ring), rig)
    [line] = swapped(said)
    finding, cure = line.split(": ", 1)[1].split("; ", 1)
    assert finding.startswith(f"{channels} in rig full: ")
    assert cure.endswith("trace the cables, then write so in the rig")
    for k, one in enumerate(ring):
        assert f"{rig.channels[int(ring[(k + 1) % len(ring)][-1])].channel} hears {one}" in cure
    assert table.equals(right)
    extra = [row["striker"] for row in table.to_pylist() if row["status"] == "extra"]
    assert extra.count("striker 1") >= 0.8 * n_double


def test_the_counts_of_the_sentence_are_those_of_the_take():
    score_s, striker, _, _, _ = make_take(2)
    rig = full_rig(striker)
    names = cabled(striker, ("striker 2", "striker 3"))
    _, said = align_named(score_s, striker, 1 + score_s, names, rig)

    def apart(one, other):
        theirs, those = (np.array([t for t, s in zip(score_s, striker, strict=True) if s == n]) for n in (one, other))
        return sum(np.abs(those - t).min() > 0.08 for t in theirs)

    n_2, n_3 = apart("striker 2", "striker 3"), apart("striker 3", "striker 2")
    assert (
        f"channel 3 answers {n_3} of {n_3} notes of striker 3 and 0 of {n_2} of striker 2, "
        f"channel 4 answers {n_2} of {n_2} notes of striker 2 and 0 of {n_3} of striker 3" in swapped(said)[0]
    )


def test_two_exchanged_of_three_are_told_although_most_names_are_wrong():
    score_s, striker, times, names, _ = make_take(3, n_strikers=3)
    table, said = align_named(score_s, striker, times, cabled(names, ("striker 0", "striker 1")), full_rig(striker))
    assert said["refused"] == "" and len(swapped(said)) == 1
    assert table.equals(align_named(score_s, striker, times, names, full_rig(striker))[0])


def test_two_exchanged_pairs_are_two_findings():
    score_s, striker, times, names, _ = make_take(4)
    wrong = cabled(cabled(names, ("striker 0", "striker 5")), ("striker 2", "striker 3"))
    _, said = align_named(score_s, striker, times, wrong, full_rig(striker))
    assert [re.search(r"channels ([\d, and]+) seem", line)[1] for line in swapped(said)] == ["1 and 6", "3 and 4"]


def always_together(seed):
    """Strikers 0 and 1 always strike together, and are exchanged: nothing can tell."""
    score_s, striker, times, names, _ = make_take(seed, chords=False)
    mine = [k for k, name in enumerate(striker) if name == "striker 0"]
    score, all_striker = np.append(score_s, score_s[mine]), [*striker, *["striker 1"] * len(mine)]
    keep = [k for k, name in enumerate(all_striker) if name != "striker 1" or k >= len(striker)]
    struck = [k for k, name in enumerate(names) if name != "striker 1"]
    also = [k for k in struck if names[k] == "striker 0"]
    times = np.append(times[struck], times[also] + 0.001)
    names = [*(names[k] for k in struck), *["striker 1"] * len(also)]
    order = np.argsort(score[keep], kind="stable")
    striker = [all_striker[keep[k]] for k in order]
    return score[keep][order], striker, times, cabled(names, ("striker 0", "striker 1"))


def leaking(seed):
    """Strikers 0 and 1 leak into each other's channel, most of their strikes."""
    score_s, striker, times, names, _ = make_take(seed)
    chance = np.random.default_rng(seed)
    other = {"striker 0": "striker 1", "striker 1": "striker 0"}
    leak = [k for k, name in enumerate(names) if name in other and chance.random() < 0.7]
    return score_s, striker, np.append(times, times[leak] + 0.0003), [*names, *(other[names[k]] for k in leak)]


def rare(seed):
    """Striker 5 has three notes; its channel and striker 4's are exchanged."""
    score_s, striker, _, _, _ = make_take(seed)
    late = [k for k, name in enumerate(striker) if name == "striker 5"][3:]
    score_s, striker = np.delete(score_s, late), [name for k, name in enumerate(striker) if k not in late]
    times = 1 + score_s + np.random.default_rng(seed).normal(0, 0.004, len(score_s))
    return score_s, striker, times, cabled(striker, ("striker 4", "striker 5"))


def dead_and_heard_next_door(seed):
    """Channel 1 hears nothing; most strikes of its striker 0 leak into channel 2."""
    score_s, striker, times, names, _ = make_take(seed)
    chance = np.random.default_rng(seed)
    kept = [k for k, name in enumerate(names) if name != "striker 0" or chance.random() < 0.8]
    return score_s, striker, times[kept], ["striker 1" if names[k] == "striker 0" else names[k] for k in kept]


def dead_with_a_leaking_neighbour(seed):
    """Channel 1 hears nothing of its own striker 0, but most of striker 1, which channel 2 hears as it should."""
    score_s, striker, times, names, _ = make_take(seed)
    chance = np.random.default_rng(seed)
    struck = [k for k, name in enumerate(names) if name != "striker 0"]
    leak = [k for k, name in enumerate(names) if name == "striker 1" and chance.random() < 0.8]
    names_ = [*(names[k] for k in struck), *["striker 0"] * len(leak)]
    return score_s, striker, np.append(times[struck], times[leak] + 0.0003), names_


def alternating(seed):
    """Two strikers in an even row and their channels exchanged: a take that begins one note later looks the same."""
    chance = np.random.default_rng(seed)
    score_s, striker = np.arange(120) * 0.3, ["striker 0", "striker 1"] * 60
    times = 1 + score_s[20:101] + chance.normal(0, 0.003, 81)
    return score_s, striker, times, cabled(striker[20:101], ("striker 0", "striker 1"))


@pytest.mark.parametrize(
    "make", [always_together, leaking, rare, dead_and_heard_next_door, dead_with_a_leaking_neighbour, alternating]
)
@pytest.mark.parametrize("seed", range(5, 9))
def test_where_nothing_tells_or_another_fault_explains_it_nothing_is_said(make, seed):
    score_s, striker, times, names = make(seed)
    _, said = align_named(score_s, striker, times, names, full_rig(striker))
    assert swapped(said) == []


def align_list(take, names):
    score_s, striker, times, _, _ = take
    order = np.argsort(times, kind="stable")
    hits = make_hits(times[order], [names[k] for k in order])
    return align(make_notes(score_s, striker), hits, RECORDING, None, make_machine(striker))


@pytest.mark.parametrize("ring", [("striker 1", "striker 4"), ("striker 0", "striker 2", "striker 3")])
def test_names_exchanged_in_a_list_are_said_and_no_note_is_missed_for_them(ring):
    """Before, those of their notes that the names hid were called missed: a job at a pin that struck."""
    take = make_take(1, n_strikers=10, n_notes=400)
    right, _ = align_list(take, take[3])
    table, said = align_list(take, cabled(take[3], ring))
    (line,) = [one for one in said["health"] if one.startswith("names: ")]
    assert line.startswith(f"names: {', '.join(ring[:-1])} and {ring[-1]} seem exchanged in the list: ")
    assert swapped(said) == [] and table.equals(right)


def test_one_striker_called_by_anothers_name_is_no_exchange():
    take = make_take(1)
    _, said = align_list(take, ["striker 4" if name == "striker 1" else name for name in take[3]])
    assert not any("exchanged" in line for line in said.get("health", []))


def exchanged_simulated(case, a, b):
    """Return the hits of a simulated take with the cables of channels a and b exchanged."""
    name = {one.channel: one.hears[0] for one in case.rig.channels}
    to = {a: b, b: a}
    channel = case.hits["channel"].to_pylist()
    wrong = {name[a]: name[b], name[b]: name[a]}
    striker = [wrong.get(one, one) for one in case.hits["striker"].to_pylist()]
    return without(case.hits, channel=np.array([to.get(one, one) for one in channel]), striker=striker)


@pytest.mark.parametrize("n_takes", [10, pytest.param(40, marks=pytest.mark.long)])
def test_random_takes_with_the_right_rig_are_never_called_swapped(n_takes):
    crews = (None, some_bars, three_rounds, None)
    takes = (simulate(seed, hard=seed % 2 == 0, crew=crews[seed % 4]) for seed in SEEDS[:n_takes])
    assert [line for take in takes for line in swapped(align_simulated(take)[1])] == []


@pytest.mark.parametrize("n_takes", [8, pytest.param(40, marks=pytest.mark.long)])
def test_random_takes_with_two_busy_channels_exchanged_are_called_so_and_matched_as_well(n_takes):
    told, lost = [], []
    for seed in SEEDS[:n_takes]:
        case = simulate(seed, hard=seed % 2 == 0)
        count = np.bincount(case.hits["channel"].to_numpy(), minlength=13)
        a, b = sorted(int(one) for one in np.argsort(count)[-4:-2])
        table, said = align(case.notes, exchanged_simulated(case, a, b), RECORDING, case.rig, case.machine)
        told.append(f"channels {a} and {b} seem exchanged" in "".join(swapped(said)))
        lost.append(compare(align_simulated(case)[0], case, True).f - compare(table, case, True).f)
    assert np.mean(told) >= 0.9
    assert np.max(np.array(lost)[told]) < 0.005


def test_hit_numbers_do_not_change_with_the_names():
    score_s, striker, times, names, _ = make_take(1)
    rig = full_rig(striker)
    right = hit_of(align_named(score_s, striker, times, names, rig)[0])
    assert hit_of(align_named(score_s, striker, times, cabled(names, ("striker 1", "striker 4")), rig)[0]) == right
