# Sourced by tools/run and tools/test: a virtual environment of our own in .venv.
#
# It is made again when pyproject.toml changes. SYNCBOX_PYTHON names another Python.

syncbox_python() {
    # The first Python that the project's libraries have wheels for.
    local candidate
    for candidate in "${SYNCBOX_PYTHON:-}" python3 python3.12 python3.11; do
        if [ -n "$candidate" ] && "$candidate" -c '
import sys
sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 12))' 2>/dev/null; then
            echo "$candidate"
            return 0
        fi
    done
    echo "syncbox needs Python 3.11 or 3.12; set SYNCBOX_PYTHON to one." >&2
    return 1
}

syncbox_system_packages() {
    # Install what is missing of the named Debian packages if we may; otherwise say what to do.
    command -v dpkg-query >/dev/null || {
        echo "note: this is not Debian; please see that these are there in your system's way: $*"
        return 0
    }
    local name missing=()
    for name in "$@"; do
        dpkg-query --show --showformat='${db:Status-Status}' "$name" 2>/dev/null | grep -qx installed ||
            missing+=("$name")
    done
    [ ${#missing[@]} -eq 0 ] && return 0
    if [ "$(id -u)" -ne 0 ]; then
        echo "note: missing: sudo apt-get install ${missing[*]}"
        return 0
    fi
    export DEBIAN_FRONTEND=noninteractive
    apt-get update -qq && apt-get install -qq -y --no-install-recommends "${missing[@]}" >/dev/null
}

syncbox_environment() {
    # Make .venv with the extras named in $1 and put it first in PATH.
    local extras=$1 python state there
    python=$(syncbox_python) || return 1
    state="$("$python" --version) $(cksum <pyproject.toml)"
    there=$(cat .venv/stamp 2>/dev/null || true)
    # The developers' environment has everything that a user's has.
    if [ "$there" != "$extras $state" ] && [ "$there" != "dev $state" ]; then
        echo "Setting up .venv (once; a few minutes where nothing is cached) ..."
        rm -rf .venv
        # Debian keeps a part of the venv module in a package of its own.
        "$python" -m venv .venv >/dev/null 2>&1 || {
            syncbox_system_packages python3-venv
            "$python" -m venv --clear .venv || return 1
        }
        .venv/bin/python -m pip install --quiet --quiet --editable ".[$extras]" || return 1
        echo "$extras $state" >.venv/stamp
    fi
    PATH="$PWD/.venv/bin:$PATH"
    export PATH
}
