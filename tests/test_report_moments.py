"""What the report plays: the clip holds the strike that is spoken of, where it is said to be.

Truth: takes rendered by the demo's simulator, and a plain threshold as detector (`tests.heard_takes`).
"""

import html
import re
import shutil
import subprocess
from dataclasses import replace
from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile

from pipeline import report, results, tables, words
from pipeline.report import moments, taken_along
from pipeline.settings import Arrangement, Barrel, Detection, Group, Machine, Recording, Settings
from tests import test_report
from tests.heard_takes import (
    BEAT_S,
    DAY,
    GROUP,
    NAMES,
    OWN,
    PIN_S,
    RATE_HZ,
    ROOM,
    START_S,
    make,
    make_job,
    make_own,
    make_room,
    make_tables,
    make_take,
    onset_s,
    strikers,
)

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def make_found(folder, rows, jobs, pins=(), rig=OWN, changed=lambda row: row, more=(), **cut):
    """Return settings and what the report holds of a group of one take; `changed` rows of the alignment."""
    take = Recording("t1", str(folder / "t1.wav"), DAY, rig.name, "song", **cut)
    machine = Machine(Barrel(8, 420.0), (), None, strikers())
    arrangements = (Arrangement("song", file="song.mid"),)
    settings = Settings(
        str(folder / "c.yaml"), str(folder / "results"), None, arrangements, machine, (), (rig,), Detection(), (take,)
    )
    found = make_tables(rows, pins)
    aligned = [changed(row | {"confidence": 0.99}) for row in found.aligned.to_pylist()] + list(more)
    path = tables.path(settings.results, "aligned", build_day=DAY, recording="t1")
    tables.write(path, "aligned", make("aligned", aligned))
    length_s = soundfile.info(folder / "t1.wav").duration
    said = {"duration_s": length_s, "rate_hz": RATE_HZ, "n_channels": 3}
    tables.write(tables.path(settings.results, "hits", recording="t1"), "hits", found.hits, said=said)
    late = found.lateness.to_pandas()
    due_s = START_S + late["score_beat"] * BEAT_S
    late = late.assign(felt_s=late["hit_s"] - due_s, rest_s=late["hit_s"] - due_s - late["pin_s"])
    played = [row["note_id"] for row in aligned if row["status"] == "played"]
    return settings, SimpleNamespace(
        group=Group("song", DAY, 1, "", (take,)),
        machine=machine,
        used=pd.DataFrame({"recording": ["t1"]}),
        notes=found.notes.to_pandas(),
        tempo=found.tempo.to_pandas(),
        lateness=late[late["note_id"].isin(played)],
        strikers=pd.DataFrame({"striker": NAMES, "delay_s": [0.0] * 3}),
        worklist=make("worklist", [GROUP | {"rank": at} | job for at, job in enumerate(jobs, 1)]).to_pandas(),
    )


def heard(settings, found):
    """Return each moment with its sound as soundfile reads it."""
    given = [moments.with_sound(settings, found, one) for one in moments.moments(settings, found, 0)]
    return [(one, soundfile.read(BytesIO(file)) if file else None) for one, file in given]


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("rig", [OWN, ROOM], ids=["own", "room"])
@pytest.mark.parametrize("seed", [21, 22])
def test_the_clip_holds_the_strike_where_it_is_said_to_be_and_its_tick_on_the_other_side(tmp_path, seed, rig):
    rows = make_take(seed, late_s={7: PIN_S, 16: -PIN_S})
    (make_own if rig is OWN else make_room)(tmp_path / "t1.wav", rows)
    found = make_found(tmp_path, rows, [make_job(rows, [7]), make_job(rows, [16])], (7, 16), rig)
    found[1].lateness.loc[found[1].lateness["note_id"] == 16, ["pin_s", "rest_s"]] = (-PIN_S, 0.0)
    given = heard(*found)
    assert [one.number for one, _ in given] == [1, 2]
    for (one, (clip, rate_hz)), note, word in zip(given, (7, 16), ("after", "before"), strict=True):
        row, due_s = rows[note], START_S + rows[note]["beat"] * BEAT_S
        assert one.file == f"sounds/moment-{one.number}.flac" and rate_hz == RATE_HZ
        assert clip.shape == (2 * RATE_HZ, 2) and np.abs(clip).max() < 0.72
        late_s = row["true_s"] - due_s
        strike_s, tick_s = onset_s(clip[:, 1], 1.0), onset_s(clip[:, 0], 1.0 - late_s)
        assert abs(strike_s - 1.0) < 0.001
        assert abs(strike_s - tick_s - late_s) < 0.001
        # What is said: the distance, and where an editor finds the strike in the file itself.
        number = re.search(r"(\d+\.\d) ms (after|before) its tick\.$", plain(one.said))
        assert float(number[1]) == pytest.approx(abs(1000 * late_s), abs=0.051) and number[2] == word
        minutes, seconds = re.match(r"t1 at (\d+):(\d\d\.\d{3}): ", one.said).groups()
        samples = soundfile.read(tmp_path / "t1.wav", always_2d=True)[0]
        column = NAMES.index(row["striker"]) if rig is OWN else 0
        at_s = 60 * int(minutes) + float(seconds)
        assert abs(onset_s(samples[:, column], at_s, 0.02) - at_s) < 0.001
        assert plain(one.place) == f"{one.number}. {row['striker']}, bar {note // 4 + 1} beat {note % 4 + 1}"


