#!/bin/sh
# Makes the environment that try.sh and test.sh use: system libraries where they are missing, a virtual environment in
# .venv, and the packages of pyproject.toml at the versions of resources/constraints.txt. May be run any number of times.
#
#   setup_for=run;  . resources/setup.sh     for running (try.sh)
#   setup_for=test; . resources/setup.sh     with what the tests need (test.sh)
#
# Needs Python 3.11 or newer and git. As root on Debian it installs what is missing; as another user it names the command.

want=${setup_for:-run}
python=${PYTHON:-python3}
if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    echo "setup: $python is missing or older than 3.11. Install it (Debian 12: apt-get install python3), or set PYTHON=/path/to/python3.11" >&2
    exit 2
fi

# -- what the system must bring ---------------------------------------------------------------------------------------
has_library() { ldconfig -p 2>/dev/null | grep -q "$1" || /sbin/ldconfig -p 2>/dev/null | grep -q "$1"; }

missing=""
"$python" -c 'import ensurepip, venv' 2>/dev/null || missing="$missing python3-venv"
window=""   # what the window needs; a run on the command line does without
for pair in libEGL.so.1:libegl1 libGL.so.1:libgl1 libxkbcommon.so.0:libxkbcommon0 libdbus-1.so.3:libdbus-1-3 \
    libfontconfig.so.1:libfontconfig1 libglib-2.0.so.0:libglib2.0-0 libxcb-cursor.so.0:libxcb-cursor0 \
    libxcb-icccm.so.4:libxcb-icccm4 libxcb-image.so.0:libxcb-image0 libxcb-keysyms.so.1:libxcb-keysyms1 \
    libxcb-randr.so.0:libxcb-randr0 libxcb-render-util.so.0:libxcb-render-util0 libxcb-render.so.0:libxcb-render0 \
    libxcb-shape.so.0:libxcb-shape0 libxcb-shm.so.0:libxcb-shm0 libxcb-sync.so.1:libxcb-sync1 libxcb-xfixes.so.0:libxcb-xfixes0 \
    libxcb-xkb.so.1:libxcb-xkb1 libxkbcommon-x11.so.0:libxkbcommon-x11-0 libX11-xcb.so.1:libx11-xcb1; do
    if command -v ldconfig >/dev/null 2>&1 || [ -x /sbin/ldconfig ]; then
        has_library "${pair%%:*}" || window="$window ${pair##*:}"
    fi
done
if [ -z "$(find /usr/share/fonts -name '*.ttf' 2>/dev/null | head -n 1)" ]; then window="$window fonts-dejavu-core"; fi
if [ "$want" = test ]; then
    command -v Xvfb >/dev/null 2>&1 || window="$window xvfb"
    command -v pdfsig >/dev/null 2>&1 || window="$window poppler-utils"     # a second pair of eyes on signed reports
    command -v openssl >/dev/null 2>&1 || window="$window openssl"          # records are verified without this program
    command -v unzip >/dev/null 2>&1 || window="$window unzip"
    command -v gcc >/dev/null 2>&1 || window="$window gcc libc6-dev"        # the plant's equations in C, for comparison
    # a real server for the archive's tests; its programs are not on the path
    if [ -z "$(find /usr/lib/postgresql -name initdb 2>/dev/null | head -n 1)" ]; then window="$window postgresql"; fi
fi

if [ -n "$missing$window" ]; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        echo "setup: installing$missing$window"
        log=$(mktemp)
        if ! { apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $missing $window; } >"$log" 2>&1; then
            tail -n 5 "$log" >&2
            echo "setup: the packages above could not be installed; the lines before say why (no network?)" >&2
            exit 2
        fi
        rm -f "$log"
    elif [ -n "$missing" ] || [ "$want" = test ]; then
        echo "setup: missing system packages. Install them, then run this again:" >&2
        echo "    sudo apt-get install$missing$window" >&2
        exit 2
    else
        echo "setup: the window needs system packages that are missing here. To open it later:"
        echo "    sudo apt-get install$window"
    fi
fi

# -- the virtual environment -------------------------------------------------------------------------------------------
if [ ! -x .venv/bin/python ]; then
    echo "setup: making .venv"
    "$python" -m venv .venv || exit 2
fi
extra=""
[ "$want" = test ] && extra="[dev]"
stamp=$(cat pyproject.toml resources/constraints.txt | .venv/bin/python -c 'import hashlib, sys; print(hashlib.sha256(sys.stdin.buffer.read()).hexdigest())')
# what the tests need includes what a run needs, so a test environment serves both
if ! { [ -x .venv/bin/benchrunner ] && grep -qsx "$stamp test" .venv/stamp; } &&
    ! { [ "$want" = run ] && [ -x .venv/bin/benchrunner ] && grep -qsx "$stamp run" .venv/stamp; }; then
    echo "setup: installing the packages (some 500 MB the first time)"
    log=$(mktemp)
    if ! .venv/bin/python -m pip install --disable-pip-version-check -q -c resources/constraints.txt -e ".$extra" >"$log" 2>&1; then
        tail -n 15 "$log" >&2
        echo "setup: the packages could not be installed; the lines above say why (no network to the package index?)" >&2
        exit 2
    fi
    rm -f "$log"
    echo "$stamp $want" >.venv/stamp
fi
