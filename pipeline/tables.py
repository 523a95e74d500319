"""Hold every contract between stages; the only door to Parquet.

A contract is a `pyarrow.Schema` whose fields carry unit and meaning, with the key that is unique and the order in
which rows are written. Times are seconds, score times quarter-note beats (`_beat`), angles turns, tempo quarter notes
per minute, speeds and drags ratios; `late_*`, `felt_*`, offsets and delays are positive when late; `_se` is a standard
error in the unit of its quantity. A column marked `?` may be null. A table with nothing to say has no rows.
"""

import hashlib
import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import InputError

EDITION = 1  # a change of a unit, a sign or a meaning raises it; names and types tell for themselves
N_BANDS = 12  # frequency bands of `bands_db`

_TYPES = {
    "whole": pa.int64(),
    "real": pa.float64(),
    "text": pa.string(),
    "day": pa.date32(),
    "flag": pa.bool_(),
    "texts": pa.list_(pa.string()),
    "bands": pa.list_(pa.float32(), N_BANDS),
}

# The tables of which each group makes its own part.
GATHERED = ("recordings", "passages", "strikers", "pins", "shafts", "budget")
# The stage that makes a table, where it is called otherwise.
_MADE_BY = {"lateness": "timing", "tempo": "timing", "setups": "trend"} | dict.fromkeys(GATHERED, "tables")


@dataclass(frozen=True)
class Contract:
    """One table: its columns (unit and meaning in the field metadata), its key and the order of its rows."""

    name: str
    schema: pa.Schema
    key: tuple[str, ...]
    order: tuple[str, ...]


def _contract(name: str, key: str, order: str, columns: str) -> Contract:
    """Read a contract from lines `name[?] | type | unit | meaning`."""
    fields = []
    for line in filter(None, columns.splitlines()):
        column, kind, unit, meaning = (part.strip() for part in line.split("|"))
        fields.append(
            pa.field(column.rstrip("?"), _TYPES[kind], column.endswith("?"), {"unit": unit, "meaning": meaning})
        )
    return Contract(name, pa.schema(fields), tuple(key.split()), tuple(order.split()))


# The keys of a group (arrangement, build_day, session, setup) as they open every table of groups.
_GROUP = """
arrangement | text | | name of the arrangement
build_day | day | | day of the recordings
session | whole | | session within the day, 1 when none is given
setup | text | | machine set-up, '' when none is given
"""
# A hive key must not stand in the file too, or pandas cannot read the set: the path says build_day.
_GROUP_IN_DAY = _GROUP.replace("build_day | day | | day of the recordings\n", "")
_GROUP_KEY = "arrangement build_day session setup"

