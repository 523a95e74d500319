"""What is wrong with a recording in words: one sentence for each fault, however many channels share it."""

import numpy as np
import pytest

from pipeline.hits.health.wording import KINDS, Finding, numbers, sentences
from pipeline.settings import Channel
from tests.benchmarks.hits_health import channels_of

FIGURES = {
    "silent": (),
    "unstruck": (),
    "clipped": (3.2, 7),
    "hum": (-50.4, 12.2),
    "rumble": (-40.4, 2.2),
    "gate": (0.42,),
    "gain": (-5.1, 20.3),
    "limiter": (6.3,),
}
OF_ONE = [
    "dead: channel 4 (oak block) holds no sound; check its cable, its gain and the rig",
    "dead: channel 4 (oak block) holds no strike, its own or a neighbour's, while others do; check its cable and "
    "the rig",
    "clipped: channel 4 (oak block) is cut off at 7 moments, by about 3.2 dB or more; turn its gain down by 8 dB",
    "hum: channel 4 (oak block) carries -50 dB of mains hum, 12 dB above the other noise; use a balanced cable, keep "
    "it away from power leads, run computer and interface from one socket",
    "rumble: channel 4 (oak block) carries -40 dB below 30 Hz, 2 dB above the other noise; put the stand on foam or "
    "switch on the preamplifier's low cut",
    "gate: channel 4 (oak block) is exactly silent for 42 % of the time between strikes, so soft strikes are lost; "
    "switch the noise gate off",
    "gain touched: channel 4 (oak block) changes by -5 dB after about 20 s; leave the gain alone during a take",
    "limiter: channel 4 (oak block) is turned down after each strike, its noise by 6 dB or more; switch limiter, "
    "compressor and automatic gain off",
]
OF_TWO = [
    "dead: channels 4 (oak block) and 7 (slate) hold no sound; check their cable, their gain and the rig",
    "dead: channels 4 (oak block) and 7 (slate) hold no strike, their own or a neighbour's, while others do; check "
    "their cable and the rig",
    "clipped: channels 7 (slate) and 4 (oak block) are cut off at 7 to 8 moments, by about 3.2 to 4.2 dB or more; "
    "turn their gain down by 8 to 9 dB",
    "hum: channels 7 (slate) and 4 (oak block) carry -50 to -49 dB of mains hum, 12 to 13 dB above the other noise; "
    "use a balanced cable, keep it away from power leads, run computer and interface from one socket",
    "rumble: channels 7 (slate) and 4 (oak block) carry -40 to -39 dB below 30 Hz, 2 to 3 dB above the other noise; "
    "put the stand on foam or switch on the preamplifier's low cut",
    "gate: channels 7 (slate) and 4 (oak block) are exactly silent for 42 to 52 % of the time between strikes, so soft "
    "strikes are lost; switch the noise gate off",
    "gain touched: channel 4 (oak block) changes by -5 dB after about 20 s; leave the gain alone during a take",
    "gain touched: channel 7 (slate) changes by -4 dB after about 21 s; leave the gain alone during a take",
    "limiter: channels 7 (slate) and 4 (oak block) are turned down after each strike, their noise by 6 to 7 dB or "
    "more; switch limiter, compressor and automatic gain off",
]


def finding(kind, channel, *hears, more=0.0):
    return Finding(kind, Channel(channel, hears), tuple(figure + more for figure in FIGURES[kind]))


def test_each_fault_of_one_channel_is_one_sentence_in_the_order_of_badness():
    assert sentences([finding(kind, 4, "oak block") for kind in reversed(KINDS)]) == OF_ONE


def test_the_same_fault_of_two_channels_is_one_sentence_with_the_worst_first():
    two = [
        finding(kind, *channel, more=more)
        for channel, by in (((4, "oak block"), 0.0), ((7, "slate"), 1.0))
        for kind in KINDS
        for more in [by / 10 if kind == "gate" else by]
    ]
    assert sentences(two) == OF_TWO


def test_a_gain_that_was_turned_for_two_channels_at_once_is_one_sentence():
    (said,) = sentences([finding("gain", 1, "oak"), finding("gain", 2, "slate")])
    assert said.startswith("gain touched: channels 1 (oak) and 2 (slate) change by -5 dB after about 20 s; ")


def test_hum_of_ten_channels_names_the_worst_first_and_the_range():
    # The worst by its level; -60 to -55 dB on nine of them.
    level_db = dict.fromkeys((1, 2, *range(6, 13)), -60.0) | {2: -57.0, 5: -55.0}
    hum = [
        Finding("hum", Channel(channel, (f"striker {channel}",)), (its_db, its_db + 68))
        for channel, its_db in level_db.items()
    ]
    assert sentences(hum) == [
        "hum: channels 5 (striker 5, the worst), 1, 2 and 6 to 12 carry -60 to -55 dB of mains hum, 8 to 13 dB above "
        "the other noise; use a balanced cable, keep it away from power leads, run computer and interface "
        "from one socket"
    ]
    assert channels_of(sentences(hum)[0]) == set(level_db)
    assert sentences([finding("silent", channel, "x") for channel in range(3, 9)])[0].startswith(
        "dead: channels 3 to 8 h"
    )


@pytest.mark.parametrize(
    ("above_db", "says"),
    [
        ((0.9, 0.2), "about as loud as the other noise"),
        ((1.1, 0.9), "up to 1 dB above the other noise"),
        ((8.2, 4.4), "4 to 8 dB above the other noise"),
        ((29.9, 4.4), "4 to 30 dB above the other noise"),
        ((30.1, 4.4), "4 dB or more above the other noise"),
        ((30.1, -0.9), "0 dB or more above the other noise"),
        ((45.0, 30.1), "far above the other noise"),
    ],
)
def test_how_far_above_the_noise_is_said_of_all_channels_together(above_db, says):
    both = [Finding("hum", Channel(k, ("x",)), (-50.0, above)) for k, above in enumerate(above_db, 1)]
    assert f"hum, {says}; " in sentences(both)[0]


@pytest.mark.parametrize(
    ("channels", "says"),
    [
        ([3], "3"),
        ([3, 4], "3 and 4"),
        ([5, 4, 3], "3 to 5"),
        ([1, 3, 4, 9, 10, 11], "1, 3, 4 and 9 to 11"),
        (range(1, 25, 2), "1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21 and 23"),
        (range(1, 27, 2), "1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21 and 2 others"),
    ],
)
def test_channel_numbers_are_said_as_a_person_says_them(channels, says):
    assert numbers(list(channels)) == says
    assert "others" in says or channels_of(f"of channels {says} carry") == set(channels)


@pytest.mark.parametrize("n_channels", [1, 2, 3, 4, 12, 64, 128])
@pytest.mark.parametrize("step", [1, 2, 3])
def test_no_sentence_grows_with_the_channels_and_each_has_one_cure(n_channels, step):
    # What reads them splits at the last '; '. Names of 24 characters, eight strikers on a channel.
    rng = np.random.default_rng(n_channels)
    hears = [f"striker number {k:09d}" for k in range(8)]
    found = [finding(kind, 1 + step * k, *hears, more=-rng.random()) for kind in FIGURES for k in range(n_channels)]
    for said in sentences([one for one in found if one.kind != "gain"]):
        assert len(said) <= 310 and said.count("; ") == 1 and said.rpartition("; ")[2]
