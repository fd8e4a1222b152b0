# Sourced by check, demo and bench: makes the project's environment, once for each set of pinned versions.
cd "$(dirname "${BASH_SOURCE[0]}")/.."
if [ ! -x .venv/bin/python ]; then
  python3 -m venv .venv
fi
stamp=.venv/installed-$(cat pyproject.toml ci/constraints.txt | sha256sum | cut -c1-16)
if [ ! -e "$stamp" ]; then
  .venv/bin/python -m pip install --quiet --constraint ci/constraints.txt --editable '.[test]'
  rm -f .venv/installed-*
  touch "$stamp"
fi
export PATH="$PWD/.venv/bin:$PATH"