CONTRACTS = {
    contract.name: contract
    for contract in (
        _contract(
            "notes",
            key="note_id",
            order="note_id",
            columns="""
note_id | whole | | rank of the note by tick, channel, pitch, from 0
pin_id | whole | | pin that fires it, from 0 (pins: song: the note's own; pins: turn: one per place on the barrel)
bar | whole | | bar, from 1
beat_in_bar | real | beats of the time signature | place in the bar, from 1
score_beat | real | quarter notes | place in the arrangement, from 0
score_s | real | s | nominal time after the arrangement's start, by its tempo map
striker | text | | name of the striker
pitch | whole | | MIDI pitch (0 for a clock test)
velocity | whole | | MIDI velocity
passage | text | | passage the note stands in
barrel_turn | real | turns | angle of the barrel since the arrangement's start
""",
        ),
        _contract(
            "hits",
            key="hit_id",
            order="hit_s channel",
            columns="""
hit_id | whole | | rank of the hit in time, from 0
channel | whole | | audio channel, from 1; 0 when the hit came with a name and no channel
hit_s | real | s | start of the hit, from the recording's first sample
hit_se | real | s | its standard error
level_db | real | dB re full scale | peak level
snr_db | real | dB | peak above the noise before it
probability | real | | probability that something struck here
striker? | text | | striker, where the microphone hears only one or the list names it
kind | text | | strike, rebound, index (turn mark) or click
bands_db | bands | dB re full scale | level in 12 bands over the first 30 ms (NaN where there was no sound)
""",
        ),
        _contract(
            "aligned",
            key="playthrough note_id hit_id",
            order="playthrough score_s hit_s note_id hit_id",
            columns=_GROUP_IN_DAY
            + """
playthrough | whole | | 1, 2, ... when the arrangement goes round again
segment | whole | | from 1; a new one after a stall or a restart
status | text | | played, missed, extra, unheard, outside or undecided
note_id? | whole | | note (null: extra hit)
pin_id? | whole | | its pin
hit_id? | whole | | hit (null: none)
striker? | text | | striker of the note, or of an extra hit that is known by name
bar? | whole | | bar, from 1
beat_in_bar? | real | beats of the time signature | place in the bar, from 1
passage? | text | | passage
score_beat? | real | quarter notes | place in the arrangement
score_s? | real | s | nominal time
hit_s? | real | s | time of the hit in the recording
shared | whole | | notes that share the hit (1: its own; 0: no hit)
confidence? | real | | probability that the match is right
""",
        ),
        _contract(
            "lateness",
            key="recording playthrough note_id",
            order="recording playthrough score_s note_id",
            columns=_GROUP_IN_DAY
            + """
recording | text | | recording
playthrough | whole | | playthrough within the recording
segment | whole | | segment within the recording
note_id | whole | | note
pin_id | whole | | its pin
hit_id | whole | | the hit that played it
striker | text | | striker
bar | whole | | bar, from 1
beat_in_bar | real | beats of the time signature | place in the bar, from 1
passage | text | | passage
score_beat | real | quarter notes | place in the arrangement
score_s | real | s | nominal time
hit_s | real | s | time of the hit in the recording
shared | whole | | notes that share the hit
level_db | real | dB re full scale | peak level
late_s | real | s | lateness against the click, or the take's own straight line
motion_s | real | s | part of late_s: slow motion (crew)
load_s | real | s | part of late_s: load of the strikes
shaft_s | real | s | part of late_s: shafts out of true
striker_s | real | s | part of late_s: striker (delay, company, readiness)
pin_s | real | s | part of late_s: place of the pin
rest_s | real | s | part of late_s: scatter
felt_s? | real | s | lateness against the beat that the strikes before carry on
felt_motion_s? | real | s | part of felt_s
felt_load_s? | real | s | part of felt_s
felt_shaft_s? | real | s | part of felt_s
felt_striker_s? | real | s | part of felt_s
felt_pin_s? | real | s | part of felt_s
felt_rest_s? | real | s | part of felt_s
felt_se? | real | s | standard error of the felt beat itself
noticed_from_s? | real | s | from which size of felt_s on a listener notices the strike (null: it is not judged)
""",
        ),
        _contract(
            "tempo",
            key="recording playthrough segment score_beat",
            order="recording time_s",
            columns=_GROUP_IN_DAY
            + """
recording | text | | recording
playthrough | whole | | playthrough within the recording
segment | whole | | segment within the recording
score_beat | real | quarter notes | place in the arrangement, every half beat
time_s | real | s | when the machine was there
tempo_bpm | real | quarter notes per minute | tempo
tempo_se | real | quarter notes per minute | its standard error
motion | real | | part of the relative speed (about 0): slow motion (crew)
load | real | | part of the relative speed: load of the strikes
shaft | real | | part of the relative speed: shafts out of true
""",
        ),
        _contract(
            "recordings",
            key="recording",
            order="build_day session recording",
            columns=_GROUP
            + """
recording | text | | recording
status | text | | used or refused
reason | text | | why it was refused, '' when used
n_notes | whole | | notes that could have been heard (played and missed)
n_played | whole | | played notes
n_missed | whole | | missed notes
n_extra | whole | | double or stray strikes
n_noticed | whole | | faults that a listener notices: missed, extra and displaced strikes, a shared hit once
tempo_bpm? | real | quarter notes per minute | mean tempo
tempo_trend_per_min? | real | 1/min | relative change of tempo per minute
felt_sd_s? | real | s | standard deviation of felt_s
felt_p95_s? | real | s | 95th percentile of the absolute felt_s
late_sd_s? | real | s | standard deviation of late_s
together_s? | real | s | spread of notes written together (pooled standard deviation)
steady_1? | real | | Allan deviation of bar times over 1 bar
steady_2? | real | | over 2 bars
steady_4? | real | | over 4 bars
steady_8? | real | | over 8 bars
sag_max? | real | | greatest loss of speed that load causes, ratio
sag_max_se? | real | | its standard error, by the drags; the same drags stand behind all takes of a group
click_offset_s? | real | s | mean lateness against the click
clock_ppm? | real | 1e-6 | error of the recorder's clock against the click's true tempo
health | texts | | faults of the recording, each 'name: finding; cure'
""",
        ),
        _contract(
            "passages",
            key=_GROUP_KEY + " passage",
            order=_GROUP_KEY + " rank",
            columns=_GROUP
            + """
passage | text | | passage
first_bar | whole | | its first bar
last_bar | whole | | its last bar
n_played | whole | | played notes
n_missed | whole | | missed notes
n_extra | whole | | double or stray strikes
felt_sd_s? | real | s | standard deviation of felt_s
felt_sd_se? | real | s | its standard error
late_mean_s? | real | s | mean of late_s
late_mean_se? | real | s | its standard error
late_range_s? | real | s | range of the smooth lateness within the passage
late_range_se? | real | s | its standard error
sag? | real | | speed lost in the passage against the take's mean, ratio (positive: slower)
sag_se? | real | | its standard error
by_load? | real | | speed that load alone would make the passage lose, ratio
by_load_se? | real | | its standard error
load_share? | real | | share of the sag that load explains
load_share_se? | real | | its standard error
costs_most | texts | | strikers whose load costs most speed here, most first
rank | whole | | 1 drifts most
""",
        ),
        _contract(
            "strikers",
            key=_GROUP_KEY + " striker",
            order=_GROUP_KEY + " striker",
            columns=_GROUP
            + """
striker | text | | striker
delay_s? | real | s | delay against the mean of the heard strikers
delay_se? | real | s | its standard error
company_s? | real | s | further delay when others as heavy as a mean strike fire within 15 ms
company_se? | real | s | its standard error
readiness_s? | real | s | further delay just after its own last strike
readiness_se? | real | s | its standard error
shortest_good_gap_s? | real | s | shortest gap since its own last strike without misses or delay
drag? | real | | share of the speed that a strike takes
drag_se? | real | | its standard error
recovery_beats? | real | quarter notes | time constant in which lost speed comes back; the same for all of a group
recovery_se? | real | quarter notes | its standard error
energy_j? | real | J | energy that a strike takes (when the inertia is known)
rest_sd_s? | real | s | scatter
level_sd_db? | real | dB | spread of the peak level
n_played | whole | | played notes
n_missed | whole | | missed notes
n_extra | whole | | double or stray strikes
n_rebound | whole | | of n_extra: weaker, 6 to 85 ms after its own strike, the gap scatters
n_sound | whole | | hits that are its own sound (or its lever's click): not in n_extra
sound_gap_s? | real | s | from its strike to most of them (negative: before the strike)
miss_pattern | text | | '' (too few), one pin, short gaps, company, low speed, or at random (none can be told)
""",
        ),
        _contract(
            "pins",
            key=_GROUP_KEY + " pin_id",
            order=_GROUP_KEY + " pin_id",
            columns=_GROUP
            + """
pin_id | whole | | pin
note_id | whole | | its first note
striker | text | | striker
bar | whole | | bar of its first note
beat_in_bar | real | beats of the time signature | place of its first note in the bar
barrel_turn | real | turns | angle of the barrel at its first note
offset_s | real | s | lateness of the pin itself
offset_se | real | s | its standard error
offset_mm? | real | mm | the same on the barrel's surface (positive: the pin comes late, move it forward)
n_takes | whole | | playthroughs in which it played
n_missed | whole | | playthroughs in which it did not strike, though its notes came by
n_struck | whole | | its played strikes (several a playthrough where the same pins come round)
n_failed | whole | | its missed strikes
miss_q_value | real | | false discovery rate at which it would be called missing more often than its striker's others
q_value | real | | false discovery rate at which it would be called misplaced
misplaced | flag | | called misplaced
""",
        ),
        _contract(
            "shafts",
            key=_GROUP_KEY + " order",
            order=_GROUP_KEY + " order",
            columns=_GROUP
            + """
shaft? | text | | shaft, null when nobody named one that turns so
order | real | 1/turn | cycles per turn of the barrel, refined
harmonic? | whole | | cycles per turn of the shaft: 1 or 2
creep? | real | | deviation from the nominal ratio
creep_se? | real | | its standard error
amplitude_s | real | s | amplitude of its wobble
amplitude_se | real | s | its standard error
phase_turn? | real | turns | angle of the barrel at which it is latest (null: the drive does not hold its phase)
q_value | real | | false discovery rate
""",
        ),
        _contract(
            "budget",
            key=_GROUP_KEY + " ruler part",
            order=_GROUP_KEY + " ruler part",
            columns=_GROUP
            + """
ruler | text | | felt or song
part | text | | motion, load, shaft, striker, pin or rest; a part that was not looked for has no row
sd_s | real | s | standard deviation of the part
share | real | | covariance with the total over its variance; sums to 1
sd_without_s | real | s | standard deviation of the total without the part
detectable_s? | real | s | part shaft: amplitude from which on a wobble of each named shaft would have been found (95 %)
""",
        ),
        _contract(
            "setups",
            key="arrangement setup",
            order="arrangement setup",
            columns="""
arrangement | text | | arrangement
setup | text | | machine set-up, '' when none is given
n_recordings | whole | | used recordings (0: only configured)
sag_max? | real | | measured greatest loss of speed by load
sag_max_se? | real | | its standard error over these takes (days may differ by more); null: nothing known of chance
sag_max_predicted? | real | | predicted for a build day, from the other set-ups; null unless sag_law is 'holds'
sag_max_predicted_se? | real | | its standard error; stretched for few groups, so that 1.96 of them hold 95 of 100
sag_law | text | | does the loss fall as 1/inertia over the measured set-ups? holds, contradicted or cannot tell
felt_sd_s? | real | s | measured standard deviation of felt_s
felt_sd_predicted_s? | real | s | predicted
steady_1? | real | | measured Allan deviation over 1 bar
steady_1_predicted? | real | | predicted
inertia_at_barrel_kg_m2? | real | kg m2 | inertia reflected to the barrel
energy_j? | real | J | energy stored in the wheel at the tempo played
rim_m_per_s? | real | m/s | speed of its rim at the tempo played
""",
        ),
        _contract(
            "trend",
            key="arrangement quantity build_day session setup against",
            order="arrangement quantity build_day session setup against",
            columns=_GROUP
            + """
quantity | text | | quantity of tables/recordings that is compared
against | text | | previous, first or baseline
n_recordings | whole | | used recordings of the group
value | real | unit of the quantity | value of the group
value_se? | real | unit of the quantity | its standard error
change? | real | unit of the quantity | value minus the value compared with
change_low? | real | unit of the quantity | lower end of its interval; all of a comparison hold at once in 95 of 100
change_high? | real | unit of the quantity | upper end; negative changes are for the better
df? | real | | degrees of freedom
detectable? | real | unit of the quantity | smallest change, better or worse, that would have been seen (95 %)
verdict | text | | better: change_high < 0; worse: change_low > 0; else no clear change; '' while chance is not known
""",
        ),
        _contract(
            "worklist",
            key="rank",
            order="rank",
            columns=_GROUP
            + """
rank | whole | | 1 first
part | text | | part of the machine: pin, striker, load
where | text | | which one
finding | text | | what was found
correction | text | | what to do
correction_mm? | real | mm | move of the pin or the lever (positive: forward, in the direction of rotation)
places? | text | | of a job at a pin: JSON list of its notes, {score_beat, striker, move_mm (null: no move)}
gain_noticed | real | 1/playthrough | fewer faults that a listener notices: missed, double and displaced strikes
gain_low | real | 1/playthrough | lower end of its 95 % interval
gain_high | real | 1/playthrough | upper end
gain_s | real | s | felt spread that it wins
gain_missed | real | 1/playthrough | missed or double strikes among gain_noticed
certainty | real | | 1 minus the false discovery rate at which the finding is called, over the whole list
""",
        ),
    )
}

