#!/bin/sh
# Set up and run all tests; `sh tests/run.sh long` runs the long ones (studies, kills, clusters) instead.
# Other words go to pytest.
set -eu
cd "$(dirname "$0")/.."
extras='[test]'
. config/setup.sh

# Two tests run side by side; more threads each would only wait for one another.
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
if [ "${1:-}" = long ]; then
    shift
    exec .venv/bin/python -m pytest -q -m long "$@"
fi
.venv/bin/ruff check --quiet .
.venv/bin/ruff format --check --quiet .
.venv/bin/snakefmt --check Snakefile 2>.venv/snakefmt.log || { cat .venv/snakefmt.log; exit 1; }
# A file of tests stays on one core, for what its tests share is made once; tests/conftest.py puts them in order.
exec .venv/bin/python -m pytest -q --numprocesses 2 --dist loadfile --no-loadscope-reorder "$@"
