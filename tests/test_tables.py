"""The contracts of the tables, and reading and writing them."""

from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import tables
from pipeline.errors import InputError

# The columns that other people's scripts and tables rely on: the contract in words, as it was agreed.
PROMISED = {
    "notes": "note_id pin_id bar beat_in_bar bar_start_beat bar_beats score_beat score_s striker pitch velocity "
    "passage barrel_turn",
    "hits": "hit_id channel hit_s hit_se level_db snr_db probability striker kind bands_db",
    "aligned": "arrangement session setup playthrough segment status note_id pin_id hit_id striker bar beat_in_bar "
    "passage score_beat score_s hit_s shared confidence",
    "lateness": "late_s motion_s load_s shaft_s striker_s pin_s rest_s felt_s felt_motion_s felt_load_s felt_shaft_s "
    "felt_striker_s felt_pin_s felt_rest_s felt_se noticed_from_s",
    "tempo": "score_beat time_s tempo_bpm tempo_se motion load shaft",
    "recordings": "status reason n_notes n_played n_missed n_extra n_noticed tempo_bpm tempo_trend_per_min felt_sd_s "
    "felt_p95_s late_sd_s together_s steady_1 steady_2 steady_4 steady_8 sag_max click_offset_s clock_ppm health",
    "passages": "felt_sd_s late_mean_s late_range_s sag load_share n_missed n_extra rank",
    "strikers": "delay_s delay_se company_s company_se readiness_s readiness_se shortest_good_gap_s drag drag_se "
    "energy_j rest_sd_s level_sd_db n_played n_missed n_extra miss_pattern",
    "pins": "note_id offset_s offset_se offset_mm n_takes q_value misplaced",
    "shafts": "shaft order creep amplitude_s amplitude_se phase_turn q_value",
    "budget": "sd_s share sd_without_s",
    "setups": "sag_max felt_sd_s steady_1 inertia_at_barrel_kg_m2 energy_j rim_m_per_s",
    "trend": "value value_se change change_low change_high df detectable verdict",
    "worklist": "rank part where finding correction correction_mm places gain_noticed gain_low gain_high gain_s "
    "gain_missed certainty",
}


def make_notes(n=3, **changes):
    columns = {
        "note_id": list(range(n)),
        "pin_id": list(range(n)),
        "bar": [1] * n,
        "beat_in_bar": [1.0 + at for at in range(n)],
        "bar_start_beat": [0.0] * n,
        "bar_beats": [4.0] * n,
        "score_beat": [float(at) for at in range(n)],
        "score_s": [at / 2 for at in range(n)],
        "striker": ["slate"] * n,
        "pitch": [60] * n,
        "velocity": [90] * n,
        "passage": ["opening"] * n,
        "barrel_turn": [at / 16 for at in range(n)],
    }
    return columns | changes


@pytest.mark.parametrize("name", PROMISED)
def test_every_promised_column_stands_in_its_contract(name):
    assert set(PROMISED[name].split()) <= set(tables.CONTRACTS[name].schema.names)


@pytest.mark.parametrize("name", tables.CONTRACTS)
def test_every_column_says_what_it_means_and_times_carry_seconds(name):
    for field in tables.CONTRACTS[name].schema:
        assert field.metadata[b"meaning"]
        if field.name.endswith("_s") and not field.name.endswith("_per_s"):
            assert field.metadata[b"unit"] == b"s", field.name
        if field.name.endswith("_mm"):
            assert field.metadata[b"unit"] == b"mm", field.name


@pytest.mark.parametrize("name", tables.CONTRACTS)
def test_a_table_with_nothing_to_say_is_written_and_read_back_empty(tmp_path, name):
    tables.write(tmp_path / "t.parquet", name, tables.empty(name))
    assert tables.read(tmp_path / "t.parquet", name).num_rows == 0
    assert tables.is_whole(tmp_path / "t.parquet", name, "", "")
    assert len(pd.read_parquet(tmp_path / "t.parquet")) == 0


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(0, 1e4), min_size=1, max_size=20), st.permutations(range(5)))
def test_write_then_read_is_the_identity_and_rows_come_in_order(tmp_path_factory, times, order):
    path = tmp_path_factory.mktemp("t") / "notes.parquet"
    n = len(times)
    shuffled = sorted(range(n), key=lambda at: (order[at % 5], at))
    table = tables.build("notes", make_notes(n, note_id=shuffled, score_s=[times[at] for at in shuffled]))
    assert table["note_id"].to_pylist() == list(range(n))
    tables.write(path, "notes", table, "abc", {"a": 1})
    assert tables.read(path, "notes").equals(table)
    assert tables.read(path, "notes").schema.field("score_s").metadata[b"unit"] == b"s"
    assert tables.said(path, "notes") == {"a": 1}