_columns = [
    (one.name, [(field.name, str(field.type), field.nullable) for field in one.schema]) for one in CONTRACTS.values()
]
VERSION = f"{EDITION}-{hashlib.sha256(repr(_columns).encode()).hexdigest()[:8]}"  # stands in every file


def empty(name: str) -> pa.Table:
    """Return the table `name` with no rows."""
    # Not `empty_table`, which imports pandas.
    return pa.Table.from_batches([], CONTRACTS[name].schema)


def arrow(values, null: np.ndarray | None = None) -> pa.Array:
    """Return numbers, flags, rows of numbers or texts as an Arrow array.

    Not `pa.array`, which imports pandas: a job that needs none would take half as long again to start.

    Parameters
    ----------
    values : (n,) or (n, k) array, or list of str or None
        A text that is None is null.
    null : (n,) bool array, optional
        Which numbers are null.
    """
    if isinstance(values, np.ndarray) and values.ndim == 2:
        return pa.FixedSizeListArray.from_arrays(arrow(values.ravel()), values.shape[1])
    if isinstance(values, np.ndarray) and values.dtype.kind in "iufb":
        null = np.zeros(len(values), bool) if null is None else null
        flags = values.dtype.kind == "b"
        kind = pa.bool_() if flags else pa.from_numpy_dtype(values.dtype)
        held = [np.packbits(values, bitorder="little") if flags else np.ascontiguousarray(values)]
    else:
        null = np.array([text is None for text in values], bool)
        texts = [("" if text is None else text).encode() for text in values]
        ends = np.cumsum([0, *map(len, texts)], dtype=np.int32)
        kind, held = pa.string(), [ends, b"".join(texts)]
    valid = pa.py_buffer(np.packbits(~null, bitorder="little")) if null.any() else None
    return pa.Array.from_buffers(kind, len(values), [valid, *map(pa.py_buffer, held)])


