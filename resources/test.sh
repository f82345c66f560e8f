#!/bin/sh
# Sets up and runs all tests. Arguments go to pytest:  sh resources/test.sh tests/measure -x
cd "$(dirname "$0")/.." || exit 2
setup_for=test
. resources/setup.sh
export QT_QPA_PLATFORM="${QT_QPA_PLATFORM:-offscreen}"
if [ $# -gt 0 ]; then
    exec .venv/bin/python -m pytest "$@"
fi
exec .venv/bin/python -m pytest -n 2 --dist loadfile