def test_the_worst_strike_in_the_findings_direction_is_chosen_and_no_freak_or_unsure_or_shared_one(tmp_path):
    rows = make_take(n=30, late_s={1: 0.012, 4: 0.019, 7: 0.031, 10: 0.024, 13: 0.028, 16: -0.04})
    make_own(tmp_path / "t1.wav", rows)
    late = {"mends": "delay", "where": "slate", "late_s": 0.01, "certainty": 0.99}
    doubt = {7: {"confidence": 0.5}, 13: {}}
    settings, found = make_found(tmp_path, rows, [late], changed=lambda row: row | doubt.get(row["note_id"], {}))
    found.lateness.loc[found.lateness["note_id"] == 13, "shared"] = 2
    found.lateness["rest_s"] = 0.001 * (-1.0) ** found.lateness["note_id"]
    chosen = moments.moments(settings, found, 0)[0]
    assert chosen.at_s == pytest.approx(rows[10]["true_s"])  # 7 is unsure, 13 shared
    found.lateness.loc[found.lateness["note_id"] == 10, "rest_s"] = 0.02
    assert moments.moments(settings, found, 0)[0].at_s == pytest.approx(rows[4]["true_s"])  # 10 is a freak
    early = found.worklist.assign(late_s=-0.01)
    assert moments.moments(settings, SimpleNamespace(**vars(found) | {"worklist": early}), 0)[0].at_s == pytest.approx(
        rows[16]["true_s"]
    )


def test_a_striker_late_in_company_is_heard_where_it_has_company(tmp_path):
    rows = make_take(late_s={4: 0.015, 10: 0.03})
    make_own(tmp_path / "t1.wav", rows)
    settings, found = make_found(tmp_path, rows, [{"mends": "company", "where": "slate", "certainty": 0.99}])
    found.strikers["delay_s"] = [0.0, 0.01, 0.0]
    found.lateness["rest_s"] = 0.001 * (-1.0) ** found.lateness["note_id"]
    found.lateness["striker_s"] = np.where(found.lateness["note_id"] == 4, 0.018, 0.0105)
    assert moments.moments(settings, found, 0)[0].at_s == pytest.approx(rows[4]["true_s"])


def test_a_missed_strike_is_a_tick_without_one(tmp_path):
    rows = make_take(n=24)
    gone = {7, 20}
    make_own(tmp_path / "t1.wav", [row for row in rows if row["note_id"] not in gone])
    missed = {"status": "missed", "hit_id": None, "hit_s": None, "shared": 0, "confidence": None}
    settings, found = make_found(
        tmp_path,
        rows,
        [{"mends": "missed", "where": "slate", "certainty": 0.99}],
        changed=lambda row: row | (missed if row["note_id"] in gone else {}),
    )
    ((one, (clip, _)),) = heard(settings, found)
    due_s = START_S + 7 * BEAT_S  # of the slate only the note 7 was missed
    assert one.at_s == pytest.approx(due_s) and one.said == "t1 at 0:04.800: missed, its tick comes without it."
    assert abs(onset_s(clip[:, 0], 1.0) - 1.0) < 0.001
    near = np.abs(clip[round(0.9 * RATE_HZ) : round(1.1 * RATE_HZ), 1])
    assert near.max() < 0.05 * np.abs(clip[:, 1]).max()  # no strike there