def test_files_carry_version_and_configuration_and_have_the_same_bytes_twice(tmp_path):
    for name in "ab":
        tables.write(tmp_path / name, "notes", tables.build("notes", make_notes()), "0123abcd")
    metadata = pq.read_schema(tmp_path / "a").metadata
    assert metadata[b"pindrift.version"] == tables.VERSION.encode()
    assert metadata[b"pindrift.configuration"] == b"0123abcd"
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "notes.parquet"
    tables.write(path, "notes", tables.build("notes", make_notes()))
    before = path.read_bytes()

    def full(*_, **__):
        raise OSError("no space left")

    monkeypatch.setattr(pq, "write_table", full)
    with pytest.raises(OSError, match="no space"):
        tables.write(path, "notes", tables.build("notes", make_notes(5)))
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["notes.parquet"]


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"note_id": [0, 0, 1]}, "twice"),
        ({"striker": ["slate", None, "slate"]}, "null in striker"),
        ({"tempo": [1, 2, 3]}, "unknown"),
    ],
)
def test_a_table_that_breaks_its_contract_is_not_made(changes, word):
    with pytest.raises(ValueError, match=word):
        tables.build("notes", make_notes(**changes))


def test_what_is_no_table_of_ours_is_said_in_one_line(tmp_path):
    (tmp_path / "junk").write_bytes(b"junk")
    pq.write_table(pa.table({"a": [1]}), tmp_path / "other")
    for name in ("missing", "junk", "other"):
        with pytest.raises(InputError, match="expected") as caught:
            tables.read(tmp_path / name, "notes")
        assert len(caught.value.faults) == 1


def test_pandas_reads_the_aligned_set_with_its_hive_keys(tmp_path):
    """pandas and pyarrow fail on a hive key that is also a column; so the key lives in the path only."""
    table = tables.empty("aligned")
    row = {name: [None] for name in table.schema.names}
    row |= {"arrangement": ["song"], "session": [1], "setup": [""], "playthrough": [1], "segment": [1]}
    row |= {"status": ["missed"], "note_id": [0], "shared": [0]}
    for recording in ("a1", "b2"):
        path = tables.path(tmp_path, "aligned", build_day=date(2031, 5, 3), recording=recording)
        tables.write(path, "aligned", tables.build("aligned", row))
    frame = pd.read_parquet(tmp_path / "aligned")
    assert sorted(frame["recording"].astype(str)) == ["a1", "b2"]
    keyed = tables.keyed(tables.read(path, "aligned"), build_day=date(2031, 5, 3), recording="b2")
    assert keyed.slice(0, 1).select(["build_day", "recording"]).to_pylist() == [
        {"build_day": date(2031, 5, 3), "recording": "b2"}
    ]


def test_what_is_no_longer_listed_is_pruned_and_nothing_else(tmp_path):
    kept = tables.path(tmp_path, "hits", recording="a1")
    stale = tables.path(tmp_path, "aligned", build_day="2031-05-03", recording="b2")
    foreign = tmp_path / "hits" / "my own.txt"
    for path, name in ((kept, "hits"), (stale, "aligned")):
        tables.write(path, name, tables.empty(name), mark="ours")
    foreign.write_text("x")
    assert tables.prune(tmp_path, {kept}, "ours") == [stale]
    assert kept.exists() and foreign.exists()
    assert not (tmp_path / "aligned").exists()


def test_numbers_come_back_as_they_went_in_with_null_as_nan_and_may_be_written_to():
    given = np.array([3.0, np.nan, 5.0])
    column = pa.chunked_array([tables.arrow(given[:1]), tables.arrow(given[1:], np.isnan(given[1:]))])
    assert column.null_count == 1
    np.testing.assert_array_equal(tables.numbers(column), given)
    whole = pa.chunked_array([tables.arrow(np.array([2, 7]), np.array([False, True]))])
    np.testing.assert_array_equal(tables.numbers(whole), [2.0, np.nan])
    none = tables.numbers(pa.chunked_array([], pa.int64()))
    assert none.shape == (0,) and none.dtype == np.int64
    back = tables.numbers(pa.chunked_array([tables.arrow(np.array([2, 7]))]))
    assert back.dtype == np.int64
    back[0] = 4


