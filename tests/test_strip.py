"""The unrolled barrel: what lies where on the sheet, in mm, also as a browser prints it.

Paper: ISO 216 (A4: 210 x 297 mm), ANSI/ASME Y14.1 (letter: 8.5 x 11 in). A PDF's unit is 1/72 inch (ISO 32000-1).
"""

import itertools
import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
import zlib

import numpy as np
import pyarrow as pa
import pytest

from pipeline import words
from pipeline.exports import Strip, strip_html, strip_svg
from pipeline.settings import Barrel, Machine, Striker
from pipeline.timing.tables.pins import from_index

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
PT_PER_MM = 72 / 25.4


def make_machine(n_strikers=3, diameter_mm=420.0, bars=8.0, pins="song"):
    strikers = tuple(Striker(f"striker {n + 1}", (60 + n,)) for n in range(n_strikers))
    return Machine(Barrel(bars, diameter_mm, pins), (), None, strikers)


def make_notes(n=200, n_strikers=3, turns=2.5, seed=0):
    """Even notes of random strikers over some turns of eight bars; each has a pin of its own."""
    beat = np.arange(n) * (32 * turns / n)
    return pa.table(
        {
            "note_id": np.arange(n),
            "pin_id": np.arange(n),
            "score_beat": beat,
            "bar": (beat // 4).astype(int) + 1,
            "beat_in_bar": beat % 4 + 1,
            "striker": [f"striker {n + 1}" for n in np.random.default_rng(seed).integers(0, n_strikers, n)],
            "barrel_turn": beat / 32,
        }
    )


def make_job(notes, moves: dict[int, float | None]):
    """Return a row of the work list that moves the pins of some notes."""
    rows = notes.to_pylist()
    places = [
        {"striker": rows[n]["striker"], "score_beat": rows[n]["score_beat"], "move_mm": mm} for n, mm in moves.items()
    ]
    return {"places": json.dumps(places)}


def make_strip(moves=None, of="song, 3 May 2031", **machine):
    notes = make_notes(n_strikers=machine.get("n_strikers", 3))
    return notes, Strip.of_notes(of, notes, [make_job(notes, moves or {})], make_machine(**machine))


def drawn(svg: str):
    """Return the marks of an SVG: kind -> (x, y) of each, in its units; and its width in them and in mm."""
    root = ElementTree.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    marks = {}
    for path in root.iter(f"{space}path"):
        for kind in path.get("class", "").split():
            x, y = re.match(r"M([-\d.]+) ([-\d.]+)", path.get("d")).groups()
            marks.setdefault(kind, []).append((float(x), float(y), path.get("d")))
    for circle in root.iter(f"{space}circle"):
        marks.setdefault("found", []).append((float(circle.get("cx")), float(circle.get("cy")), ""))
    *_, width, height = map(float, root.get("viewBox").split())
    assert (root.get("width"), root.get("height")) == (f"{width:.2f}mm", f"{height:.2f}mm")  # a unit is one mm
    return marks, width, height


def sheets(html: str) -> list[str]:
    return re.findall(r"<svg.*?</svg>", html, re.S)


def test_pins_lie_as_far_from_the_index_mark_as_the_table_of_pins_says():
    notes, strip = make_strip()
    marks, *_ = drawn(strip_svg(strip))
    _, index_mm = from_index(notes["barrel_turn"].to_numpy(), make_machine().barrel)
    mark_x = max(x for x, *_ in marks["index"])
    assert sorted(mark_x - x for x, *_ in marks["pin"]) == pytest.approx(sorted(index_mm), abs=0.002)
    ends = sorted({x for x, *_ in marks["index"]})
    assert ends[1] - ends[0] == pytest.approx(np.pi * 420, abs=0.002) and len(marks["index"]) == 2 * strip.n_turns


def test_turns_and_rows_lie_below_one_another_in_their_order():
    notes, strip = make_strip()
    marks, *_ = drawn(strip_svg(strip))
    tracks = {}
    for note, (_, y, _) in zip(
        notes.to_pylist(), sorted(marks["pin"], key=lambda mark: (mark[1], -mark[0])), strict=True
    ):
        tracks.setdefault(y, []).append(note)
    heights = sorted(tracks)
    expected = sorted({(int(n["barrel_turn"]), n["striker"]) for n in notes.to_pylist()})
    assert len(heights) == len(expected) == 9
    counts = [sum((int(n["barrel_turn"]), n["striker"]) == one for n in notes.to_pylist()) for one in expected]
    assert [len(tracks[y]) for y in heights] == counts


@pytest.mark.parametrize("late_s", [0.014, -0.009])
def test_a_late_pin_is_found_behind_its_place_and_its_arrow_points_forward(late_s):
    """A pin strikes distance / speed after the mark: a late one lies further from it, an early one nearer."""
    speed_mm_per_s = np.pi * 420 / 20
    offset_mm = late_s * speed_mm_per_s  # as tables/pins has it: forward positive, and the job moves by as much
    _, strip = make_strip({60: offset_mm})
    (job,) = strip.jobs
    assert job.found_mm / speed_mm_per_s - job.index_mm / speed_mm_per_s == pytest.approx(late_s)
    marks, *_ = drawn(strip_svg(strip))
    ((wanted_x, *_),), ((found_x, *_),), ((*_, way),) = marks["job"], marks["found"], marks["way"]
    assert wanted_x - found_x == pytest.approx(offset_mm, abs=0.002)  # forward, the rotation, is to the right
    rotation = marks["rotation"][0][2]
    assert rotation.startswith("M206 29h46")
    tail, head = map(float, re.match(r"M([-\d.]+) [-\d.]+H([-\d.]+)", way).groups())
    assert np.sign(head - tail) == np.sign(late_s) and np.sign(wanted_x - head) == np.sign(late_s)
    said = f"{abs(offset_mm):.1f}\xa0mm {'forward' if late_s > 0 else 'backward'}"
    assert said in strip_html(strip)


def test_the_cover_names_the_page_that_shows_a_pin_to_move_and_jobs_that_move_none_are_no_marks():
    _, strip = make_strip({30: 1.2, 150: -0.7, 90: None})
    html = strip_html(strip)
    named = [int(page) for page in re.findall(r"<li>page (\d+): row", html)]
    assert len(named) == 2
    for number, sheet in enumerate(sheets(html), 2):
        marks, *_ = drawn(sheet)
        assert len(marks.get("found", [])) == len(marks.get("job", [])) >= named.count(number)
    _, none = make_strip()
    assert "No pin is surely out of place" in strip_html(none) and "No pin is surely" not in html


def test_what_is_written_at_pins_to_move_stays_on_the_page_and_apart():
    """Pins at both ends of the strip and beside each other; bold digits are at most 0.7 of their height wide."""
    notes = make_notes(n=400)
    moves = {0: -1.4, 1: 0.9, 2: -2.2, 3: 1.5, 4: 0.6, 60: 2.5, 159: 1.1, 158: -0.8}
    strip = Strip.of_notes("song", notes, [make_job(notes, moves)], make_machine())
    html, written = strip_html(strip), []
    for sheet in sheets(html):
        root = ElementTree.fromstring(sheet)
        spans = {}
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            if re.fullmatch(r"\d+|\d+\.\d\xa0mm", text.text) and text.get("font-weight"):
                wide, x = 0.7 * float(text.get("font-size", 3)) * len(text.text), float(text.get("x"))
                first = x - wide if text.get("text-anchor") == "end" else x
                assert 0 <= first and first + wide <= 262
                spans.setdefault(round(float(text.get("y"))), []).append((first, first + wide))
                written.append(text.text)
        for row in spans.values():
            row.sort()
            assert all(left[1] <= right[0] for left, right in itertools.pairwise(row))
    assert {str(number + 1) for number in range(len(moves))} <= set(written) and "2.5\xa0mm" in written
    assert "2.2\xa0mm" not in written and "2.2\xa0mm backward" in html  # no room: the cover says it


@pytest.mark.parametrize(("n_strikers", "diameter_mm"), [(3, 420.0), (6, 420.0), (40, 300.0), (2, 60.0), (1, 1200.0)])
def test_the_pages_together_hold_each_pin_and_neighbours_share_the_line_along_which_they_are_joined(
    n_strikers, diameter_mm
):
    _, strip = make_strip(n_strikers=n_strikers, diameter_mm=diameter_mm)
    pages = sheets(strip_html(strip))
    n_steps = max(1, int(np.ceil((strip.length_mm - 5) / 240)))
    assert len(pages) % n_steps == 0
    seen, joins = [], []
    for number, page in enumerate(pages):
        marks, width, height = drawn(page)
        # Both papers on their side, within margins of 8 mm; the top of what is drawn last lies above the lower edge.
        assert width <= min(297, 11 * 25.4) - 16 and height <= min(210, 8.5 * 25.4) - 16
        everything = [one for kind in ("pin", "join", "index", "axis") for one in marks.get(kind, [])]
        assert all(0 <= x <= width and 0 <= y <= height for x, y, _ in everything)
        # The page begins 6 mm from its right edge, 5 mm before a multiple of 240 mm from the index mark.
        seen += [number % n_steps * 240 - 5 + width - 6 - x for x, *_ in marks.get("pin", [])]
        joins.append(marks.get("join", []))
        lines = [float(y) for y in re.findall(r'stroke-width="0.1" d="M[\d.]+ ([\d.]+)H', page)]
        assert max(lines) < height
    places = np.array([pin.index_mm for pin in strip.pins])
    assert np.abs(np.array(seen)[:, None] - places).min(axis=0).max() < 0.002
    assert np.abs(np.array(seen)[:, None] - places).min(axis=1).max() < 0.002 and len(seen) >= len(places)
    for first in range(0, len(pages), n_steps):
        for here, there in zip(joins[first:], joins[first + 1 : first + n_steps], strict=False):
            # Left on this page, right on the next; both have it at the same height.
            left, right = min(here), max(there)
            assert (left[0] + 2, right[0] + 2) == (pytest.approx(11), pytest.approx(251))  # a cross begins 2 mm before
            assert {y for _, y, _ in here} == {y for _, y, _ in there}


def test_a_barrel_whose_pins_come_round_has_one_turn_and_each_pin_once():
    notes = make_notes(n=64, turns=2)
    folded = notes.set_column(1, "pin_id", pa.array(np.arange(64) % 32))
    names = pa.array([f"striker {n % 32 % 3 + 1}" for n in range(64)])
    folded = folded.set_column(folded.column_names.index("striker"), "striker", names)
    strip = Strip.of_notes("song", folded, [make_job(folded, {5: 0.8, 37: 0.8})], make_machine(pins="turn"))
    assert strip.n_turns == 1 and len(strip.pins) == 32 and len(strip.jobs) == 1
    assert "every turn" in strip_svg(strip) and "Each turn" not in strip_html(strip)


@pytest.mark.parametrize("machine", [{"diameter_mm": None}, {"bars": None}])
def test_without_diameter_or_bars_there_is_no_strip(machine):
    assert make_strip(**machine)[1] is None


def test_each_page_has_the_caution_the_ruler_and_the_way_and_no_name_can_break_it():
    _, strip = make_strip(of="<script>alert(1)</script> & song")
    html = strip_html(strip)
    assert "<script>" not in html
    pages = sheets(html)
    for svg in (*pages, strip_svg(strip)):
        text = " ".join(ElementTree.fromstring(svg).itertext())
        assert words.HANDS_ON in text and "Local codes and licensed practice decide" in text
        assert "100 mm: measure this line before use; printers scale" in text and "direction of rotation" in text
        ((*_, ruler),) = drawn(svg)[0]["ruler"]
        assert ruler.endswith("h100")
    assert html.count(words.CAUTION) == 1  # the cover; a page has it in two lines
    assert strip_html(strip) == html  # the same bytes


# --- as a browser prints it ------------------------------------------------------------------------------------------


def printed(pdf: bytes):
    """Return size (pt) and straight strokes ((x, y), (x, y)) of each page of a PDF, by its operators q Q cm m l."""
    pages = []
    objects = dict(re.findall(rb"(?m)^(\d+) 0 obj\s(.*?)endobj", pdf, re.S))
    for body in (one for one in objects.values() if re.search(rb"/Type\s*/Page\b", one)):
        box = [float(one) for one in re.search(rb"/MediaBox\s*\[([^\]]*)\]", body)[1].split()]
        number = re.search(rb"/Contents\s+(\d+) 0 R", body)[1]
        head = re.search(rb"(?m)^%s 0 obj\s*<<.*?/Length (\d+).*?>>\s*stream\r?\n" % number, pdf, re.S)
        raw = pdf[head.end() : head.end() + int(head[1])]
        pages.append((box[2:], _strokes(zlib.decompress(raw).decode("latin-1"))))
    return pages


def _strokes(content: str):
    matrix, kept, numbers, at, found = np.eye(3), [], [], None, []
    for word in content.split():
        if re.fullmatch(r"[-+]?[\d.]+", word):
            numbers.append(float(word))
            continue
        if word == "q":
            kept.append(matrix)
        elif word == "Q":
            matrix = kept.pop()
        elif word == "cm":
            a, b, c, d, e, f = numbers[-6:]
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif word in ("m", "l"):
            to = (np.array([*numbers[-2:], 1.0]) @ matrix)[:2]
            if word == "l":
                found.append((at, to))
            at = to
        numbers = []
    return found


@pytest.mark.skipif(not CHROMIUM, reason="no Chromium here: not printed")
@pytest.mark.parametrize(("paper", "long_mm", "short_mm"), [("A4", 297.0, 210.0), ("letter", 279.4, 215.9)])
def test_a_browser_prints_it_in_its_true_size_one_page_a_sheet(paper, long_mm, short_mm, tmp_path):
    _, strip = make_strip({60: 2.4})
    html = strip_html(strip)
    # A person chooses the paper in the dialogue; without one it is named here.
    (tmp_path / "strip.html").write_text(html.replace("size: landscape", f"size: {paper} landscape"), encoding="utf-8")
    command = [CHROMIUM, "--headless", "--no-sandbox", "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'a.pdf'}"]
    subprocess.run([*command, (tmp_path / "strip.html").as_uri()], check=True, capture_output=True, timeout=120)
    pages = printed((tmp_path / "a.pdf").read_bytes())
    assert len(pages) == 1 + len(sheets(html))
    for (size, strokes), sheet in zip(pages[1:], sheets(html), strict=True):
        assert size == pytest.approx([long_mm * PT_PER_MM, short_mm * PT_PER_MM], abs=1.0)
        assert all(0 <= one <= most for pair in strokes for end in pair for one, most in zip(end, size, strict=True))
        flat = [abs(end[0] - start[0]) / PT_PER_MM for start, end in strokes if abs(end[1] - start[1]) < 0.01]
        assert min(abs(one - 100) for one in flat) < 0.05  # the ruler
        marks, *_ = drawn(sheet)
        upright = [
            start[0] / PT_PER_MM
            for start, end in strokes
            if abs(end[0] - start[0]) < 0.01 and abs(abs(end[1] - start[1]) / PT_PER_MM - 4.5) < 0.01
        ]
        plain = np.sort([x for x, _, d in marks["pin"] if d.endswith("v-4.5")])
        assert len(plain) + len(marks.get("job", [])) == len(marks["pin"])
        assert np.ptp(np.sort(upright) - plain) < 0.05  # mm
