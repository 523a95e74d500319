"""Hits before a take, after it and while it stands are no double strikes; those of the machine stay what they are."""

import numpy as np
import pytest

from tests import aligned_takes as takes

KNOCKS = 25


def with_knocks(case, where, chance):
    """Return the hits of a take with knocks, and which of them are knocks."""
    frame = case.hits.to_pandas()
    first_s, last_s = frame["hit_s"].min(), frame["hit_s"].max()
    if where == "before":
        knock_s = chance.uniform(first_s - 22, first_s - 1, KNOCKS)
    else:
        knock_s = chance.uniform(last_s + 1, last_s + 22, KNOCKS)
    hit_s = np.concatenate((frame["hit_s"], knock_s)) + 25
    names = [*frame["striker"], *chance.choice(frame["striker"].unique(), KNOCKS)]
    order = np.argsort(hit_s)
    return takes.make_hits(hit_s[order], [names[k] for k in order]), order >= len(frame)


@pytest.mark.parametrize("where", ["before", "after"])
@pytest.mark.parametrize("seed", range(2))
def test_knocks_around_a_take_are_left_open(where, seed):
    case = takes.simulate(3100 + seed)
    names = sorted(set(case.notes["striker"].to_pylist()))
    hits, is_knock = with_knocks(case, where, np.random.default_rng([seed, 810]))
    plain = takes.make_hits(case.hits["hit_s"].to_numpy() + 25, case.hits["striker"].to_pylist())
    plain, _ = takes.align(case.notes, plain, takes.RECORDING, None, takes.make_machine(names))
    table, _ = takes.align(case.notes, hits, takes.RECORDING, None, takes.make_machine(names))
    rows, alone = table.to_pandas(), plain.to_pandas()
    knocks = rows[rows["hit_id"].isin(np.flatnonzero(is_knock))]
    assert len(knocks) == KNOCKS and set(knocks["status"]) == {"undecided"} and knocks["note_id"].isna().all()
    for status in ("played", "missed", "extra"):
        assert rows["status"].eq(status).sum() == alone["status"].eq(status).sum()


def test_what_people_try_while_the_machine_stands_is_left_open():
    score_s, striker = takes.make_song(5, n_notes=160)
    notes = takes.make_notes(score_s, striker)
    middle_s = float(np.median(score_s))
    played_s = np.where(score_s > middle_s, score_s + 12, score_s) + 2
    tried_s = np.array([middle_s + 2 + 4, middle_s + 2 + 7])  # two: too few for a bar that is not written
    rebound_s = played_s[score_s <= middle_s].max() + 0.03
    hit_s = np.concatenate((played_s, tried_s, [rebound_s]))
    order = np.argsort(hit_s, kind="stable")
    names = [*striker, striker[0], striker[1], striker[int(np.argmax(np.where(score_s <= middle_s, score_s, -1)))]]
    hits = takes.make_hits(hit_s[order], [names[k] for k in order])
    machine = takes.make_machine(sorted(set(striker)))
    rows = takes.align(notes, hits, takes.RECORDING, None, machine)[0].to_pandas()
    of = rows[rows["note_id"].isna()].set_index("hit_s")["status"]
    assert of.loc[tried_s].tolist() == ["undecided", "undecided"]
    assert of.loc[rebound_s] == "extra"