def test_only_files_that_carry_the_own_mark_are_pruned_and_none_behind_a_link(tmp_path):
    results, elsewhere = tmp_path / "results", tmp_path / "elsewhere"
    (results / "hits").mkdir(parents=True)
    pq.write_table(pa.table({"a": [1]}), results / "hits" / "my own.parquet")
    (results / "hits" / "torn.parquet").write_bytes(b"PAR1 torn")
    tables.write(results / "hits" / "older.parquet", "hits", tables.empty("hits"))
    tables.write(results / "hits" / "theirs.parquet", "hits", tables.empty("hits"), mark="theirs")
    tables.write(elsewhere / "a1.parquet", "notes", tables.empty("notes"), mark="ours")
    (results / "notes").symlink_to(elsewhere)
    (results / "hits" / "link.parquet").symlink_to(elsewhere / "a1.parquet")
    there = sorted(tmp_path.rglob("*"))
    assert tables.prune(results, set(), "ours") == []
    assert sorted(tmp_path.rglob("*")) == there


def make_damages():
    """Name ways in which a table's file may fail: each from its path and its bytes to new bytes."""
    return {
        "cut short": lambda raw: raw[:-7],
        "empty": lambda raw: b"",
        "foreign bytes": lambda raw: b"no table at all" * 40,
        "a gap before the footer": lambda raw: raw[:200] + raw[240:],
        "more than was written": lambda raw: raw[:-60] + b"0" * 30 + raw[-60:],
        "zeros at the end": lambda raw: raw + bytes(512),
    }


@pytest.mark.parametrize("damage", make_damages().values(), ids=make_damages())
def test_a_damaged_table_does_not_stand(tmp_path, damage):
    path = tmp_path / "notes.parquet"
    tables.write(path, "notes", tables.build("notes", make_notes(40)), "0123", mark="ours")
    assert tables.is_whole(path, "notes", "0123", "ours")
    path.write_bytes(damage(path.read_bytes()))
    assert not tables.is_whole(path, "notes", "0123", "ours")


def test_a_table_stands_only_for_its_contract_version_configuration_and_owner(tmp_path, monkeypatch):
    path = tmp_path / "hits.parquet"
    tables.write(path, "hits", tables.empty("hits"), "0123", mark="ours")
    assert tables.is_whole(path, "hits", "0123", "ours")
    for other in (("notes", "0123", "ours"), ("hits", "4567", "ours"), ("hits", "0123", "theirs")):
        assert not tables.is_whole(path, *other)
    assert not tables.is_whole(tmp_path / "missing", "hits", "0123", "ours")
    monkeypatch.setattr(tables.parquet, "VERSION", "1-00000000")
    assert not tables.is_whole(path, "hits", "0123", "ours")


def test_bytes_changed_among_the_rows_are_not_read_as_numbers(tmp_path):
    """The footer is whole; the pages carry checksums (CRC-32, Parquet format specification)."""
    path = tmp_path / "notes.parquet"
    tables.write(path, "notes", tables.build("notes", make_notes(500)))
    raw = bytearray(path.read_bytes())
    column = pq.read_metadata(path).row_group(0).column(tables.CONTRACTS["notes"].schema.names.index("score_s"))
    raw[column.data_page_offset + column.total_compressed_size // 2] ^= 0x10
    path.write_bytes(raw)
    with pytest.raises(InputError, match="delete it and run again"):
        tables.read(path, "notes")


@pytest.mark.parametrize(
    ("name", "keys", "stage"),
    [
        ("notes", {"arrangement": "song"}, "notes"),
        ("hits", {"recording": "a1"}, "hits"),
        ("lateness", {"build_day": "2031-05-03", "group": "g"}, "timing"),
        ("pins", {}, "tables"),
        ("setups", {}, "trend"),
    ],
)
def test_a_table_that_is_not_there_says_which_stage_makes_it(tmp_path, name, keys, stage):
    path = tables.path(tmp_path, name, **keys)
    for ask in (tables.read, tables.said):
        with pytest.raises(InputError, match=f"expected the table '{name}'; found no file; run the stage '{stage}'"):
            ask(path, name)
    with pytest.raises(InputError, match="run the stage 'timing' first"):
        tables.read(tables.group_folder(tmp_path, "2031-05-03", "g") / "pins.parquet", "pins")