def numbers(column: pa.ChunkedArray) -> np.ndarray:
    """Return a column of numbers as an array of one's own, null as NaN.

    Not `to_numpy`, which imports pandas, as `pa.array` does.
    """
    if column.null_count:
        column = pc.fill_null(column.cast(pa.float64()), arrow(np.array([np.nan]))[0])
    return np.array(np.from_dlpack(column.combine_chunks()))


def build(name: str, columns: dict) -> pa.Table:
    """Make a table of the contract `name`, its rows in the contract's order.

    Parameters
    ----------
    name : str
        A key of `CONTRACTS`.
    columns : dict of str to array_like
        Exactly the contract's columns; NaN in a nullable column becomes null.

    Raises
    ------
    ValueError
        A column is missing, unknown or null where it must not be; a key comes twice. (Our fault, not the user's.)
    """
    contract = CONTRACTS[name]
    given, wanted = set(columns), set(contract.schema.names)
    if given != wanted:
        raise ValueError(f"{name}: missing {sorted(wanted - given)}, unknown {sorted(given - wanted)}")
    arrays = []
    for field in contract.schema:
        array = columns[field.name]
        if isinstance(array, pa.ChunkedArray):
            array = array.combine_chunks().cast(field.type)
        elif isinstance(array, pa.Array):
            array = array.cast(field.type)
        elif isinstance(array, np.ndarray) and array.dtype.kind in "iufb":
            # Nulls of a whole-number column come as NaN in floats.
            unknown = np.isnan(array) if field.nullable and array.dtype.kind == "f" else None
            array = arrow(array, unknown).cast(field.type)
        else:
            array = pa.array(array, from_pandas=field.nullable)
            if pa.types.is_fixed_size_list(field.type) and len(array) == 0:
                array = pa.array([], field.type)
            array = array.cast(field.type)
        arrays.append(array)
    table = pa.Table.from_arrays(arrays, schema=contract.schema)
    return _checked(table.take(_order(table, contract)), contract)


