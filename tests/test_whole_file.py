"""Files appear whole or not at all, and what killed writers leave goes."""

import os
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline import tables

ROOT = Path(__file__).parents[1]
SLOW_WRITER = """
import sys
from pipeline import tables
with tables.replacing(sys.argv[1]) as file:
    file.write(b"half")
    file.flush()
    print("writing", flush=True)
    sys.stdin.readline()
    file.write(b" whole")
"""


@pytest.fixture
def slow_writer(tmp_path):
    """Return a function that starts a process which has half written the file, and waits for a line."""
    started = []

    def start(path):
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        process = subprocess.Popen(
            [sys.executable, "-c", SLOW_WRITER, path], cwd=tmp_path, env=environment, text=True, **pipes
        )
        started.append(process)
        assert process.stdout.readline() == "writing\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def left_in(folder):
    return [name for name in os.listdir(folder) if name.endswith(".part")]


def write(path, text):
    with tables.replacing(path) as file:
        file.write(text)


def test_what_a_killed_writer_has_left_goes_when_the_same_file_is_written_again(tmp_path, slow_writer):
    path, other = tmp_path / "hits.parquet", tmp_path / "hits.parquet.old"
    for _ in range(2):
        process = slow_writer(str(path))
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert len(left_in(tmp_path)) >= 1 and not path.exists()
    write(other, b"of another name")
    assert len(left_in(tmp_path)) >= 1
    write(path, b"whole")
    assert left_in(tmp_path) == [] and path.read_bytes() == b"whole"


def test_what_another_process_is_writing_is_left_alone(tmp_path, slow_writer):
    path = tmp_path / "hits.parquet"
    process = slow_writer(str(path))
    (writing,) = left_in(tmp_path)
    write(path, b"first")
    assert left_in(tmp_path) == [writing] and path.read_bytes() == b"first"
    process.communicate("go on\n")
    assert process.returncode == 0
    assert left_in(tmp_path) == [] and path.read_bytes() == b"half whole"


def test_many_writers_of_one_file_at_once_all_succeed(tmp_path):
    """Locks of the kernel belong to the open file: threads compete for them as processes do."""
    path, texts = tmp_path / "a", [b"%d" % k * 1000 for k in range(200)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda text: write(path, text), texts))
    assert path.read_bytes() in texts and left_in(tmp_path) == []


def test_a_block_that_fails_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "a"
    write(path, b"old")
    with pytest.raises(RuntimeError), tables.replacing(path) as file:
        file.write(b"new")
        raise RuntimeError
    assert path.read_bytes() == b"old" and os.listdir(tmp_path) == ["a"]


def test_files_that_are_no_ones_temporary_files_stay(tmp_path):
    """A link to a file elsewhere, a folder and another program's file under such a name."""
    kept = tmp_path / "kept"
    kept.write_text("kept")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / ".a.1.part").symlink_to(kept)
    (tmp_path / "in" / ".a.2.part").mkdir()
    (tmp_path / "in" / ".b.3.part").write_text("of b")
    write(tmp_path / "in" / "a", b"new")
    assert sorted(os.listdir(tmp_path / "in")) == [".a.1.part", ".a.2.part", ".b.3.part", "a"]
    assert kept.read_text() == "kept"


def test_a_long_name_can_be_written(tmp_path):
    path = tmp_path / ("n" * 247 + ".parquet")
    write(path, b"whole")
    assert path.read_bytes() == b"whole"


def test_a_file_can_be_read_by_others_as_the_mask_allows(tmp_path):
    write(tmp_path / "a", b"")
    mask = os.umask(0)
    os.umask(mask)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o666 & ~mask