def test_of_missed_strikes_the_one_with_most_silence_around_it_is_heard_and_of_what_all_share_no_one_that_stands_out(
    tmp_path,
):
    rows = make_take(n=24, chord_every=6)  # every sixth beat a second striker plays along
    of = {(row["beat"], row["striker"]): row["note_id"] for row in rows}
    gone = (of[12, "slate"], of[16, "slate"], of[18, "oak block"])  # the first and the last beside another
    make_own(tmp_path / "t1.wav", rows)
    missed = {"status": "missed", "hit_id": None, "hit_s": None, "shared": 0}
    jobs = [{"mends": "missed", "where": where, "certainty": 0.99} for where in ("the other strikers", "slate")]
    changed = {note: missed for note in gone}
    found = make_found(tmp_path, rows, jobs, changed=lambda row: row | changed.get(row["note_id"], {}))
    made = moments.moments(*found, 0)
    assert [plain(one.place) for one in made] == ["1. oak block, bar 5 beat 3", "2. slate, bar 5 beat 1"]


def test_a_double_strike_is_heard_where_it_came(tmp_path):
    rows = make_take(n=12)
    extra = rows[4] | {"true_s": rows[4]["true_s"] + 0.2, "note_id": 99}
    make_own(tmp_path / "t1.wav", [*rows, extra])
    stray = {"status": "extra", "playthrough": 1, "segment": 1, "shared": 1, "striker": "slate", "hit_id": 99}
    settings, found = make_found(
        tmp_path,
        rows,
        [{"mends": "double", "where": "slate", "certainty": 0.99}],
        more=[stray | {"hit_s": extra["true_s"], "note_id": None}],
    )
    ((one, (clip, _)),) = heard(settings, found)
    assert one.place == "1. slate" and one.said.endswith(": a double or stray strike.")
    assert abs(onset_s(clip[:, 1], 1.0) - 1.0) < 0.001


def test_at_the_ends_of_what_is_used_the_clip_is_shorter_and_nothing_outside_is_played(tmp_path):
    rows = make_take(late_s={1: PIN_S})
    make_own(tmp_path / "t1.wav", rows)
    begin_s = rows[1]["true_s"] - 0.3
    settings, found = make_found(tmp_path, rows, [make_job(rows, [1])], (1,), start_s=begin_s, stop_s=begin_s + 1.2)
    ((_, (clip, _)),) = heard(settings, found)
    assert len(clip) == pytest.approx(1.2 * RATE_HZ, abs=2)
    assert abs(onset_s(clip[:, 1], 0.3) - 0.3) < 0.001


def test_a_recording_at_a_high_rate_is_played_at_one_that_browsers_have(tmp_path):
    rows = make_take(late_s={7: PIN_S})
    samples = make_own(tmp_path / "t1.wav", rows)
    soundfile.write(tmp_path / "t1.wav", np.repeat(samples, 4, axis=0), 4 * RATE_HZ, subtype="PCM_24")
    ((_, (clip, rate_hz)),) = heard(*make_found(tmp_path, rows, [make_job(rows, [7])], (7,)))
    assert rate_hz == RATE_HZ and abs(onset_s(clip[:, 1], 1.0) - 1.0) < 0.001


@pytest.mark.parametrize("what", ["gone", "another"])
def test_where_the_recording_is_not_there_any_more_the_finding_stays_and_a_line_says_so(tmp_path, what):
    rows = make_take(late_s={7: PIN_S})
    samples = make_own(tmp_path / "t1.wav", rows)
    settings, found = make_found(tmp_path, rows, [make_job(rows, [7])], (7,))
    (tmp_path / "t1.wav").unlink()
    if what == "another":
        soundfile.write(tmp_path / "t1.wav", samples[: 3 * RATE_HZ], RATE_HZ)
    ((one, sound),) = heard(settings, found)
    assert sound is None and not one.file
    assert plain(one.said).endswith("after its tick. Its sound is not there any more: t1.wav.")


