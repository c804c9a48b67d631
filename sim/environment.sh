# Makes the virtual environment of this checkout. Sourced by sim/demo and tests/run, from the top of the checkout.
#
#   make_environment [EXTRA]    sets $python; installs the project, with an extra of pyproject.toml if one is named

say() { printf '%s\n' "$*" >&2; }

# Installs Debian packages where we are root, else says which ones are missing and stops.
need_packages() {
    if [ "$(id -u)" -ne 0 ]; then
        say "These packages are needed: $*"
        say "Install them with:  sudo apt-get install $*"
        exit 1
    fi
    say "Installing $* ..."
    apt-get update -qq >/dev/null 2>&1 || say "apt-get update failed; trying with the package lists that are here"
    if ! DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$@" >/dev/null 2>&1; then
        say "apt-get could not install: $*"
        say "Look at what it says:  apt-get install $*"
        exit 1
    fi
}

make_environment() {
    extra=${1:+[$1]}
    if ! command -v python3 >/dev/null 2>&1; then
        need_packages python3 python3-venv
    fi
    if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        say "Python 3.11 or newer is needed; python3 here is $(python3 -V 2>&1)."
        exit 1
    fi
    python=$PWD/.venv/bin/python
    if [ ! -x "$python" ] || ! "$python" -m pip --version >/dev/null 2>&1; then
        rm -rf .venv
        # Debian splits the part that `venv` needs into a package of its own.
        python3 -c 'import ensurepip' >/dev/null 2>&1 || need_packages python3-venv
        python3 -m venv .venv || exit 1
    fi
    # One pass is enough until the project's own metadata changes.
    stamp=.venv/layergate-installed${1:+-$1}
    if [ ! -f "$stamp" ] || [ pyproject.toml -nt "$stamp" ]; then
        say "Installing Layergate into .venv (a minute or two the first time) ..."
        if ! "$python" -m pip install --quiet --disable-pip-version-check -e ".$extra" >.venv/install.log 2>&1; then
            cat .venv/install.log >&2
            say "The installation failed; its output is above and in .venv/install.log."
            exit 1
        fi
        touch "$stamp"
    fi
}
