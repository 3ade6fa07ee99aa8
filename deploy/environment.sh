# shellcheck shell=sh
# Makes the Python environment in .venv from a lock file. Sourced by deploy/demo and tests/run, which
# stand in the project's folder by then. POSIX sh: Debian's sh is dash.
#
#   PYTHON=/path/to/python3   another interpreter than the first python3 on PATH
#
# A stamp in .venv holds the sums of the lock file and of pyproject.toml that were installed last: nothing
# is installed while they have not changed. An environment that is there is kept if it is usable: made with
# the same Python, and in this folder, for it cannot be moved.

fail() {
    printf '\n%s\n' "$*" >&2
    exit 1
}

check_python() {
    PYTHON=${PYTHON:-python3}
    command -v "$PYTHON" >/dev/null 2>&1 ||
        fail "There is no $PYTHON on this machine. Install Python 3.11 or newer:
    apt-get install python3 python3-venv      (as root, or with sudo in front)"
    found=$("$PYTHON" -c 'import sys; print("%d.%d" % sys.version_info[:2])') ||
        fail "$PYTHON does not run. Name another one: PYTHON=/path/to/python3 sh $0"
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail "$PYTHON is Python $found, but 3.11 or newer is needed (Debian 12 and 13 have it).
Name another one: PYTHON=/path/to/python3.11 sh $0"
    # Not the environment that may be active: it could be the one that is about to be made anew.
    PYTHON=$("$PYTHON" -c 'import sys; print(sys._base_executable)')
    "$PYTHON" -c 'import venv, ensurepip' 2>/dev/null ||
        fail "$PYTHON cannot make a virtual environment. Debian keeps that part in a package of its own:
    apt-get install python3-venv      (as root, or with sudo in front)"
}

usable_environment() {
    version='import sys; print(sys.version)'
    [ "$(.venv/bin/python -c "$version" 2>/dev/null)" = "$("$PYTHON" -c "$version")" ] &&
        head -n 3 .venv/bin/pip 2>/dev/null | grep -qF "$(pwd -P)/.venv/bin/python"
}

# Only wheels: nothing is compiled, and no code runs that the lock file's hashes do not cover.
install_with_hashes() { # VENV LOCK
    "$1/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes --only-binary :all: -r "$2"
}

# Both lock files pin the same versions (the second is compiled under the first), so either may be
# installed on top of the other.
make_environment() { # LOCK
    check_python
    if ! usable_environment; then
        echo "Making .venv with Python $found"
        rm -rf .venv
        "$PYTHON" -m venv .venv || fail "The virtual environment .venv could not be made: see above."
    fi
    made="$(cksum "$1" pyproject.toml)"
    if [ "$(cat ".venv/installed-$1" 2>/dev/null)" != "$made" ]; then
        echo "Installing what $1 lists (a minute or two the first time)"
        install_with_hashes .venv "$1" ||
            fail "Installing failed: see above. Is there a network, and a way to the Python packages?"
        .venv/bin/python -m pip install --quiet --disable-pip-version-check \
            --no-deps --no-build-isolation --editable . || fail "Installing cushionwatch failed: see above."
        echo "$made" >".venv/installed-$1"
    fi
}
