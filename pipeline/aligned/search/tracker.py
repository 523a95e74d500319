"""What the path search expects of machine and crew, and how far it looks.

The numbers without a source were chosen on simulated takes (`tests/aligned_takes.simulate`); what half and double of
each change is printed by `tests/benchmarks/aligned_constants.py`.
"""

from typing import NamedTuple


class Tracker(NamedTuple):
    """Times in seconds, rates per second, probabilities from 0 to 1; log likelihoods in nats.

    Fields of the compiled search are arguments of it, so a changed value needs no new compilation.
    """

    # Strikes and tempo.
    jitter_s: float  # standard deviation of one strike
    wander: float  # standard deviation of the relative tempo change after one second
    tempo: float  # expected seconds per nominal second
    tempo_sd: float  # its relative standard deviation
    rate_hz: float  # of hits
    p_miss: float  # a note does not strike, or is not heard
    tempo_range: float = 4.0  # the tempo stays within this factor of `tempo`, either way
    most_surprise: float = 100.0  # squared standard deviations that a step may be off; further out it is a jump
    loose_surprise: float = 6.0  # squared standard deviations; beyond it the tracker becomes less sure of itself
    heeded_sd: float = 3.0  # the tempo follows a surprise only so far: a late strike is likelier than a new tempo

    # Jumps.
    p_stall: float = 1 / 1000  # per hit
    stall_s: float = 2.0  # mean length of a stall
    p_skip: float = 1 / 20000  # per hit: the barrel slips forward
    most_passed: float = 16.0  # nats; the onsets passed in a stall or skip are charged with no more than this
    p_restart: float = 1 / 30000  # per hit
    pause_s: float = 8.0  # mean pause before a restart
    quick_s: float = 1.5  # nobody restarts so soon: `quick_loss` nats for each second sooner
    quick_loss: float = 4.0
    p_loop: float = 0.003  # at the last onset; a part that lies within the song is the simpler reading
    p_pause: float = 0.1  # share of further rounds after a pause and not in tempo
    turnaround_s: float = 0.0  # nominal time from the last onset to the first when the song goes round
    turnaround_sd_s: float = 0.05  # standard deviation of that time: so much, and a share of the time
    turnaround_sd: float = 0.1
    least_gap_s: float = 0.02  # between two rounds; no barrel comes round so fast
    jump_tempo_sd: float = 0.15  # relative standard deviation of the tempo after a jump

    # Both ends.
    top_bonus: float = 8.0  # nats for beginning at the first onset, and for ending at the last
    end_loss: float = 2.5  # nats of that bonus lost for each onset silent at that end
    from_top: bool = False  # a take can only begin at the first onset
    backwards: bool = False  # time and score run backwards

    # Effort: how far the search looks, and what it keeps. More costs time only.
    beam: float = 70.0  # nats below the best cell that a cell may be
    hits_ahead: int = 14  # strays in a row that a step may pass
    onsets_ahead: int = 25  # onsets in a row that a step may pass
    jump_ahead: int = 40  # onsets that a stall or skip may pass
    most_cells: int = 400  # per hit, once the first hits have said where in the song the take may be
    first_hits: int = 100  # so many of them
    start_beam: float = 20.0  # nats on top of `beam` within which a take may still begin
    leader_beam: float = 25.0  # nats below the best cell within which a cell may be jumped from
    explained: float = 4.0  # nats over a stray from which a hit needs no far jump