def write(path, name: str, table: pa.Table, configuration: str = "", said: dict | None = None, mark: str = "") -> None:
    """Write `table` whole or not at all, under the contract `name`.

    Parameters
    ----------
    path : path-like
        Folders are made where missing.
    configuration : str
        Hash of all that the table depends on (`settings.fingerprint`).
    said : dict, optional
        What belongs to the file and not to a row (JSON values), for `said()` to read.
    mark : str
        Whose it is (`settings.claim`): only files with its own mark are deleted for a configuration.
    """
    contract = CONTRACTS[name]
    table = _checked(table.select(contract.schema.names).cast(contract.schema), contract)
    metadata = {
        "pindrift.table": name,
        "pindrift.version": VERSION,
        "pindrift.configuration": configuration,
        "pindrift.said": json.dumps(said or {}, sort_keys=True),
        "pindrift.mark": mark,
    }
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as sink:
            pq.write_table(table.replace_schema_metadata(metadata), sink, compression="zstd", write_page_checksum=True)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise


def read(path, name: str, columns: list[str] | None = None) -> pa.Table:
    """Read a table and hold it against its contract.

    Raises
    ------
    InputError
        The file is missing, no Parquet, or of another table or version.
    """
    contract = CONTRACTS[name]
    with _opened(path, name) as file:
        try:
            table = file.read(columns=columns)
        except (pa.ArrowInvalid, OSError) as error:
            raise InputError(_damaged(path, name, error)) from None
    version = (table.schema.metadata or {}).get(b"pindrift.version", b"").decode()
    if version != VERSION:
        raise InputError(f"{path}: expected version {VERSION}; found '{version}'; delete it and run again")
    names = columns or contract.schema.names
    if missing := [column for column in names if column not in table.schema.names]:
        raise InputError(f"{path}: expected the table '{name}'; found no column {missing}; delete it and run again")
    return table.select(names).cast(
        pa.schema([contract.schema.field(column) for column in names], table.schema.metadata)
    )


