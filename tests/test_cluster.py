"""The same workflow on more than one machine: stock executors, a real Slurm, the same tables as at home."""

import os
import subprocess
import sys
import time

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests import slurm
from tests.test_workflow import ROOT, make_project

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    if missing := slurm.lacks():
        pytest.skip(f"expected a Slurm to start; found no {missing}")
    with slurm.running(tmp_path_factory.mktemp("slurm")) as environment:
        yield environment


def workflow(folder, profile, environment, *words):
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(ROOT / "Snakefile")]
    command += ["--workflow-profile", str(ROOT / "config" / profile), "--configfile", "my.yaml", *words]
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


def tables_of(folder) -> dict:
    found = sorted((folder / "results").rglob("*.parquet"))
    return {str(path.relative_to(folder)): pq.ParquetFile(path).read() for path in found}


def raw(table) -> bytes:
    """Return the rows as bytes, in which NaN equals itself."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema.remove_metadata()) as stream:
        stream.write_table(table.replace_schema_metadata(None))
    return sink.getvalue().to_pybytes()


@pytest.fixture(scope="module")
def at_home(tmp_path_factory):
    folder = make_project(tmp_path_factory.mktemp("home") / "bench")
    done = workflow(folder, "profile", os.environ)
    assert done.returncode == 0, done.stderr
    return tables_of(folder)


@pytest.mark.parametrize("profile", ["profile-slurm", "profile-cluster"])
def test_the_same_workflow_makes_the_same_tables_on_a_cluster(cluster, at_home, tmp_path, profile):
    folder, began = make_project(tmp_path / "bench"), time.monotonic()
    words = ["--jobs", "2"]
    if profile == "profile-cluster":
        words += ["--cluster-generic-status-cmd", str(ROOT / "config/profile-cluster/status.sh")]
    done = workflow(folder, profile, cluster, *words)
    assert done.returncode == 0, done.stderr
    made = tables_of(folder)
    print(f"{profile}: {time.monotonic() - began:.0f} s, {len(made)} tables")
    assert made.keys() == at_home.keys() and len(made) > 15
    for name, table in made.items():
        assert raw(table) == raw(at_home[name]), name
    again = workflow(folder, profile, cluster, *words)
    assert again.returncode == 0 and "Nothing to be done" in again.stdout + again.stderr


def test_a_recording_that_is_refused_stops_nothing_on_a_cluster(cluster, tmp_path):
    folder = make_project(tmp_path / "bench")
    (folder / "a2.csv").write_text("hit_s\n", encoding="utf-8")
    done = workflow(folder, "profile-slurm", cluster, "--jobs", "2")
    assert done.returncode == 0, done.stderr
    rows = tables_of(folder)["results/tables/recordings.parquet"].to_pylist()
    assert {row["recording"]: row["status"] for row in rows} == {"a1": "used", "a2": "refused", "b1": "used"}
