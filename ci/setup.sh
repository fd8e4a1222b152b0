# Sourced by check, demo and bench: makes the project's environment, once for each set of pinned versions.
# With `extra=` set before, it installs only what the program needs, not what its tests need.
cd "$(dirname "${BASH_SOURCE[0]}")/.."
if [ ! -x .venv/bin/python ]; then
  python3 -m venv .venv
fi
extra=${extra-[test]}
stamp=.venv/installed-$(cat pyproject.toml ci/constraints.txt | sha256sum | cut -c1-16)
if [ ! -e "$stamp$extra" ] && [ ! -e "$stamp[test]" ]; then
  # not --compile: Python compiles what it imports, a tenth of what is installed
  .venv/bin/python -m pip install --quiet --no-compile --constraint ci/constraints.txt --editable ".$extra"
  rm -f .venv/installed-*
  touch "$stamp$extra"
fi
export PATH="$PWD/.venv/bin:$PATH"