def _opened(path, name: str) -> pq.ParquetFile:
    """Open a table; say in one line when there is none, and how it is made."""
    try:
        # Not `read_table`: it would take `build_day=` of the path for a column.
        return pq.ParquetFile(path, page_checksum_verification=True)
    except FileNotFoundError:
        # The part of a group is made before the whole.
        stage = "timing" if Path(path).stem in GATHERED and "groups" in Path(path).parts else _MADE_BY.get(name, name)
        do = f"run the stage '{stage}' first, or the whole workflow"
        raise InputError(f"{path}: expected the table '{name}'; found no file; {do}") from None
    except PermissionError:
        raise
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(_damaged(path, name, error)) from None


def _damaged(path, name: str, error: Exception) -> str:
    return f"{path}: expected the table '{name}'; found {error}; delete it and run again"


def said(path, name: str) -> dict:
    """Return what `write` was given as `said`, without reading the rows; raises as `read` does."""
    with _opened(path, name) as file:
        found = (file.schema_arrow.metadata or {}).get(b"pindrift.said")
    if found is None:
        raise InputError(f"{path}: expected the table '{name}'; found no table of pindrift; delete it and run again")
    return json.loads(found)


def is_whole(path, name: str, configuration: str, mark: str) -> bool:
    """Tell whether a table is there, undamaged as far as its footer tells, and made for what holds now.

    The footer says where the last column ends; a file that was cut short or to which something was added does not fit.
    """
    try:
        footer = pq.read_metadata(path)
        size = os.path.getsize(path)
    except (pa.ArrowInvalid, OSError):
        return False
    told = footer.metadata or {}
    wanted = {"table": name, "version": VERSION, "configuration": configuration, "mark": mark}
    if any(told.get(f"pindrift.{key}".encode()) != value.encode() for key, value in wanted.items()):
        return False
    return _end_of_columns(footer) + footer.serialized_size + len(b"????PAR1") == size


def _end_of_columns(footer: pq.FileMetaData) -> int:
    """Return where the last column that has any bytes ends: the footer follows it."""
    for group in reversed(range(footer.num_row_groups)):
        for place in reversed(range(footer.num_columns)):
            column = footer.row_group(group).column(place)
            # An offset of 0 stands for none: the file's own first bytes lie there.
            if begins := [at for at in (column.dictionary_page_offset, column.data_page_offset) if at]:
                return min(begins) + column.total_compressed_size
    return len(b"PAR1")


def mark_of(path) -> str | None:
    """Return the mark of a table: '' without one, None for what is no table of ours."""
    try:
        told = pq.read_metadata(path).metadata or {}
    except (pa.ArrowInvalid, OSError):
        return None
    return told.get(b"pindrift.mark", b"").decode() if b"pindrift.table" in told else None