def test_a_list_of_hits_has_no_moment_and_there_are_at_most_a_dozen(tmp_path):
    rows = make_take(n=24)
    make_own(tmp_path / "t1.wav", rows)
    settings, found = make_found(tmp_path, rows, [make_job(rows, [note]) for note in range(20)], range(20))
    found.lateness["felt_s"], found.lateness["hit_s"] = 0.02, found.lateness["hit_s"] + 0.02
    assert len(moments.moments(settings, found, 0)) == 12 and len(moments.moments(settings, found, 5)) == 7
    group = replace(found.group, recordings=(replace(found.group.recordings[0], file="t1.csv"),))
    assert moments.moments(settings, SimpleNamespace(**vars(found) | {"group": group}), 0) == []


def test_a_finding_without_a_clear_strike_and_the_load_have_no_moment(tmp_path):
    rows = make_take(n=12)
    make_own(tmp_path / "t1.wav", rows)
    load = {"mends": "load", "where": "load per strike", "certainty": 0.99}
    assert moments.moments(*make_found(tmp_path, rows, [make_job(rows, [7]), load]), 0) == []


@pytest.mark.parametrize(
    ("at_s", "said"),
    [(0, "0:00.000"), (62.3449, "1:02.345"), (59.9996, "1:00.000"), (3661.5, "1:01:01.500"), (-1e-4, "0:00.000")],
)
def test_a_time_in_a_file_is_written_as_editors_count_it(at_s, said):
    assert words.file_time(at_s) == said


# --- on the page ------------------------------------------------------------------------------------------------------


def make_page(folder):
    """Write a project whose newest takes have sound: noise with a click at each strike; return its settings."""
    settings = test_report.make_settings(folder)
    rig = replace(ROOM, name="full")
    takes = tuple(replace(take, file=str(folder / take.file)) for take in settings.recordings)
    settings = replace(settings, rigs=(rig,), recordings=takes, path=str(folder / "demo.yaml"))
    group = [one for one in settings.groups() if one.arrangement == "song"][-1]
    job = test_report.keys(group) | {"certainty": 0.99, "gain_noticed": 1.0}
    late = job | {"rank": 1, "part": "striker", "where": "slate", "mends": "delay", "late_s": 0.004}
    load = job | {"rank": 2, "part": "load", "where": "load per strike", "mends": "load"}
    test_report.make_project(folder, settings, worklist=[late, load])
    at = {"build_day": group.build_day, "group": group.id}
    lateness = tables.read(tables.path(settings.results, "lateness", **at), "lateness").to_pandas()
    for take in group.recordings:
        own = lateness[lateness["recording"] == take.recording]
        struck = np.random.default_rng(4).normal(0, 1e-4, (round(own["hit_s"].max() + 2) * 8000, 1))
        struck[np.round((own["hit_s"] + 0.0035) * 8000).astype(int), 0] = 0.5
        soundfile.write(take.file, struck, 8000)
        rows = own.assign(status="played", confidence=0.99).to_dict("records")
        path = tables.path(settings.results, "aligned", build_day=take.build_day, recording=take.recording)
        tables.write(path, "aligned", make("aligned", rows))
        said = {"duration_s": len(struck) / 8000, "rate_hz": 8000, "n_channels": 1}
        tables.write(
            tables.path(settings.results, "hits", recording=take.recording), "hits", make("hits", []), said=said
        )
    return settings


def page_of(settings, folder):
    report.write(folder, report.read(settings))
    return (folder / "index.html").read_text(encoding="utf-8")


