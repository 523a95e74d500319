"""Data goes one way: a stage imports contracts, settings and errors, never another stage."""

import ast
import os
import re
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.settings import fingerprints
from tests import conftest

PIPELINE = Path(__file__).parents[1] / "pipeline"
COMMON = {"errors", "settings", "tables"}
SHARED = {
    "audio": {"hits", "aligned", "report", "exports", "playback"},
    "bars": {"timing", "worklist", "report"},
    "felt": {"timing", "worklist"},
    "flywheel": {"timing", "trend"},
    "hearing": {"felt", "timing", "worklist", "report"},
    "midi": {"notes", "hits", "settings"},
    "playback": {"exports", "report"},
    "robust": {"aligned", "felt", "hits", "report", "timing", "worklist"},
    "words": {"hits", "repeats", "timing", "worklist", "report", "exports"},
}
SKIPPED = """
import pytest
@pytest.mark.skipif(True, reason="sounds of package glass-harp not installed")
@pytest.mark.parametrize("k", [1, 2])
def test_it(k): ...
@pytest.mark.skipif(True, reason="no Chromium here: not opened")
def test_page(): ...
@pytest.mark.skipif(True, reason="not on a Tuesday")
def test_day(): ...
def test_import(): pytest.importorskip("glass_harp_player")
"""
# Start-up is paid per job, and there is a job per recording: these take the better part of a second to import.
HEAVY = {"pandas", "scipy.signal", "scipy.stats", "statsmodels", "matplotlib", "librosa"}
FILES = sorted(PIPELINE.rglob("*.py"))


def imported(path):
    """Return the modules that a file imports, as dotted names."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PIPELINE)))
def test_a_stage_imports_no_other_stage(path):
    stage = path.relative_to(PIPELINE).parts[0].removesuffix(".py")
    if stage in ("__main__", "commands"):  # they put the stages together, and no stage imports them
        return
    allowed = COMMON | {stage} | {shared for shared, stages in SHARED.items() if stage in stages}
    used = {name.split(".")[1] for name in imported(path) if name.startswith("pipeline.")}
    assert used <= allowed, f"{path} imports {sorted(used - allowed)}"


@pytest.mark.parametrize("module", SHARED)
def test_a_change_of_a_shared_module_makes_again_what_the_stages_that_import_it_have_made(module):
    files = {
        stage: [PIPELINE / f"{stage}.py", *PIPELINE.joinpath(stage).rglob("*.py")] for stage in fingerprints.STAGES
    }
    users = {
        stage
        for stage, paths in files.items()
        if any(re.match(rf"pipeline\.{module}\b", name) for path in paths if path.exists() for name in imported(path))
    }
    assert users == {stage for stage, shared in fingerprints.SHARED.items() if module in shared}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PIPELINE)))
def test_jobs_that_run_once_a_recording_import_nothing_slow(path):
    stage = path.relative_to(PIPELINE).parts[0].removesuffix(".py")
    if stage in COMMON | {"__main__", "audio", "midi", "robust", "words", "hits", "aligned", "notes"}:
        slow = {name for name in imported(path) if any(name == one or name.startswith(one + ".") for one in HEAVY)}
        assert not slow


def test_only_tables_touches_parquet():
    doors = {path for path in FILES if any(name.startswith("pyarrow.parquet") for name in imported(path))}
    assert doors == {PIPELINE / "tables" / "parquet.py"}


def test_yaml_is_loaded_safely_and_no_string_reaches_a_shell():
    for path in FILES:
        text = path.read_text(encoding="utf-8")
        for word in ("yaml.load(", "yaml.unsafe", "shell=True", "os.system", "eval(", "pickle"):
            assert word not in text, f"{path}: {word}"


def test_no_job_of_a_recording_imports_pandas_behind_our_back(tmp_path):
    """Arrow does at many a call (`tables.arrow` says which)."""
    rng = np.random.default_rng(5)
    struck = np.zeros(4 * 48_000)
    struck[9_600::24_000] = 1.0
    sound = np.convolve(struck, rng.normal(size=4_800) * np.exp(-np.arange(4_800) / 600.0) / 5)[: len(struck)]
    soundfile.write(tmp_path / "take.wav", sound + rng.normal(size=len(sound)) * 1e-4, 48_000, subtype="FLOAT")
    code = (
        "import sys; from datetime import date\n"
        "from pipeline import hits, tables\n"
        "from pipeline.settings import Barrel, Channel, Detection, Machine, Recording, Rig, Striker\n"
        "take = Recording('take', 'take.wav', date(2031, 5, 3), 'rig', 'song')\n"
        "machine = Machine(Barrel(), (), None, (Striker('bell', (0,)),))\n"
        "rig = Rig('rig', (Channel(1, ('bell',)),))\n"
        "listed, _ = hits.find(Recording('b', 'b.csv', date(2031, 5, 3), '', 'song'), None, machine, Detection())\n"
        "tables.write('listed.parquet', 'hits', listed)\n"
        "print(len(listed), 'scipy' in sys.modules)\n"  # a list pays for no search in sound
        "table, _ = hits.find(take, rig, machine, Detection())\n"
        "tables.write('hits.parquet', 'hits', table)\n"
        "found = tables.read('hits.parquet', 'hits')\n"
        "print(len(found), 'pandas' in sys.modules)"
    )
    (tmp_path / "b.csv").write_text("hit_s,striker\n0.5,bell\n1.2,bell\n")
    environment = os.environ | {"PYTHONPATH": str(PIPELINE.parent)}
    run = partial(subprocess.run, cwd=tmp_path, capture_output=True, text=True, check=False, env=environment)
    done = run([sys.executable, "-c", code])
    assert done.stdout.split() == ["2", "False", "8", "False"], done.stderr


def test_what_is_skipped_for_a_missing_package_is_said_at_the_end(tmp_path):
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_it.py").write_text(SKIPPED)
    run = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(tmp_path), str(tmp_path)]
    said = subprocess.run(run, cwd=tmp_path, capture_output=True, text=True, check=False).stdout
    assert [line for line in said.splitlines() if line.startswith("not tested")] == [
        "not tested without Chromium: test_it.py (1)",
        "not tested without glass-harp: test_it.py (2)",
        "not tested without glass_harp_player: test_it.py (1)",
    ]


def test_every_reason_to_skip_names_what_is_missing():
    for path in Path(__file__).parent.glob("test_*.py"):
        for reason in re.findall(r'skipif\(.*?reason="([^"]*)"', path.read_text(encoding="utf-8")):
            assert path == Path(__file__) or conftest.MISSING.search(reason), f"{path}: {reason}"
