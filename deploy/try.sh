#!/bin/sh
# Tries surpluscharge out from a fresh clone, in a Python environment of its own (.venv), away from the system:
#
#   sh deploy/try.sh demo [options]    the daemon with a simulated house, plug and car
#   sh deploy/try.sh tests [options]   the tests
#
# What follows the first word is handed on to the demo or to pytest. To install the service, see README.md.
# EXTRAS names further extras to install in the same go: EXTRAS=lint for ruff and mypy.
set -eu

say() { printf 'surpluscharge: %s\n' "$*" >&2; }
fail() { say "$*"; exit 1; }

what=${1-}
case $what in
demo) extra='demo' ;;
tests) extra='test' ;;
*) fail 'say what to try: sh deploy/try.sh demo, or sh deploy/try.sh tests' ;;
esac
shift

extra=$extra${EXTRAS:+,$EXTRAS}
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
venv=$root/.venv
python=$venv/bin/python

find_python() {
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return
        fi
    done
    fail 'needs Python 3.11 or later, and found none: install one (Debian 12 or later: apt-get install python3)'
}

# Debian keeps the part of Python that puts pip into a new environment in a package of its own.
install_venv_module() {
    package=$("$1" -c 'import sys; print("python3.%d-venv" % sys.version_info.minor)')
    as_root=
    if [ "$(id -u)" -ne 0 ]; then as_root=sudo; fi
    if ! command -v apt-get >/dev/null || { [ -n "$as_root" ] && ! command -v sudo >/dev/null; }; then
        fail "$1 cannot make environments: install its venv module (as root: apt-get install $package), then try again"
    fi
    say "installing the Debian package $package with ${as_root:+$as_root }apt-get"
    if ! $as_root apt-get -qq update || ! $as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get -qq install --no-install-recommends "$package" >/dev/null; then
        fail "could not install it: as root, apt-get install $package, then try again"
    fi
}

# An environment that was left half made, or whose Python has been upgraded away, is made anew.
if ! "$python" -m pip --version >/dev/null 2>&1; then
    base=$(find_python)
    "$base" -c 'import ensurepip' 2>/dev/null || install_venv_module "$base"
    say "making $venv with $("$base" --version)"
    "$base" -m venv --clear "$venv"
fi

# Installed in place, so a later pull needs no new installation unless the packages it needs have changed;
# the place is noted too, because the checkout may have been moved.
installed=$venv/installed-$extra
wanted="$(cksum <"$root/pyproject.toml") $root"
if [ "$(cat "$installed" 2>/dev/null)" != "$wanted" ]; then
    say "installing what is needed into it (a minute or two, the first time only)"
    (cd "$root" && "$python" -m pip install --quiet --disable-pip-version-check --editable ".[$extra]") ||
        fail 'could not install: the reason stands above; is there a connection to the package index?'
    printf '%s\n' "$wanted" >"$installed"
fi

# Python is started some hundred times by the tests: what it has compiled once it is to find again.
unset PYTHONDONTWRITEBYTECODE
if [ "$what" = demo ]; then
    exec "$python" -m surpluscharge demo "$@"
fi
say 'running the tests, on all cores (on one alone: sh deploy/try.sh tests -n 0)'
cd "$root"
exec "$python" -m pytest -n auto "$@"