def keyed(table: pa.Table, **keys) -> pa.Table:
    """Put the hive keys that only the path holds (build_day, recording) before the other columns."""
    for name, value in reversed(keys.items()):
        kind = pa.date32() if name == "build_day" else pa.string()
        if name not in table.column_names:
            table = table.add_column(0, name, pa.array([value] * len(table), kind))
    return table


def path(results, name: str, **keys) -> Path:
    """Return where a table lies under the results folder.

    Parameters
    ----------
    results : path-like
    name : str
        A key of `CONTRACTS`.
    **keys
        What tells its files apart: `arrangement` for notes; `recording` for hits; `build_day` and `recording` for
        aligned; `build_day` and `group` (the id of a group) for lateness and tempo; none for the others.
    """
    at = {
        "notes": "notes/{arrangement}.parquet",
        "hits": "hits/{recording}.parquet",
        "aligned": "aligned/build_day={build_day}/recording={recording}/aligned.parquet",
        "lateness": "tables/lateness/build_day={build_day}/{group}.parquet",
        "tempo": "tables/tempo/build_day={build_day}/{group}.parquet",
    }.get(name, "tables/" + name + ".parquet")
    return Path(results) / at.format(**keys)


def group_folder(results, build_day, group: str) -> Path:
    """Return the folder that holds a group's own part of each table of `GATHERED`."""
    return Path(results) / "groups" / f"build_day={build_day}" / group


def log(results, stage: str, name: str, build_day=None) -> Path:
    """Return where a job's log lies; that of a take's alignment and of a group lies under its day."""
    return Path(results, "log", stage, *([str(build_day)] if build_day else []), f"{name}.log")


def gather(folders: list[Path]) -> dict[str, pa.Table]:
    """Put the groups' parts together, each of `GATHERED` into one table."""
    whole = {}
    for name in GATHERED:
        parts = [empty(name), *(read(folder / f"{name}.parquet", name) for folder in folders)]
        table = pa.concat_tables([part.replace_schema_metadata(None) for part in parts])
        whole[name] = table.take(_order(table, CONTRACTS[name]))
    return whole


def prune(results, kept: set[Path], mark: str) -> list[Path]:
    """Delete what belongs to recordings, groups or arrangements that are no longer listed.

    Only files that match the layout of `path` and `group_folder` are looked at; `kept` holds those that belong. Of the
    others only those go that carry this `mark` and lie in the folder itself, not behind a symbolic link.
    """
    results = Path(results)
    patterns = ["notes/*.parquet", "hits/*.parquet", "aligned/build_day=*/recording=*/aligned.parquet"]
    patterns += [f"tables/{name}/build_day=*/*.parquet" for name in ("lateness", "tempo")]
    patterns += [f"groups/build_day=*/*/{name}.parquet" for name in GATHERED]
    others = [file for pattern in patterns for file in sorted(results.glob(pattern)) if file not in kept]
    stale = [file for file in others if not _is_behind_a_link(file, results) and mark_of(file) == mark]
    for file in stale:
        file.unlink()
        for folder in file.parents:
            # A folder that only our own files were in goes with the last of them.
            left = [entry for entry in folder.iterdir() if entry.name != ".snakemake_timestamp"]
            if folder == results or left:
                break
            (folder / ".snakemake_timestamp").unlink(missing_ok=True)
            folder.rmdir()
    return stale


def _is_behind_a_link(file: Path, folder: Path) -> bool:
    return any(part.is_symlink() for part in (file, *file.parents) if folder in part.parents)


def _order(table: pa.Table, contract: Contract):
    return pc.sort_indices(table, sort_keys=[(column, "ascending") for column in contract.order])


def _checked(table: pa.Table, contract: Contract) -> pa.Table:
    for field in contract.schema:
        if not field.nullable and table[field.name].null_count:
            raise ValueError(f"{contract.name}: null in {field.name}")
    # Neither `group_by` nor `to_numpy`: both import pandas, as `pa.array` does.
    ranks = np.array([np.from_dlpack(pc.rank(table[name], tiebreaker="dense")) for name in contract.key])
    if np.unique(ranks, axis=1).shape[1] != len(table):
        raise ValueError(f"{contract.name}: the key {contract.key} comes twice")
    return table


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
