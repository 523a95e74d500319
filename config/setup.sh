# Sourced by demo/run.sh and tests/run.sh at the root of the project: makes .venv with the pinned versions.
# $extras: '' for the demo, '[test]' for the tests. A set-up that was interrupted is taken up again; a finished one
# costs nothing. PYTHON names another interpreter than python3.

python=${PYTHON:-python3}
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || {
    echo "set-up: expected python 3.11 or newer; found $("$python" --version 2>/dev/null || echo none); install it or say PYTHON=..." >&2
    exit 1
}
"$python" -c 'import venv, ensurepip' 2>/dev/null || {
    echo "set-up: expected python's venv module; found none; on Debian install the package python3-venv" >&2
    exit 1
}

stamp=.venv/set-up-$(cat config/constraints.txt pyproject.toml | cksum | cut -d ' ' -f 1)
[ ! -e "$stamp[test]" ] || extras='[test]'
if [ ! -e "$stamp$extras" ]; then
    echo "set-up: installing into .venv (about a minute) ..."
    .venv/bin/python -m pip --version >/dev/null 2>&1 || "$python" -m venv --clear .venv || exit 1
    .venv/bin/python -m pip install --quiet --disable-pip-version-check \
        --constraint config/constraints.txt --editable ".$extras" || {
        echo "set-up: pip could not install (its words stand above); mend that and run the same command again" >&2
        exit 1
    }
    : >"$stamp$extras"
fi
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