def test_the_page_plays_a_file_beside_it_with_the_caution_and_the_same_bytes(tmp_path):
    settings, out = make_page(tmp_path), tmp_path / "report"
    page = page_of(settings, out)
    assert re.findall(r"<audio[^>]*>", page) == ['<audio controls preload="none" src="sounds/moment-1.flac">']
    said = test_report.said(page[page.index("<h3>Hear it") :])
    assert said.index("turn the volume down first") < said.index("slate, bar")
    assert re.search(r"slate, bar \d+ beat \d r\d at \d:\d\d\.\d{3}: \d+\.\d ms (after|before) its tick\.", said)
    assert page.count('<a class="hear" href="#moment-1">') == 1  # in the card of its job, not in that of the load
    first = (out / "sounds/moment-1.flac").read_bytes()
    (out / "sounds/moment-7.flac").write_bytes(b"of an earlier list")
    (out / "sounds/mine.flac").write_bytes(b"of somebody")
    assert page_of(settings, out) == page and (out / "sounds/moment-1.flac").read_bytes() == first
    assert sorted(path.name for path in (out / "sounds").iterdir()) == ["mine.flac", "moment-1.flac"]


def test_without_the_recordings_the_page_is_still_made_and_says_so(tmp_path):
    settings = make_page(tmp_path)
    for take in settings.recordings:
        (tmp_path / take.file).unlink(missing_ok=True)
    page = page_of(settings, tmp_path / "report")
    assert "<audio" not in page and "Its sound is not there any more: r" in page and ">Hear it</a>" in page
    assert not list((tmp_path / "report").glob("sounds/*"))


def test_only_exports_that_are_there_are_linked(tmp_path):
    settings = make_page(tmp_path)
    assert "To take along" not in page_of(settings, tmp_path / "report")
    out = tmp_path / "results/exports"
    out.mkdir()
    for name in ("work-sheet.html", "r3.wav", "r3-mended.wav", "r4.mid", "another.wav", ".work-sheet.html.part"):
        (out / name).write_bytes(b"")
    page = page_of(settings, tmp_path / "report")
    links = set(re.findall(r'href="\.\./exports/([^"]*)"', page))
    assert links == {"work-sheet.html", "r3.wav", "r3-mended.wav", "r4.mid"}
    assert page.count("turn the volume down first") == 2
    odd = replace(settings, recordings=(replace(settings.recordings[0], recording="r3"),))
    (out / "barrel strip #1.svg").write_bytes(b"")
    assert taken_along.links(odd)[0].given[0] == ("barrel strip #1.svg", "../exports/barrel%20strip%20%231.svg")


def test_a_sound_that_is_deleted_or_damaged_and_a_new_export_have_the_report_made_again(tmp_path, monkeypatch):
    settings = make_page(tmp_path)
    out = tmp_path / "results/report"
    monkeypatch.setattr("pipeline.settings.fingerprints.contents", lambda path: (path,))

    def stands():
        prints = results.settings.Fingerprints(settings)
        return str(out / "index.html") not in results.to_make_again(settings, prints)

    page_of(settings, out)
    (out / "finding.txt").write_text("found\n")
    results.seal_report(settings.results, results.settings.fingerprint(settings, stage="report"))
    assert stands()
    whole = (out / "sounds/moment-1.flac").read_bytes()
    (out / "sounds/moment-1.flac").write_bytes(whole[:-1])
    assert not stands()
    (out / "sounds/moment-1.flac").unlink()
    assert not stands()
    (out / "sounds/moment-1.flac").write_bytes(whole)
    assert stands()
    (tmp_path / "results/exports").mkdir()
    (tmp_path / "results/exports/r3.wav").write_bytes(b"")
    assert not stands()


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here: the sound is not played in a browser")
def test_a_browser_reads_the_sound_of_a_page_from_disk(tmp_path):
    out = tmp_path / "report"
    page = page_of(make_page(tmp_path), out).replace("style-src", "script-src 'unsafe-inline'; style-src")
    probe = """<script>const one = document.querySelector("audio"); 
    const tell = what => document.title = "heard " + what;
    one.onloadedmetadata = () => tell(one.duration); one.onerror = () => tell("error"); one.load()</script></body>"""
    (out / "probe.html").write_text(page.replace("</body>", probe).replace('preload="none"', 'preload="metadata"'))
    options = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    options += "--disable-component-update --disable-sync --dump-dom --virtual-time-budget=5000"
    command = [CHROMIUM, *options.split(), f"--user-data-dir={tmp_path / 'browser'}", (out / "probe.html").as_uri()]
    dom = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False).stdout
    assert html.unescape(re.search("<title>(.*?)</title>", dom)[1]) == "heard 2"
