#!/bin/sh
# Set up, make the demo workshop's recordings, run the whole pipeline on them and print what was found.
set -eu
cd "$(dirname "$0")/.."
extras=
. config/setup.sh

.venv/bin/python -m demo.make
exec .venv/bin/pindrift run demo/config.yaml
