"""State every contract between stages: names, types, units and meanings of columns, the key, the order of rows.

A contract is a `pyarrow.Schema` whose fields carry unit and meaning, with the key that is unique and the order in
which rows are written. Times are seconds, score times quarter-note beats (`_beat`), angles turns, tempo quarter notes
per minute, speeds and drags ratios; `late_*`, `felt_*`, offsets and delays are positive when late; `_se` is a standard
error in the unit of its quantity. A column marked `?` may be null. A table with nothing to say has no rows.
"""

import hashlib
from dataclasses import dataclass, replace

import pyarrow as pa

EDITION = 1  # raise it when a unit, a sign or a meaning changes; `VERSION` notices names and types by itself
N_BANDS = 12  # frequency bands of `bands_db`; DESIGN section 5, "about 12"
GROUP_KEYS = ("arrangement", "build_day", "session", "setup")  # what tells one group from another, in every table

_TYPES = {
    "whole": pa.int64(),
    "real": pa.float64(),
    "text": pa.string(),
    "day": pa.date32(),
    "flag": pa.bool_(),
    "texts": pa.list_(pa.string()),
    "reals": pa.list_(pa.float64()),
    "bands": pa.list_(pa.float32(), N_BANDS),
}

# The tables of which each group makes its own part; the stage `tables` puts the parts together.
GATHERED = ("recordings", "passages", "strikers", "pins", "shafts", "slips", "budget", "remainders", "inertia")


@dataclass(frozen=True)
class Contract:
    """One table.

    Attributes
    ----------
    name : str
        The table's name, as in `CONTRACTS`.
    schema : pa.Schema
        Its columns; each field's metadata hold `unit` and `meaning`.
    key : tuple of str
        Columns that together are different in every row.
    order : tuple of str
        Columns by which the rows are sorted, the first counts most.
    """

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


