# Sourced by apps/start and tests/run: makes $root/.venv from the lock files and keeps it true to them.
#
#   set_up_venv run      what passim needs to run
#   set_up_venv tests    that, and what its tests need
#
# POSIX sh. The caller sets $root (the project's folder) and $me (the command's name, for messages).
#
# .venv/made-from holds copies of the files that .venv was made from, each written only after its installation
# succeeded: an interrupted or outdated set-up has no matching copy and is done again from an empty folder.

say() { printf '%s: %s\n' "$me" "$*" >&2; }

# Run a command silently; when it fails, show what it printed and say what was being done.
quietly() {
    doing=$1; shift
    if printed=$("$@" 2>&1 </dev/null); then return 0; fi
    printf '%s\n' "$printed" >&2
    say "$doing failed: the lines above say why; put that right and run the same command again"
    exit 1
}

is_root() { [ "$(id -u)" = 0 ]; }

# Install Debian packages by name. Only for root on a machine that has apt-get.
apt_install() {
    say "installing $* from Debian's packages"
    quietly "apt-get update" env DEBIAN_FRONTEND=noninteractive apt-get -q -y -o Acquire::Retries=3 update
    quietly "apt-get install $*" env DEBIAN_FRONTEND=noninteractive \
        apt-get -q -y -o Acquire::Retries=3 install --no-install-recommends "$@"
}

# Find a Python that is new enough and can make a virtual environment: sets $python to its full path, or fails.
# The path is followed through links, so that an activated .venv, about to be removed, leads to the Python below it.
find_python() {
    for name in python3 python3.14 python3.13 python3.12 python3.11; do
        if python=$("$name" -c '
import ensurepip, os, sys, venv
assert sys.version_info >= (3, 11)
print(os.path.realpath(sys.executable))
' 2>/dev/null); then return 0; fi
    done
    return 1
}

need_python() {
    if find_python; then return 0; fi
    if is_root && command -v apt-get >/dev/null 2>&1; then
        apt_install python3 python3-venv
        if find_python; then return 0; fi
    fi
    say "needs Python 3.11 or newer with its venv module; on Debian or Ubuntu: sudo apt-get install python3-venv"
    exit 2
}

# True where .venv/made-from/$1 is the same as $root/$1.
made_from() { cmp -s "$root/$1" "$venv/made-from/$1"; }
note_made_from() { cp "$root/$1" "$venv/made-from/$1.part" && mv -f "$venv/made-from/$1.part" "$venv/made-from/$1"; }

# True where .venv holds what the run lock (and, for tests, the test lock) asks for, was made in this very folder,
# and its Python still starts. A copied or moved folder, or a Python upgraded underneath, is not taken for good.
libraries_are_there() {
    made_from requirements.lock.txt &&
        [ "$(cat "$venv/made-from/folder" 2>/dev/null)" = "$root" ] &&
        "$venv/bin/python" -c 'import click' >/dev/null 2>&1
}
tests_are_there() { [ "$1" = run ] || made_from requirements-test.lock.txt; }
passim_is_there() { made_from pyproject.toml && "$venv/bin/python" -c 'import passim_apps' >/dev/null 2>&1; }

install_locked() { quietly "installing the libraries of $1" install_halves "$root/$1"; }

# A lock names all that is wanted, so nothing is left to find out, and its halves are fetched and unpacked side by side.
# Python compiles each module where it is first imported: most of what the libraries hold is never asked for.
install_halves() {
    awk -v half="$venv/made-from/half" '/^[A-Za-z0-9]/ { n = 1 - n } /^[^#]/ { print >(half "." n) }' "$1"
    others= failed=
    for half in 1 0; do
        "$venv/bin/python" -m pip --disable-pip-version-check install --quiet --no-input --no-compile --no-deps \
            --require-hashes --requirement "$venv/made-from/half.$half" &
        others="$others $!"
    done
    # What a shell runs beside itself does not hear the keyboard.
    trap 'kill $others' INT TERM
    for each in $others; do wait "$each" || failed=yes; done
    rm -f "$venv/made-from/half.0" "$venv/made-from/half.1"
    [ -z "$failed" ]
}

set_up_venv() {
    venv=$root/.venv
    if libraries_are_there && tests_are_there "$1" && passim_is_there; then return 0; fi
    if [ ! -w "$root" ]; then
        say "has to make .venv in $root and may not write there; copy the project to a folder of your own"
        exit 2
    fi
    need_python

    # One set-up at a time. The lock is on this file, through descriptor 9: the kernel lets go of it when the last
    # process of a set-up has ended, however it ended, so that no stale lock can be left behind.
    exec 9<>"$root/apps/setup_venv.sh"
    "$python" -c '
import fcntl, sys
try:
    fcntl.flock(9, fcntl.LOCK_EX | fcntl.LOCK_NB)
except OSError:
    print(sys.argv[1] + ": waiting for another set-up of .venv to end", file=sys.stderr)
    fcntl.flock(9, fcntl.LOCK_EX)
' "$me"

    # Whoever waited looks again: the other set-up may have done all of the work.
    if ! libraries_are_there; then
        say "making .venv: about a minute the first time"
        rm -rf "$venv"
        quietly "making .venv" "$python" -m venv "$venv"
        mkdir "$venv/made-from"
        if [ "$1" = tests ]; then lock=requirements-test.lock.txt; else lock=requirements.lock.txt; fi
        install_locked "$lock"
        printf '%s\n' "$root" >"$venv/made-from/folder"
        # The test lock contains the run lock, pin for pin (tests/test_project.py holds it to that).
        note_made_from "$lock"
        note_made_from requirements.lock.txt
    fi
    if ! tests_are_there "$1"; then
        say "adding what the tests need to .venv"
        install_locked requirements-test.lock.txt
        note_made_from requirements-test.lock.txt
    fi
    if ! passim_is_there; then
        say "installing passim into .venv"
        rm -f "$venv/made-from/pyproject.toml"
        quietly "installing passim" "$venv/bin/python" -m pip --disable-pip-version-check install \
            --quiet --no-input --no-deps --no-build-isolation --editable "$root"
        note_made_from pyproject.toml
    fi
    exec 9>&-
}