# The columns of `GROUP_KEYS`, as they open every table of groups.
_GROUP = """
arrangement | text | | name of the arrangement
build_day | day | | day of the recordings
session | whole | | session within the day, 1 when none is given
setup | text | | machine set-up, '' when none is given
"""
# A hive key must not stand in the file too, or pandas cannot read the set: the path says build_day.
_GROUP_IN_DAY = _GROUP.replace("build_day | day | | day of the recordings\n", "")
_GROUP_KEY = " ".join(GROUP_KEYS)

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
bar_start_beat | real | quarter notes | place at which its bar begins, from 0
bar_beats | real | quarter notes | length of its bar; a time signature cuts the bar before it
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
hit_s? | real | s | time of the note's own strike in the recording where it was told apart, else of the hit
hit_se? | real | s | its standard error
shared | whole | | notes that share the hit still, whose first it is (1: its own, or told apart by sound; 0: no hit)
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
load_se? | real | | its standard error, and that of motion where load and motion stand for one another
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
n_noticed | whole | | noticed faults (`hearing`): missed, extra, displaced strikes, chords apart, bars of tempo change
tempo_bpm? | real | quarter notes per minute | mean tempo
tempo_trend_per_min? | real | 1/min | relative change of tempo per minute
tempo_trend_se_per_min? | real | 1/min | what a crew's wander makes of it, stretched: 1.96 of them hold 95 of 100
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
stops_s? | real | s | from its speed to standing still, let go: of friction and of the strikes on the way (a run-down)
stops_se? | real | s | its standard error
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
delay_by_pace_s? | real | s | what it comes later per unit of relative pace (delay_s: a matter of place; 0: of time)
delay_by_pace_se? | real | s | its standard error
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
rig? | text | | microphone set-up of most of its strikes that a microphone heard; levels and sound are of these
channel? | whole | | audio channel that timed most of them
level_db? | real | dB re full scale | peak level: mean over the takes of each take's median
level_take_sd_db? | real | dB | their standard deviation between takes, less what all strikers of a take have in common
level_common_take_sd_db? | real | dB | standard deviation of that between takes; the same for all of a group
sound_db? | bands | dB | level in 12 bands less their mean: mean over the takes of each take's median
sound_take_sd_db? | real | dB | standard deviation between takes, root mean square over the bands (null: one take)
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
index_deg? | real | deg | place of its first note, from the index mark on, against the direction of rotation
index_mm? | real | mm | the same along the barrel's surface (0: where the first beat of the song strikes)
offset_s | real | s | lateness of the pin itself
offset_se | real | s | its standard error
free_s? | real | s | the same by its own strikes alone, not drawn to 0 as ordinary pins are (null: they say too little)
free_se? | real | s | its standard error
offset_mm? | real | mm | offset_s on the barrel's surface (positive: the pin comes late, move it forward)
n_takes | whole | | playthroughs in which it played
n_missed | whole | | playthroughs in which it did not strike, though its notes came by
n_struck | whole | | its played strikes (several a playthrough where the same pins come round)
n_failed | whole | | its missed strikes
miss_q_value | real | | false discovery rate at which it would be called missing more often than its striker's others
q_value | real | | false discovery rate at which it would be called misplaced
misplaced | flag | | called misplaced
or_company | flag | | far late, and not called so: its striker fires with others there alone, and these may hold it up
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
            "slips",
            key=_GROUP_KEY + " recording segment playthrough score_beat",
            order=_GROUP_KEY + " recording segment playthrough score_beat",
            columns=_GROUP
            + """
recording | text | | id of the recording
playthrough | whole | | 1, 2, ... when the song goes round again
segment | whole | | new after a stall or restart
score_beat | real | beats | place of the first strike after it
bar | whole | | its bar
before_s | real | s | last strike before it, in the recording
after_s | real | s | first strike after it, in the recording
size_s | real | s | by how much all later strikes come later (negative: earlier), no smooth motion explains it
size_se | real | s | its standard error
click_step_s? | real | s | by how much the click comes later from there on (null: no click tells)
common_place? | whole | | number, from 1, of a place at which every take that comes by it slips (null: not in every one)
cause | text | | machine (the click goes on), recording (the click steps as well) or unknown (no click tells)
q_value | real | | chance of so large a step anywhere in the group by scatter and slow motion
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
share_se? | real | | parts load, motion: standard error of the share by what is not known of drags and recovery
sd_without_s | real | s | standard deviation of the total without the part
detectable_s? | real | s | part shaft: amplitude from which on a wobble of each named shaft would have been found (95 %)
""",
        ),
        _contract(
            "remainders",
            key=_GROUP_KEY + " kind striker",
            order=_GROUP_KEY + " kind striker",
            columns=_GROUP
            + """
kind | text | | swing (after heavy strikes), humps (two of them) or pace (a delay that changes with speed)
striker | text | | striker, '' for all
size_s | real | s | swing: amplitude after a mean strike; humps: distance; pace: delay_by_pace_s less that of the middle
size_se | real | s | its standard error
frequency_hz? | real | Hz | of the swing
p_value | real | | how probable so much is by chance, anywhere in the group
""",
        ),
        _contract(
            "inertia",
            key="recording inertia_ratio",
            order="build_day session recording inertia_ratio",
            columns=_GROUP
            + """
recording | text | | recording
inertia_ratio | real | | inertia at the barrel over that of the recording; 1: as it was played, else predicted
felt_sd_s? | real | s | standard deviation of felt_s
felt_sd_s_se? | real | s | its standard error, by what is not known of the drive (as all that follow)
speed_sd_s? | real | s | of the part of felt_s that inertia acts on: crew, load, pedals
speed_sd_s_se? | real | s | its standard error
mechanism_sd_s? | real | s | of the rest of felt_s, which no inertia changes: strikers, pins, wobbles of belts, scatter
click_sd_s? | real | s | standard deviation of late_s against the click, null without a click
click_sd_s_se? | real | s | its standard error
steady_1? | real | | Allan deviation of bar times over 1 bar
steady_1_se? | real | | its standard error
steady_2? | real | | over 2 bars
steady_2_se? | real | | its standard error
steady_4? | real | | over 4 bars
steady_4_se? | real | | its standard error
steady_8? | real | | over 8 bars
steady_8_se? | real | | its standard error
sag_max? | real | | greatest loss of speed by load, from how the takes begin, as the crew corrects it
sag_max_se? | real | | its standard error
""",
        ),
        _contract(
            "setups",
            key="arrangement setup more_wheels",
            order="arrangement setup more_wheels",
            columns="""
arrangement | text | | arrangement
setup | text | | machine set-up, '' when none is given
more_wheels | whole | | 0: as configured; 1: as it is now with one more wheel like its own (never played)
n_recordings | whole | | used recordings (0: only configured)
predicted_from? | text | | set-up from whose newest takes the predictions are made
predicted_from_day? | day | | their build day
sag_max? | real | | measured greatest loss of speed by load
sag_max_se? | real | | its standard error over these takes (days may differ by more); null: nothing known of chance
sag_max_predicted? | real | | predicted for a build day, from the newest takes of another set-up
sag_max_predicted_se? | real | | its standard error; stretched for few takes, so that 1.96 of them hold 95 of 100
sag_max_low? | real | | lower end of the 95 % interval of the prediction, for as many takes on another day
sag_max_high? | real | | its upper end
sag_law | text | | does the loss fall as 1/inertia over the measured set-ups? holds, contradicted or cannot tell
felt_sd_s? | real | s | measured standard deviation of felt_s
felt_sd_predicted_s? | real | s | predicted, with the mechanism of the takes it is predicted from
felt_sd_low_s? | real | s | lower end of its 95 % interval
felt_sd_high_s? | real | s | its upper end
speed_sd_s? | real | s | measured part of felt_sd_s that inertia acts on: crew, load, pedals
speed_predicted_s? | real | s | predicted
mechanism_sd_s? | real | s | measured part of felt_sd_s that no inertia changes: strikers, pins, belts, scatter
mechanism_predicted_s? | real | s | the same in the takes it is predicted from
steady_1? | real | | measured Allan deviation over 1 bar
steady_1_predicted? | real | | predicted
steady_1_low? | real | | lower end of its 95 % interval
steady_1_high? | real | | its upper end
steady_4? | real | | measured Allan deviation over 4 bars
steady_4_predicted? | real | | predicted
steady_4_low? | real | | lower end of its 95 % interval
steady_4_high? | real | | its upper end
click_sd_s? | real | s | measured standard deviation of late_s against the click
click_sd_predicted_s? | real | s | predicted
click_sd_low_s? | real | s | lower end of its 95 % interval
click_sd_high_s? | real | s | its upper end
agrees | text | | measured against predicted (of felt_sd_s the part speed_sd_s): agrees, differs, '' where not known
differs | texts | | quantities that were measured outside of what was foreseen; all of a set-up tested at once (95 %)
differs_low? | reals | unit of each | lower ends of the intervals that they were tested by: takes, days of one set-up
differs_high? | reals | unit of each | their upper ends
mechanism_changed? | flag | | the part that no inertia changes differs between the takes compared (95 %)
inertia_at_barrel_kg_m2? | real | kg m2 | inertia reflected to the barrel
inertia_measured_kg_m2? | real | kg m2 | whole inertia, by the load per strike on two set-ups with a known added mass
inertia_measured_low_kg_m2? | real | kg m2 | lower end of its 95 % interval
inertia_measured_high_kg_m2? | real | kg m2 | its upper end
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
n_pairs? | whole | | pairs of takes of two set-ups played in turn, by which they are compared (null: not played so)
n_days? | whole | | days on which they were
change? | real | unit of the quantity | value minus the value compared with; of takes in turn by neighbours, drift apart
change_low? | real | unit of the quantity | lower end of its interval; all of a comparison hold at once in 95 of 100
change_high? | real | unit of the quantity | upper end; negative changes are for the better
df? | real | | degrees of freedom
detectable? | real | unit of the quantity | smallest change, better or worse, that would have been seen (95 %)
takes_needed? | real | | takes of each of two set-ups, played in turn, that would show such a change (null: above 20)
verdict | text | | better: change_high < 0; worse: change_low > 0; else no clear change; '' while chance is not known
""",
        ),
        _contract(
            "takes",
            key="recording quantity",
            order="arrangement quantity build_day session recording",
            columns=_GROUP
            + """
recording | text | | recording
quantity | text | | quantity of tables/recordings that is charted
stretch | whole | | from 1; a new one where a group was better or worse than the one before
value | real | unit of the quantity | value of the take
middle | real | unit of the quantity | geometric mean of the stretch
limit_low | real | unit of the quantity | lower limit of an individuals chart of logarithms
limit_high | real | unit of the quantity | upper limit
apart | flag | | outside of the limits, in a stretch of four takes or more
sets_apart | texts | | what few others of the stretch have: crew, microphones, first of the day, fault: its name
place | whole | | rank in the order of the takes
""",
        ),
        _contract(
            "changes",
            key=_GROUP_KEY + " kind thing quantity",
            order=_GROUP_KEY + " kind thing quantity",
            columns=_GROUP
            + """
before_arrangement | text | | arrangement of the group compared with: another one where the arrangement was edited
before_day | day | | its build day
before_session | whole | | its session
before_setup | text | | its set-up
kind | text | | pin, striker, shaft or microphone
thing | text | | which one: 'pin 17' ('pin 17 before': gone), a striker, a shaft or its order, 'full, channel 3'
quantity | text | | place, missed, extra, delay, company, readiness, wobble, level or sound
note_id? | whole | | of a pin: its first note (null: it is gone)
striker? | text | | striker of the pin or of the microphone
bar? | whole | | of a pin: bar of its first note (of a pin that is gone: in the arrangement before)
beat_in_bar? | real | beats of the time signature | of a pin: place in the bar
before? | real | unit | value in the group before (null: not there, or not known); a place is turned into today's tempo
before_se? | real | unit | its standard error
after? | real | unit | value in this group
after_se? | real | unit | its standard error
change? | real | unit | after minus before; delays are against the middle one of all strikers
change_low? | real | unit | lower end of its interval; all of a comparison hold at once in 95 of 100
change_high? | real | unit | upper end
unit | text | | s, dB or ratio
verdict | text | | moved, mended, worse, new, unchanged or cannot be told
job? | text | | the earlier job that it answers (null: nothing was asked of it)
fate? | text | | of that job: done and won, done and won a part, done and did not win, not done, or cannot be told
""",
        ),
        _contract(
            "worklist",
            key="rank",
            order="rank",
            columns=_GROUP
            + """
rank | whole | | 1 first
part | text | | part of the machine: pin, striker, load, shaft
where | text | | which one
finding | text | | what was found
correction | text | | what to do
correction_mm? | real | mm | move of the one pin or lever (positive: forward, in the direction of rotation)
mends? | text | | what it takes away: place (of pins), delay, company, missed, double, load, slip
late_s? | real | s | of a delay: by how much all strikes of the row come later than those of the middle one
places? | text | | of pins: JSON list of their notes round the barrel; keys: see `worklist.places`
effort | text | | where the work is: at the barrel, at the lever, at the drive, new part, in the recordings
to_be_sure? | text | | what to record next to be sure (null: nothing to ask)
noticed_before? | real | 1/playthrough | noticed faults of the group before any job (null: no take was counted)
gain_noticed | real | 1/playthrough | fewer noticed faults (as recordings.n_noticed counts them)
gain_low | real | 1/playthrough | lower end of its 95 % interval
gain_high | real | 1/playthrough | upper end
gain_s | real | s | felt spread that it wins
gain_missed | real | 1/playthrough | missed or double strikes among gain_noticed
certainty | real | | 1 minus the false discovery rate at which the finding is called, over the whole list
""",
        ),
    )
}
# The list that would have stood here when the group before the newest was the newest: the same columns.
_BY_GROUP = (*GROUP_KEYS, "rank")
CONTRACTS["asked"] = replace(CONTRACTS["worklist"], name="asked", key=_BY_GROUP, order=_BY_GROUP)

_columns = [
    (one.name, [(field.name, str(field.type), field.nullable) for field in one.schema]) for one in CONTRACTS.values()
]
VERSION = f"{EDITION}-{hashlib.sha256(repr(_columns).encode()).hexdigest()[:8]}"  # stands in every file
